"""What leads and a part's own noise bring into readings of current, through a whole bench."""

from __future__ import annotations

import math
import statistics
from pathlib import Path

import pytest

from drivers.bench import open_simulated, read_bench
from drivers.channel import Acquisition, Reading, Setpoint

BENCH = """line_frequency = "50 Hz"
[channels.smu]
specification = "demo-picoampere"
part = "isolator"
{leads}
[parts.isolator]
model = "insulator"
resistance = "{ohms}"
capacitance = "10 pF"
"""


def readings(
    ohms: str, leads: str, count: int, aperture_s: float = 0.02, level: float = 10.0
) -> list[Reading]:
    text = BENCH.format(ohms=ohms, leads=f"leads = {{ {leads} }}" if leads else "")
    bench, problems = read_bench(Path("ridge.bench.toml"), text)
    assert bench is not None, [str(problem) for problem in problems]
    opened = open_simulated(bench, seed=4)
    smu = opened.channels["smu"]
    smu.configure(Acquisition(20.0, 2e-9, aperture_s=aperture_s, aperture_cycles=None))
    smu.program(Setpoint("voltage", level, -2e-9, 2e-9))
    smu.switch(True)
    opened.clock.wait_until(100.0)
    return [smu.measure() for _ in range(count)]


def mean(found: list[Reading]) -> float:
    return statistics.fmean(reading.current for reading in found)


CABLE = 'cable_capacitance = "100 pF"'


def test_unshielded_leads_read_tens_of_picoamperes_and_shielded_ones_do_not() -> None:
    """A part of 1 pA on long leads (common practice, no source)."""
    alone = mean(readings("10 Tohm", "", 50))
    unshielded = mean(readings("10 Tohm", f"{CABLE}, shield = false", 50)) - alone
    shielded = mean(readings("10 Tohm", f"{CABLE}, shield = true", 50)) - alone
    assert 10e-12 < abs(unshielded) < 100e-12
    assert abs(shielded) < 1e-12


def test_pick_up_is_gone_over_whole_cycles() -> None:
    """1 nA at the mains: over 20 ms nothing is left, over 17 ms the sinc of it."""
    leads = f'{CABLE}, shield = false, stray_current = "0 A", pick_up = "1 nA"'
    whole = [r.current for r in readings("10 Tohm", leads, 40)]
    part = [r.current for r in readings("10 Tohm", leads, 40, 0.017)]
    left = 1e-9 * abs(math.sin(math.pi * 0.85) / (math.pi * 0.85))
    assert statistics.pstdev(whole) < 0.05 * left
    assert max(part) - min(part) == pytest.approx(2 * left, rel=0.1, abs=0)


def test_johnson_noise_is_that_of_the_resistance() -> None:
    """4kT/R in a bandwidth of 1/(2 aperture): 10 Mohm at 23 °C, beside the instrument's own.

    400 readings know a standard deviation to 1/√800 = 3.5 %; five of these are allowed.
    """
    quiet, noisy = (
        statistics.variance(r.current for r in readings(ohms, "", 400, level=0.01))
        for ohms in ("10 Tohm", "10 Mohm")
    )
    johnson = 4 * 1.380649e-23 * 296.15 / 10e6 / (2 * 0.02)
    assert noisy == pytest.approx(quiet + johnson, rel=5 * 2 * 0.035, abs=0)
    assert johnson > quiet
