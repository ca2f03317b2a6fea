"""Faults on command: how they are asked for, and what they do to a bench."""

from __future__ import annotations

from pathlib import Path

import pytest

from drivers.bench import open_simulated, read_bench
from drivers.channel import Acquisition, Setpoint
from drivers.faults import BenchFileError
from drivers.simulated.faults import KINDS, form
from drivers.simulated.instruments.mishaps import Mishap
from drivers.simulated.rehearsal import Fault, asked, mishaps, refuse_idle, wiring

BENCH = """line_frequency = "50 Hz"
[channels.smu]
specification = "demo-source-measure"
part = "load"
leads = { thermal_voltage = "0.3 V" }
[parts.load]
model = "resistor"
resistance = "10 ohm"
"""

AUX = ["smu", "aux"]


def currents(*faults: str) -> list[float]:
    """Readings of a second each, at 5 V from the start on."""
    bench, problems = read_bench(Path("ridge.bench.toml"), BENCH)
    assert bench is not None, list(problems)
    opened = open_simulated(bench, ideal=True, faults=faults)
    smu = opened.channels["smu"]
    smu.configure(Acquisition(5.0, 5.0, aperture_s=1.0, aperture_cycles=None))
    smu.program(Setpoint("voltage", 5.0, -1.0, 1.0))
    smu.switch(True)
    return [smu.measure().current for _ in range(4)]


def test_leads_that_are_whole() -> None:
    assert currents() == pytest.approx([0.47] * 4)


def test_a_part_the_wrong_way_round() -> None:
    # A resistor doesn't mind.
    assert currents("reversed") == pytest.approx([0.47] * 4)


def test_a_lead_that_drops_off() -> None:
    assert currents("smu:lead-off@2.005s") == pytest.approx([0.47, 0.47, 0.0, 0.0], abs=1e-9)


def test_a_lead_that_bounces() -> None:
    before, bounced, after, _ = currents("bounce@1.5s")
    assert before == after == pytest.approx(0.47)
    assert 0.47 * 0.9 < bounced < 0.47 * 0.9999
    assert currents("bounce@1.5s")[1] == bounced


def test_what_is_asked_is_read() -> None:
    assert asked(["smu:lead-off@1.5min", "bounce", "reversed"], ["smu"]) == [
        Fault("lead-off", "smu", 90.0),
        Fault("bounce"),
        Fault("reversed"),
    ]
    assert wiring([Fault("reversed", "aux")], "smu", 0) == wiring([], "smu", 0)


def test_what_befalls_the_instrument_is_its_own() -> None:
    faults = asked(["smu:power-cycle@1.5s", "sense-open", "reversed", "aux:output-stuck"], AUX)
    assert mishaps(faults, "smu") == [Mishap(1_500_000_000, "power-cycle"), Mishap(0, "sense-open")]
    assert mishaps(faults, "aux") == [Mishap(0, "sense-open"), Mishap(0, "output-stuck")]
    assert wiring(faults, "smu", 0) == wiring([Fault("reversed")], "smu", 0)


def test_every_kind_is_done_by_leads_or_instrument() -> None:
    whole = wiring([], "smu", 0)
    for kind in KINDS:
        faults = [Fault(kind, "smu", 1.0)]
        assert (wiring(faults, "smu", 0) != whole) != bool(mishaps(faults, "smu")), kind


def test_every_kind_is_in_the_readme() -> None:
    readme = (Path(__file__).parents[2] / "recipes" / "README.md").read_text("utf-8")
    for kind in KINDS:
        assert f"| `{form(kind)}` |" in readme


def test_sense_leads_that_nobody_makes_use_of_are_refused() -> None:
    remote = {"smu": True, "aux": False}
    refuse_idle(["sense-open", "smu:sense-reversed@3s", "aux:lead-off"], remote)
    with pytest.raises(BenchFileError) as refused:
        refuse_idle(["aux:sense-open@3s"], remote)
    assert refused.value.message == (
        "--fault aux:sense-open@3s: channel “aux” senses at its own terminals in this recipe, so "
        "that nothing would come of it"
    )
    with pytest.raises(BenchFileError, match="every channel senses at its own terminals"):
        refuse_idle(["sense-reversed"], {"smu": False})


@pytest.mark.parametrize(
    ("text", "message", "advice"),
    [
        ("led-off", "--fault led-off: there is no fault “led-off”", "Did you mean “lead-off”?"),
        (
            "sm:bounce",
            "--fault sm:bounce: there is no channel “sm” in this recipe",
            "Did you mean “smu”?",
        ),
        ("bounce@90", "--fault bounce@90: “90” is no time", "Write it as in bounce@90s."),
        ("bounce@-1s", "--fault bounce@-1s: “-1s” is no time", "Write it as in bounce@90s."),
        ("bounce@3 V", "--fault bounce@3 V: “3 V” is no time", "Write it as in bounce@90s."),
        ("reversed@3s", "--fault reversed@3s: “reversed” is so from the start", "Leave @3s out."),
        (
            "smu:power-cycle",
            "--fault smu:power-cycle: “power-cycle” happens at a time",
            "Write it as in smu:power-cycle@90s.",
        ),
    ],
)
def test_what_makes_no_sense_is_refused(text: str, message: str, advice: str) -> None:
    with pytest.raises(BenchFileError) as refused:
        asked([text], ["smu"])
    assert (refused.value.message, refused.value.advice) == (message, advice)
