"""What leads let in belongs to the error of a reading: guards and the worst case count it."""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from drivers.bench_file import BenchFile, read_bench
from sequencer import api
from sequencer.checker.worst import instrument
from sequencer.checker.worst.interval import Interval
from sequencer.engine.guards import reading_uncertainties

BENCH = """line_frequency = "50 Hz"
[channels.smu]
specification = "demo-picoampere"
part = "load"
{leads}
[parts.load]
model = "resistor"
resistance = "980 ohm"
"""
RECIPE = """recipe "Ridge weather station: a gauge on long leads"
channel smu: source, sink, measure, measure open
part load is resistor on smu:
    voltage within 12 V
    current within 10 mA
steps:
    setup smu: aperture = 3 ms
    source smu voltage 9.6 V, limit 9.9 mA
    output smu on
    every 7 ms for 1 s:
        measure smu into looks
results:
    most = maximum(looks, current)
"""


def bench(pick_up: str = "", shield: str = "false", stray: str = "0 A") -> BenchFile:
    leads = ""
    if pick_up:
        leads = (
            f'leads = {{ cable_capacitance = "100 pF", shield = {shield}, pick_up = "{pick_up}", '
            f'stray_current = "{stray}" }}'
        )
    file, problems = read_bench(Path("ridge.bench.toml"), BENCH.format(leads=leads))
    assert file is not None, [problem.message for problem in problems]
    return file


def plus(file: BenchFile, aperture_s: float) -> tuple[float, float]:
    """The absolute parts of the largest errors of readings, of voltage and of current."""
    volts, amperes = reading_uncertainties(
        file.specifications["smu"], 40.0, 50e-3, aperture_s, file.line_frequency_hz
    )
    return volts.plus, amperes.plus


@pytest.mark.parametrize(("shield", "left"), [("false", 1.0), ("true", 0.01)])
def test_a_reading_may_be_off_by_what_the_leads_let_in(shield: str, left: float) -> None:
    """The stray current, and of the mains what the aperture leaves: sin(π·f·T)/(π·f·T)."""
    alone, wired = bench(), bench("2 mA", shield, "-300 uA")
    for aperture_s in (1e-3, 3e-3, 0.02, 0.025):
        cycles = 50 * aperture_s
        mains = 2e-3 * abs(math.sin(math.pi * cycles) / (math.pi * cycles))
        mains = 0.0 if cycles == 1 else mains
        volts, amperes = plus(wired, aperture_s)
        assert amperes - plus(alone, aperture_s)[1] == pytest.approx(left * (mains + 300e-6))
        assert volts == plus(alone, aperture_s)[0]


def test_the_worst_case_counts_it_in_what_readings_can_be() -> None:
    """All of it at the shortest aperture, over which nothing averages out."""
    rating = Interval(-10e-3, 10e-3)
    alone, wired = (
        instrument.reading(file.specifications["smu"], "current", rating)
        for file in (bench(), bench("2 mA"))
    )
    assert wired.high - alone.high == pytest.approx(2e-3, rel=0.03)
    assert alone.low - wired.low == pytest.approx(2e-3, rel=0.03)


def test_a_rating_is_not_tripped_by_what_the_leads_pick_up(tmp_path: Path) -> None:
    """9.8 mA through the part reads 10.5 mA: by 0.8 mA of the mains, as is stated of the leads."""
    done = api.dry_run(
        api.load(RECIPE), bench("0.8 mA"), store=tmp_path / "a.sqlite", tell=lambda _: None
    )
    assert done.exit_code == 0, done.ending
    (most,) = (r.value for r in done.results if r.name == "most")
    assert most is not None
    assert most > 10.4e-3
