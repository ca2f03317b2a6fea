"""The first look and the presence push: what is refused before power, in whole sentences."""

from __future__ import annotations

from pathlib import Path

import pytest

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
        "bank: 3.1 V on the terminals, outside its rating of -0.05 to 2.8 V: the capacitor is "
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
        "bank: pushed with 0.01 A, and the terminals ran to 0.05 V at once and kept nothing: the "
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
    assert ran.events("push")[0].startswith("bank: took 0.01 A: it is there"), ran.ending.reason
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
    assert ran.events("push") == ["clamp: passed 0.01 A forward: it is there"]


def test_an_absent_diode(tmp_path: Path) -> None:
    part = ABSENT.replace("bank", "clamp")
    ran = look(tmp_path, part, "diode", "-5 V to 1.5 V", "current 10 mA, limit 1 V")
    assert refused(ran) == (
        "clamp: pushed with 0.01 A, and nothing passed either way: the part is absent, or a lead "
        "is off"
    )


def test_a_current_source_is_refused_where_the_part_lies_outside_its_limit(tmp_path: Path) -> None:
    # The presence push leaves 10 mA · 0.5 s over 10 F and its slow branch on it.
    part = charged(2.5)
    ran = look(tmp_path, part, source="current 0.5 A, limit 0 V to 2 V")
    assert ran.finished.exit_code == 4
    assert ran.ending.reason == (
        "bank: 2.50049 V on the terminals lies outside the limit of 0 to 2 V: the limit would take "
        "over and reverse the current"
    )
    assert ran.outputs_off


def test_a_store_that_nobody_can_look_at_is_refused(tmp_path: Path) -> None:
    text = RECIPE.format(
        name="bank", kind="capacitor", voltage="-0.6 V to 2.8 V", source=SOURCE
    ).replace(", measure open, two-sided limit", "")
    ran = dry(text, tmp_path, bench_file(CAPACITOR, "demo-symmetric-source"))
    assert ran.finished.exit_code == 4
    assert ran.ending.fault == "bench"
    assert "nobody has seen what the capacitor holds" in ran.ending.reason
