"""Mistakes that the hunt has found, each by the smallest recipe and bench that showed it.

They were in the analysis, in the look before power, in what a range was taken for, in the distance
of two pulses or in what the judge took for a step's doing; the judge is the same as the hunt's.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from sequencer.api import check, load
from tests.soundness.adverse import Errors
from tests.soundness.hunt import Setting, wrong_with
from tests.soundness.parts import Span

EVERYTHING = "source, sink, measure, two-sided limit, pulse, measure open, mode change under power"
LITTLE = "source, sink, measure"
AUX = (
    *("channel aux: source, sink, measure", "part load is resistor on aux:"),
    *("    voltage within 6 V", "    current within 0.8 A"),
)
AUX_BENCH = """[channels.aux]
specification = "demo-source-measure"
part = "load"
[parts.load]
model = "resistor"
resistance = "5 ohm"
"""


def found(
    store: Path,
    part: str,
    steps: str,
    model: str,
    *,
    able: str = EVERYTHING,
    begins_v: float = 0.0,
    specification: str = "demo-source-measure",
    beside: bool = False,
) -> list[str]:
    """What a few runs of a recipe show that its worst case rules out.

    With `beside` there is a source `aux` with a load of its own, too.
    """
    declared, *ratings = part.split("; ")
    text = "\n".join(
        [
            'recipe "Found"',
            f"channel smu: {able}",
            f"part dut is {declared} on smu:",
            *(f"    {rating}" for rating in ratings),
            *(AUX if beside else ()),
            "steps:",
            *(f"    {step}" for step in steps.split("; ")),
        ]
    )
    bench = (
        f'line_frequency = "50 Hz"\n[channels.smu]\nspecification = "{specification}"\n'
        f'part = "dut"\nleads = {{ per_lead_resistance = "0.02 ohm" }}\n[parts.dut]\n{model}\n'
        f"{AUX_BENCH if beside else ''}"
    )
    wrong: list[str] = []
    own = {"smu": Span(min(0.0, begins_v), max(0.0, begins_v)), "aux": Span(0.0, 0.0)}
    loaded = load(text + "\n")
    for seed in range(6):
        setting = Setting(bench, own, {}, {}, Errors(seed, seed % 2 == 0))
        checked = check(loaded, setting.file)
        assert not checked.problems.has_errors, [p.message for p in checked.problems]
        wrong += wrong_with(loaded, checked, setting, store / "found.sqlite")
    return wrong


def resistor(ohms: float) -> str:
    return f'model = "resistor"\nresistance = "{ohms} ohm"'


def capacitor(farads: float, volts: float, more: str = "") -> str:
    return (
        f'model = "supercapacitor"\ncapacitance = "{farads} F"\nseries_resistance = "1 mohm"\n'
        f'initial = {{ voltage = "{volts} V" }}\n{more}'
    )


CASES = {
    "the time that an output takes to open counts": (
        "resistor; voltage within 5 V; current within 2 A",
        "source smu voltage 1 V, limit 1 A; output smu on; output smu off",
        {"model": resistor(2)},
    ),
    "the way off through zero counts": (
        "coil; voltage within 5 V; current within 2 A",
        "source smu voltage 1 V, limit 1 A; output smu on; wait 100 ms",
        {"model": resistor(2)},
    ),
    "a reading of the runner's own may end after a wait": (
        "resistor; voltage within 5 V; current within 4.2 A; energy up to 3 J",
        "source smu current 1.4 A, limit 4 V; output smu on; wait 1.1 s",
        {"model": resistor(0.333)},
    ),
    "the range holds what the part brings, too": (
        "capacitor; voltage -50 mV to 1.5 V; current within 2.2 A",
        "source smu voltage 0.374 V, limit 2 A; output smu on; wait 100 ms",
        {"model": capacitor(1, 0.0)},
    ),
    "without a look the range is the recipe's": (
        "suppressor; voltage -2 V to 1.5 V; current within 0.95 A",
        "source smu voltage -0.134 V, limit 0.871 A; output smu on",
        {"model": resistor(100), "able": LITTLE, "specification": "demo-symmetric-source"},
    ),
    "a limit of 0 A has an error": (
        "capacitor; voltage -50 mV to 2.8 V; current within 2.2 A",
        "source smu voltage 1 V, limit 0 A to 2 A; output smu on; wait 200 ms",
        {"model": capacitor(0.1, 2.0), "begins_v": 2.0},
    ),
    "at 0 V an error of the level brings power in": (
        "other; voltage within 5 V; current within 2 A",
        "source smu voltage 0 V, limit 1 A; output smu on; wait 100 ms",
        {"model": resistor(1.5)},
    ),
    "a push never meets a limit that a leaking part has left": (
        "capacitor; voltage -50 mV to 1.5 V; current within 0.3 A",
        "source smu voltage 0.3 V, limit 0.2 A; output smu on; wait 100 ms",
        {
            "model": capacitor(1e-3, 1.36, 'leakage_resistance = "100 ohm"'),
            "begins_v": 1.36,
        },
    ),
    "a push downwards keeps within its rating in the range that it has": (
        "capacitor; voltage -50 mV to 1.5 V; current within 2.2 A",
        "source smu voltage 0.3 V, limit 2 A; output smu on",
        {"model": capacitor(1e-3, 1.5), "begins_v": 1.5},
    ),
    "the same below zero": (
        "capacitor; voltage -12 V to 5.5 V; current -0.25 A to 1 A",
        "source smu voltage 1 V, limit 0.2 A; output smu on; wait 100 ms",
        {
            "model": capacitor(1e-3, -3.83, 'leakage_resistance = "100 ohm"'),
            "begins_v": -3.83,
        },
    ),
    "a reading over range is no look": (
        "capacitor; voltage -5 V to 5.5 V; current within 0.3 A",
        "setup smu: voltage range = auto; source smu voltage 0 V, limit 0.2 A; output smu on; "
        "source smu current 0.2 A, limit -4.77 V to 5.25 V; wait 100 ms",
        {"model": capacitor(1, 5.5), "begins_v": 5.5},
    ),
    "a second `on` leaves the ranges of the first": (
        "contact; voltage within 12 V; current within 0.95 A",
        "source smu voltage -1.43 V, limit 0.26 A; output smu on; output smu on; "
        "ramp smu voltage to -11.6 V over 1 s, in steps of 3.85 V",
        {"model": resistor(126), "able": LITTLE, "specification": "demo-symmetric-source"},
    ),
    "a pulse may wait for a reading of the runner's own": (
        "resistor; voltage within 12 V; current within 2.2 A",
        "source smu voltage 1 V, limit 2 A; output smu on; ramp smu voltage to 0.5 V over 1 s; "
        "source smu voltage 2 V, limit 2 A; pulse smu voltage 3 V, limit 2 A, width 500 us",
        {"model": resistor(2.7)},
    ),
    "a pulse that came late puts off the next": (
        "resistor; voltage within 1.5 V; current within 2.2 A; current within 5.28 A per pulse",
        "source aux voltage 1 V, limit 0.7 A; output aux on; "
        "source smu current -1 A, limit 1.2 V; output smu on; wait 1.1 s; "
        "pulse smu current -4.97 A, limit 1.2 V, width 3 ms, period 75 ms, count 12",
        {"model": resistor(0.2), "beside": True},
    ),
    "a part that was never on is read at the end before another goes off": (
        "diode; voltage within 2 V; current within 1 A",
        "source aux voltage 1 V, limit 0.7 A; output aux on",
        {"model": resistor(1), "beside": True},
    ),
    "what an offset drives through a train has no mean either": (
        "resistor; voltage -2 V to 12 V; current within 1 A",
        "source smu voltage 0 V, limit 0.92 A; output smu on; "
        "pulse smu voltage 0 V, width 3 ms, period 75 ms, count 3",
        {"model": resistor(6)},
    ),
    "out of a limit of 0 V an offset drives more than the level": (
        "resistor; voltage within 12 V; current within 0.3 A",
        "source smu current 50 mA, limit 0 V to 8 V; output smu on; wait 10 ms",
        {"model": resistor(0.009)},
    ),
    "out of a limit of 0 V an offset drives against the level": (
        "motor; voltage -50 mV to 1.5 V; current within 0.3 A; current within 0.7 A per pulse",
        "source smu current -0.186 A, limit 0 V to 1.38 V; output smu on; "
        "pulse smu current -0.2 A, width 3 ms, period 75 ms, count 2",
        {"model": resistor(50)},
    ),
    "the runner's own reading may outlast a loop on a grid": (
        "contact; voltage -0.5 V to 12 V; current within 2.2 A; charge within 1.1 C",
        'source smu voltage 0 V, limit dut; output smu on; every 200 ms for 0.822 s:;     note "-"',
        {"model": resistor(0.0054)},
    ),
    "the end of a pulse of the other sign is under the base's limit": (
        "suppressor; voltage -12 V to 5.5 V; current -0.075 A to 0.3 A; "
        "voltage -18 V to 8.25 V per pulse",
        "source smu current 0.241 A, limit -11.6 V to 5.25 V; output smu on; sweep smu current "
        "from -0.0227 A to 0.0227 A in 2 points, pulsed, width 1 ms, "
        "period 30 ms, limit 7.9 V, into s",
        {"model": 'model = "diode"\nsaturation_current = "1 uA"\nseries_resistance = "50 mohm"'},
    ),
    "a current that rises from a blocked junction begins within what blocks": (
        "diode; voltage -2 V to 5.5 V; current -1 A to 1 A",
        "source smu voltage -1.86 V, limit dut; output smu on; "
        "source smu current 0.6 A, limit dut; wait 10 ms",
        {"model": 'model = "diode"\nsaturation_current = "1 pA"\nseries_resistance = "1 ohm"'},
    ),
    "what a look under power doesn't see drives a current back": (
        "capacitor; voltage -12 V to 12 V; current -4.2 A to 4.2 A",
        "source smu voltage 5.72 V, limit 4.02 A; output smu on; "
        "source smu current 4.02 A, limit -11.6 V to 11.6 V; wait 1.2 s",
        {
            "model": capacitor(100, 12.0).replace("1 mohm", "1 ohm"),
            "begins_v": 12.0,
        },
    ),
    "and goes on doing so under the next current": (
        "capacitor; voltage -12 V to 12 V; current -4.2 A to 4.2 A",
        "source smu voltage 5.72 V, limit 4.02 A; output smu on; "
        "source smu current 4.02 A, limit -11.6 V to 11.6 V; "
        "source smu current 0.1 A, limit -11.6 V to 11.6 V; wait 1.2 s",
        {
            "model": capacitor(100, 12.0).replace("1 mohm", "1 ohm"),
            "begins_v": 12.0,
        },
    ),
    "an edge through a junction's bend gives nothing back": (
        "suppressor; voltage -12 V to 5.5 V; current -4.2 A to 4.2 A",
        "source smu voltage -11.6 V, limit -4.02 A to 2.01 A; output smu on; "
        "pulse smu voltage 1.705 V, limit within 4.02 A, width 4 ms",
        {
            "model": 'model = "diode"\nsaturation_current = "1 pA"\nideality = 1.8\n'
            'series_resistance = "1 ohm"'
        },
    ),
}


@pytest.mark.parametrize("name", CASES)
def test_what_was_found_is_proved_now(name: str, tmp_path: Path) -> None:
    part, steps, more = CASES[name]
    assert found(tmp_path, part, steps, **more) == []  # type: ignore[arg-type]
