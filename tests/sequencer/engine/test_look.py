"""The first look and the presence push: what is refused before power, in whole sentences."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

from drivers.bench import Bench, open_simulated
from drivers.channel import Acquisition, Reading, Setpoint
from sequencer.api import check, load, perform
from sequencer.engine.ending import Outcome
from tests.sequencer.engine.bench_of import CAPACITOR, Ran, bench_file, dry

RECIPE = """recipe "Look"
channel smu: source, sink, measure, measure open, two-sided limit
part {name} is {kind} on smu:
    voltage {voltage}
    current within 1 A
steps:
    source smu {source}
    output smu on
    measure smu
"""
SOURCE = "voltage 0.5 V, limit 0.5 A"


def look(
    store: Path,
    part: str,
    kind: str = "capacitor",
    voltage: str = "-0.05 V to 2.8 V",
    source: str = SOURCE,
) -> Ran:
    name = part.split("[parts.")[1].split("]")[0]
    text = RECIPE.format(name=name, kind=kind, voltage=voltage, source=source)
    return dry(text, store, bench_file(part))


def charged(volts: float) -> str:
    return CAPACITOR + f'initial = {{ voltage = "{volts} V" }}\n'


def refused(ran: Ran) -> str:
    assert ran.finished.exit_code == 4
    assert ran.ending.outcome is Outcome.FAILED
    assert ran.ending.fault == "person"
    assert ran.events("output") == []
    assert ran.outputs_off
    return str(ran.ending.reason)


def test_reversed_and_charged(tmp_path: Path) -> None:
    assert refused(look(tmp_path, charged(-1.5))) == (
        "bank: -1.5 V on the terminals: the capacitor is charged and connected the wrong way "
        "round; discharge it, then swap its leads"
    )


def test_charged_outside_its_rating(tmp_path: Path) -> None:
    assert refused(look(tmp_path, charged(3.1))) == (
        "bank: 3.1 V on the terminals, outside its rating of -50 mV to 2.8 V: the capacitor is "
        "charged beyond what it bears, or it is another part"
    )


def test_voltage_on_a_part_whose_kind_forces_none(tmp_path: Path) -> None:
    part = charged(1.2).replace("parts.bank", "parts.load")
    assert refused(look(tmp_path, part, "resistor", "-5 V to 5 V")) == (
        "load: 1.2 V on the terminals, and a resistor brings none by itself: something else is "
        "connected"
    )


ABSENT = """
[parts.bank]
model = "resistor"
resistance = "1 Tohm"
"""


def test_a_capacitor_that_is_absent_is_found_by_the_push(tmp_path: Path) -> None:
    assert refused(look(tmp_path, ABSENT)) == (
        "bank: pushed with 10 mA, and the terminals ran to 50 mV at once and kept nothing: the "
        "part is absent, or a lead is off"
    )


@pytest.mark.parametrize("farads", ["100 uF", "1 mF", "1 F", "400 F"])
@pytest.mark.parametrize("volts", [0.0, 1.0, 2.78])
def test_a_capacitor_that_is_there_passes_whatever_its_size(
    tmp_path: Path, farads: str, volts: float
) -> None:
    part = (
        f'[parts.bank]\nmodel = "supercapacitor"\ncapacitance = "{farads}"\n'
        f'series_resistance = "10 mohm"\ninitial = {{ voltage = "{volts} V" }}\n'
    )
    ran = look(tmp_path, part)
    assert ran.events("push")[0].startswith("bank: took 10 mA: it is there"), ran.ending.reason
    assert ran.finished.exit_code == 0


DIODE = """
[parts.clamp]
model = "diode"
saturation_current = "10 pA"
ideality = 1.05
series_resistance = "50 mohm"
"""


def test_a_diode_passes_one_way(tmp_path: Path) -> None:
    ran = look(tmp_path, DIODE, "diode", "-5 V to 1.5 V", "current 10 mA, limit 1 V")
    assert ran.finished.exit_code == 0
    assert ran.events("push") == ["clamp: passed 10 mA forward: it is there"]


def test_an_absent_diode(tmp_path: Path) -> None:
    part = ABSENT.replace("bank", "clamp")
    ran = look(tmp_path, part, "diode", "-5 V to 1.5 V", "current 10 mA, limit 1 V")
    assert refused(ran) == (
        "clamp: pushed with 10 mA, and nothing passed either way: the part is absent, or a lead "
        "is off"
    )


def test_a_current_source_is_refused_where_the_part_lies_outside_its_limit(tmp_path: Path) -> None:
    # The presence push leaves 10 mA · 0.5 s over 10 F and its slow branch on it.
    part = charged(2.5)
    ran = look(tmp_path, part, source="current 0.5 A, limit 0 V to 2 V")
    assert ran.finished.exit_code == 4
    assert ran.ending.reason == (
        "bank: 2.50049 V on the terminals lies outside the limit of 0 V to 2 V: the limit would "
        "take over and reverse the current"
    )
    assert ran.outputs_off


def test_a_store_that_nobody_can_look_at_is_refused(tmp_path: Path) -> None:
    """The check says so beforehand; the run doesn't take its word for it."""
    text = RECIPE.format(name="bank", kind="capacitor", voltage="-0.6 V to 2.8 V", source=SOURCE)
    less = bench_file(CAPACITOR, "demo-symmetric-source").specifications["smu"]

    def blinded(bench: Bench) -> None:
        bench.channels["smu"].specification = less

    ran = dry(text, tmp_path, bench_file(CAPACITOR), change=blinded)
    assert ran.finished.exit_code == 4
    assert ran.ending.fault == "bench"
    assert "nobody has seen what the capacitor holds" in ran.ending.reason


