"""Resistance of a cell by steps of current, against closed forms.

The cell: 3.7 V behind 20 mΩ and a branch of 15 mΩ with 5 s. The two-step method is that of
IEC 61960-3 as secondary works quote it; its figures were computed outside this project.
"""

from __future__ import annotations

import numpy as np
import pytest

from sequencer.analysis import step_resistance, two_step_resistance
from tests.sequencer.analysis.made_traces import Floats

OPEN_V, OHMIC, SLOW, TAU_S = 3.7, 0.020, 0.015, 5.0
I_1, I_2 = 0.52, 2.6


def two_steps(time: Floats) -> tuple[Floats, Floats]:
    """Voltage and current: rest until 0 s, 0.52 A out of the cell until 10 s, then 2.6 A."""
    on, more = time > 0, time > 10.0
    first = np.where(on, I_1 * (1 - np.exp(-time / TAU_S)), 0.0)
    second = np.where(more, (I_2 - I_1) * (1 - np.exp(-(time - 10.0) / TAU_S)), 0.0)
    current = np.where(more, I_2, np.where(on, I_1, 0.0))
    return OPEN_V - OHMIC * current - SLOW * (first + second), -current


def test_two_steps_read_at_their_very_ends() -> None:
    """U1 3.682856 V, U2 3.635409 V, 22.81103 mΩ."""
    edge = 1e-9
    time = np.concatenate(
        (
            [-edge, edge],
            np.arange(0.1, 9.95, 0.1),
            [10.0 - edge, 10.0 + edge],
            10.0 + np.arange(0.1, 1.05, 0.1),
        )
    )
    voltage, current = two_steps(time)
    assert voltage[current == -I_1][-1] == pytest.approx(3.682856, abs=5e-7)
    assert voltage[-1] == pytest.approx(3.635409, abs=5e-7)
    found = two_step_resistance(time, voltage, current)
    assert found.value == pytest.approx(22.81103e-3, rel=1e-6)
    assert found.method.startswith("two steps (IEC 61960-3): 3.68286 V at -520 mA after 10 s, ")
    assert found.method.endswith("3.63541 V at -2.6 A after 1 s")
    without_rest = two_step_resistance(time[1:], voltage[1:], current[1:])
    assert without_rest.value == pytest.approx(22.81103e-3, rel=1e-6)


def test_two_steps_on_a_grid_of_tenths_of_a_second() -> None:
    """Readings in the middle of each tenth, the last ones 50 ms before the ends.

    The lines through the last two leave what the branch bends within 0.1 s: (0.1 s/τ)² · 3/8 of
    what it still lacks, 26 mV at the end: 4 µV of 47 mV.
    """
    time = 0.05 + np.arange(110) * 0.1
    found = two_step_resistance(time, *two_steps(time))
    assert found.value == pytest.approx(22.81103e-3, rel=1e-4)


@pytest.mark.parametrize("delay", [1e-3, 0.1, 1.0, 9.0])
def test_one_step_gives_the_resistance_of_its_delay(delay: float) -> None:
    """Closed form R0 + R1 (1 − exp(−d/τ)): 20.003 mΩ at 1 ms, 22.72 mΩ at 1 s."""
    time = np.concatenate(([-1e-9], np.arange(1e-9, 9.9, 1e-3)))
    found = step_resistance(time, *two_steps(time), delay)
    expected = OHMIC + SLOW * (1 - np.exp(-delay / TAU_S))
    assert found.value == pytest.approx(expected, rel=1e-6)
    assert found.method.endswith("from 0 A to -520 mA, its start known to ±1 ns")
