"""Very low and very high resistance: reversal, alternating polarity, the floors of noise.

The values were computed from the formulas by two methods; the methods are those of handbooks.
"""

from __future__ import annotations

import numpy as np
import pytest

from sequencer.analysis import (
    alternating_resistance,
    johnson_noise,
    reversal_resistance,
    shot_noise,
)

SIDE = np.array([1.0, -1.0, 1.0])
STEP = np.arange(3.0)


def test_reversal_removes_a_linear_drift() -> None:
    """1 mΩ, 0.1 A, 2 µV of thermal voltage that drifts 0.3 µV a step."""
    current = 0.1 * SIDE
    voltage = 1e-3 * current + 2e-6 + 0.3e-6 * STEP
    assert voltage[0] / current[0] == pytest.approx(1.020e-3, rel=1e-12)  # what a single one reads
    found = reversal_resistance(STEP, voltage, current, np.zeros(3)).values
    assert found["two_point"] == pytest.approx(0.9985e-3, rel=1e-12)
    assert found["three_point"] == pytest.approx(1.000e-3, rel=1e-12)
    assert found["thermal_voltage"] == pytest.approx(2.3e-6, rel=1e-9)  # at the second's time


def test_alternating_polarity_removes_a_linear_drift() -> None:
    """100 GΩ, ±500 V, 100 pA of offset that drifts −2 pA a step."""
    voltage = 500.0 * SIDE
    current = voltage / 100e9 + 100e-12 - 2e-12 * STEP
    assert voltage[0] / current[0] == pytest.approx(98.03922e9, rel=1e-7)
    found = alternating_resistance(STEP, voltage, current, np.zeros(3)).values
    assert found["two_point"] == pytest.approx(99.98000e9, rel=5e-8)
    assert found["three_point"] == pytest.approx(100e9, rel=1e-12)
    assert found["offset_current"] == pytest.approx(98e-12, rel=1e-9)


@pytest.mark.parametrize(
    ("ohms", "kelvin", "volts"),
    [(1e6, 300.0, 128.7159e-9), (1e6, 290.0, 126.5525e-9), (1e9, 300.0, 4.070355e-6)],
)
def test_johnson_noise_in_1_hertz(ohms: float, kelvin: float, volts: float) -> None:
    assert johnson_noise(ohms, kelvin).value == pytest.approx(volts, rel=5e-7)


def test_shot_noise_of_1_nanoampere_in_1_hertz() -> None:
    assert shot_noise(1e-9).value == pytest.approx(17.90071e-15, rel=5e-7)