def test_a_push_stays_within_the_rating_of_its_own_side(tmp_path: Path) -> None:
    """A hundredth of what the part bears backward, not of what it bears forward."""
    text = RECIPE.format(
        name="clamp", kind="diode", voltage="-5 V to 1.5 V", source="voltage 0.5 V, limit 0.5 A"
    )

    def turned(bench: Bench) -> None:
        bench.channels["smu"] = Turned(bench.channels["smu"])  # type: ignore[assignment]

    for current, words in (
        ("-1 mA to 1 A", "passes current backward"),
        ("0 A to 1 A", "wrong way"),
    ):
        ran = dry(
            text.replace("within 1 A", current), tmp_path / words, bench_file(DIODE), change=turned
        )
        assert words in refused(ran)
        low = float(current.split()[0]) * 1e-3
        assert min(ran.record.columns("smu", ["current"])["current"]) >= low


class Turned:
    """A channel whose part is connected the wrong way round."""

    def __init__(self, channel: Any) -> None:
        self._channel = channel

    def __getattr__(self, name: str) -> Any:
        return getattr(self._channel, name)

    def program(self, setpoint: Setpoint) -> None:
        """Program it as the part sees it."""
        mode, level, low, high = setpoint
        self._channel.program(Setpoint(mode, -level, -high, -low))

    def measure(self) -> Reading:
        """A reading as the instrument shows it."""
        reading: Reading = self._channel.measure()
        return reading._replace(voltage=-reading.voltage, current=-reading.current)


def test_the_push_of_an_absent_diode_never_passes_its_rating(tmp_path: Path) -> None:
    text = RECIPE.format(
        name="clamp", kind="diode", voltage="-5 V to 1.2 V", source="voltage 0.5 V, limit 0.5 A"
    )
    for seed in range(6):
        ran = dry(
            text, tmp_path / str(seed), bench_file(ABSENT.replace("bank", "clamp")),
            ideal=False, seed=seed,
        )  # fmt: skip
        assert "the part is absent" in refused(ran)


SPECIFICATION = Path(__file__).parents[3] / "drivers/specifications/demo-symmetric-source.toml"


