"""What anybody at a bench has seen, and no source states: common practice, no source.

Each is a recipe on a bench file, as a person writes them.
"""

from __future__ import annotations

import statistics
from pathlib import Path

import pytest

from drivers.bench import BenchFile, read_bench
from sequencer.engine.ending import Outcome
from tests.sequencer.engine.bench_of import Ran, dry


def bench(text: str) -> BenchFile:
    file, problems = read_bench(Path("ridge.bench.toml"), text)
    assert file is not None, [p.message for p in problems]
    return file


FIELD_MILL = """title = "Ridge station workshop"
line_frequency = "50 Hz"

[channels.smu]
specification = "demo-picoampere"
part          = "guard_diode"
leads         = {{ cable_capacitance = "100 pF", shield = {shield} }}

[parts.guard_diode]
model = "diode"
saturation_current = "1 pA"
"""
LEAKAGE = """recipe "Diode: leakage of picoamperes"
channel smu: source, measure
part guard_diode is diode on smu, not pushed:
    voltage -20 V to 1 V
    current within 50 mA
steps:
    setup smu: aperture = 10 PLC, current range = 2 nA
    source smu voltage -5 V, limit 1 nA
    output smu on
    wait 1 min
    every 1 s for 1 min:
        measure smu into readings
"""


def leakage(shield: str, folder: Path) -> float:
    """The mean of what is read of the diode (A)."""
    (folder / shield).mkdir()
    ran = dry(LEAKAGE, folder / shield, bench(FIELD_MILL.format(shield=shield)), ideal=False)
    assert ran.ending.outcome is Outcome.FINISHED
    return statistics.fmean(ran.column("readings", "smu.current"))


def test_long_unshielded_leads_bring_tens_of_picoamperes(tmp_path: Path) -> None:
    """A diode of 1 pA, in reverse on long leads: common practice, no source.

    Unshielded, they read tens of picoamperes that are not the diode's; shielded, far less than
    that. The same instrument with the same errors reads both.
    """
    unshielded, shielded = (leakage(shield, tmp_path) for shield in ("false", "true"))
    assert 10e-12 < abs(unshielded - shielded) < 100e-12
    # What is left besides the diode's own picoampere is within what the instrument states of 2 nA.
    assert abs(shielded) < abs(unshielded) / 10


SHORT = """title = "Ridge station workshop"
line_frequency = "50 Hz"

[channels.smu]
specification = "demo-source-measure"
part          = "joint"
leads         = { per_lead_resistance = "2 mohm", thermal_voltage = "2 uV" }

[parts.joint]
model = "contact"
resistance = "6 mohm"
thermal_voltage = "1 uV"
"""
SHORTED = """recipe "A short, and nothing that drives it"
channel smu: source, measure
part joint is contact on smu:
    voltage within 20 mV
    current within 100 mA
steps:
    setup smu: aperture = 1 PLC, current range = 5 mA
    source smu voltage 0 V, limit 5 mA
    output smu on
    wait 1 s
    every 100 ms for 1 s:
        measure smu into readings
"""


def test_a_short_of_milliohms_carries_hundreds_of_microamperes(tmp_path: Path) -> None:
    """An instrument that resolves picoamperes, at 0 V on milliohms: common practice, no source.

    3 µV of thermal voltages over 10 mΩ, without any error of the instrument's: 300 µA, eight orders
    of magnitude above the picoampere that its lowest range resolves.
    """
    ran = dry(SHORTED, tmp_path, bench(SHORT))
    assert ran.ending.outcome is Outcome.FINISHED
    found = [abs(amperes) for amperes in ran.column("readings", "smu.current")]
    assert len(found) > 5
    assert found == pytest.approx([300e-6] * len(found), rel=1e-9, abs=0)


MAST = """title = "Ridge station workshop"
line_frequency = "50 Hz"

[channels.smu]
specification = "demo-source-measure"
part          = "film"
leads         = { per_lead_resistance = "20 mohm" }

[parts.film]                             # a quarter of a watt
model = "resistor"
resistance = "2.2 ohm"
heating = { heat_capacity = "0.2 mJ/K", thermal_resistance = "400 K/W" }
pulse_failure_energy = "0.1 J"
"""
STRONG = """recipe "One strong pulse"
channel smu: source, measure, pulse, capture, remote sense
part film is resistor on smu, not pushed, may be destroyed:
    voltage within 40 V
    current within 12 A
    power up to 400 W
    energy up to 1 kJ
steps:
    setup smu: aperture = 1 PLC
    source smu voltage 100 mV, limit 100 mA
    output smu on
    measure smu into before
    pulse smu voltage {volts} V, limit 11 A, width 2 ms, into shot
    wait 1 s
    measure smu into after
"""


def struck(volts: float, folder: Path) -> Ran:
    folder.mkdir()
    return dry(STRONG.format(volts=volts), folder, bench(MAST))


def test_a_film_resistor_opens_by_a_punctured_spot(tmp_path: Path) -> None:
    """A quarter of a watt, struck by hundreds of times as much: common practice, no source.

    20 V on 2.2 Ω are 182 W, 727 times its rating: within 2 ms it is open. By 10 V, 45 W for as
    long, it is as it was: what bears no watt for long bears tens of them for milliseconds.
    """
    borne, opened = struck(10, tmp_path / "borne"), struck(20, tmp_path / "opened")
    ohms = [
        ran.column(trace, "smu.voltage")[0] / ran.column(trace, "smu.current")[0]
        for ran in (borne, opened)
        for trace in ("before", "after")
    ]
    assert ohms[:3] == pytest.approx([2.2] * 3, rel=1e-6, abs=0)
    assert ohms[3] > 1e9
    assert borne.ending.reason == ""
    assert opened.ending.reason.startswith(
        "film was destroyed, as it may be: the element opened by a punctured spot: it held 100 mJ"
    )