@pytest.mark.parametrize("volts", [-1.5, 3.1])
def test_a_look_under_power_drives_nothing(tmp_path: Path, volts: float) -> None:
    """Without `measure open` the look is at 0 A: its limit must never take over."""
    text = SPECIFICATION.read_text("utf-8").replace('"measure"]', '"measure", "two-sided limit"]')
    (tmp_path / "two-sided.toml").write_text(text, "utf-8")
    recipe = RECIPE.format(
        name="bank", kind="capacitor", voltage="-0.05 V to 2.8 V", source=SOURCE
    ).replace(", measure open", "")
    file = bench_file(charged(volts), str(tmp_path / "two-sided.toml"))
    ran = dry(recipe, tmp_path, file)
    assert "on the terminals" in refused(ran)
    # The instrument's own offset is nothing in an ideal run.
    assert list(ran.record.columns("smu", ["current"])["current"]) == pytest.approx([0.0], abs=1e-9)


def test_a_resistor_that_passes_less_than_the_push_is_seen_in_the_push_s_own_range(
    tmp_path: Path,
) -> None:
    """50 mV over 10 ohm are 5 mA: less than the 5 A range is good for, yet plain to see."""
    part = '[parts.load]\nmodel = "resistor"\nresistance = "10 ohm"\n'
    text = RECIPE.format(
        name="load", kind="resistor", voltage="-10 V to 10 V", source="voltage 1 V, limit 0.7 A"
    )
    ran = dry(text, tmp_path, bench_file(part), ideal=False)
    assert ran.told == []
    assert ran.events("push")[0].startswith("load: passed 5.2")


def test_a_resistance_without_measurable_current_is_no_value(tmp_path: Path) -> None:
    part = '[parts.load]\nmodel = "resistor"\nresistance = "10 ohm"\n'
    text = RECIPE.format(
        name="load", kind="resistor", voltage="-10 V to 10 V", source="current 0 A, limit 5 V"
    )
    text += '    if smu.resistance > 0 ohm:\n        fail "{smu.resistance}"\n'
    text += '    say "{smu.resistance}"\n'
    ran = dry(text, tmp_path, bench_file(part), ideal=False)
    assert ran.finished.exit_code == 0, ran.ending.reason
    assert ran.told == ["no value"]


@pytest.mark.parametrize("pushed", ["", ", not pushed"])
def test_the_ranges_of_the_recipe_hold_again_after_the_look(tmp_path: Path, pushed: str) -> None:
    """The look takes the widest voltage range, the push its own two."""
    text = RECIPE.format(name="bank", kind="capacitor", voltage="within 2.8 V", source=SOURCE)
    text = text.replace("on smu:", f"on smu{pushed}:")
    text = text.replace("steps:\n", "steps:\n    setup smu: voltage range = 1 V\n")
    ran = dry(text, tmp_path / "a.sqlite", bench_file())
    assert ran.finished.exit_code == 0, ran.ending.reason
    columns = ran.record.columns("smu", ["step", "voltage_range"])
    own = columns["voltage_range"][columns["step"] == 10]
    looked = columns["voltage_range"][columns["step"] == 0]
    assert own.tolist() == [5.0]
    assert looked.max() > 5.0


def test_nothing_is_told_to_an_instrument_twice_before_its_output_goes_on(tmp_path: Path) -> None:
    file = bench_file()
    simulated = open_simulated(file)
    channel = simulated.channels["smu"]
    told: list[object] = []
    for name in ("configure", "program", "switch"):
        act = getattr(channel, name)

        def tell(value: object, act: Any = act) -> None:
            told.append(value)
            act(value)

        setattr(channel, name, tell)
    text = RECIPE.format(name="bank", kind="capacitor", voltage="within 2.8 V", source=SOURCE)
    setup = "steps:\n    setup smu: voltage range = 5 V, current range = 5 A\n"
    loaded = load(text.replace("steps:\n", setup))
    perform(
        loaded, check(loaded, file), simulated, mode="dry run", store=tmp_path / "a.sqlite",
        tell=lambda _: None,
    )  # fmt: skip
    before = told[: [k for k, value in enumerate(told) if value is True][1] + 1]
    setpoint = Setpoint("voltage", 0.5, -0.5, 0.5)
    # By `source`, and once more at `output on`, after the push.
    assert before.count(setpoint) == 2
    measured = [value for value in before if isinstance(value, Acquisition)]
    # As it was after the reset, by `setup`, to look, to push, and again as `setup` has it.
    assert len(measured) == 5
    assert all(a != b for a, b in pairwise(measured))
    assert measured[-1] == measured[1]
