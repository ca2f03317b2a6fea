"""Fits against the certified values of NIST's Statistical Reference Datasets.

The sets Misra1a and MGH17 are as NIST published them, taken from the source distribution of the
package `lmfit`; Longley's data are those of the package `statsmodels`, its certified values NIST's.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from sequencer.analysis import time_constant, two_time_constants
from sequencer.analysis.calculations.fitting import (
    decay_rates,
    decays,
    linear_fit,
    separable_fit,
)
from tests.sequencer.analysis.made_traces import Floats

SETS = Path(__file__).parent / "strd"


def certified(name: str) -> tuple[Floats, Floats, Floats, Floats]:
    """y, x, the certified parameters and their standard deviations of a set in NIST's form."""
    lines = (SETS / f"{name}.dat").read_text().splitlines()
    parameters = np.array([line.split()[4:6] for line in lines if line.lstrip()[:1] == "b"], float)
    start = next(k for k, line in enumerate(lines) if line.startswith("Data:") and " y " in line)
    y, x = np.array([line.split() for line in lines[start + 1 :] if line], float).T
    return y, x, parameters[:, 0], parameters[:, 1]


def test_misra1a() -> None:
    """y = b1 (1 − exp(−b2 x)), from NIST's first start: 238.94212918 and 5.5015643181e-4."""
    y, x, values, deviations = certified("Misra1a")
    assert values[0] == 2.3894212918e2
    found = separable_fit(
        lambda rates: 1 - np.exp(-np.multiply.outer(x, rates)), np.array([0.0001]), y
    )
    assert found.coefficients == pytest.approx(values, rel=1e-8)
    assert found.uncertainties == pytest.approx(deviations, rel=1e-7)
    assert found.deviation == pytest.approx(1.0187876330e-1, rel=1e-9)


def test_mgh17_two_exponentials_from_no_start_at_all() -> None:
    """y = b1 + b2 exp(−b4 x) + b3 exp(−b5 x), 33 rows; 1/b4 = 77.7 and 1/b5 = 45.2."""
    y, x, values, deviations = certified("MGH17")
    assert values[3] == 1.2867534640e-2
    final, slow_change, fast_change, slow, fast = values
    found = two_time_constants(x, y).values
    assert found == pytest.approx(
        {
            "final": final,
            "slow": 1 / slow,
            "fast": 1 / fast,
            "slow_change": slow_change,
            "fast_change": fast_change,
        },
        rel=1e-6,
    )
    order = [0, 2, 1, 4, 3]  # the fastest decay is found first
    rates = decay_rates(x, y, 2)
    fit = separable_fit(lambda rates: decays(x, rates), rates, y)
    assert fit.coefficients == pytest.approx(values[order], rel=1e-6)
    assert fit.uncertainties == pytest.approx(deviations[order], rel=1e-5)


def test_longley() -> None:
    """Six regressors that are nearly dependent: b0 −3482258.63459582 ± 890420.383607373."""
    rows = np.loadtxt(SETS / "Longley.csv", delimiter=",", skiprows=1)
    found = linear_fit(np.column_stack((np.ones(len(rows)), rows[:, 2:])), rows[:, 1])
    assert found.coefficients[0] == pytest.approx(-3482258.63459582, rel=1e-8)
    assert found.uncertainties[0] == pytest.approx(890420.383607, rel=1e-8)


def test_a_time_constant_of_noisy_readings_against_scipy() -> None:
    """`scipy.optimize.curve_fit` from the truth is the judge, of the value and its uncertainty."""
    from scipy.optimize import curve_fit

    time = np.arange(400) * 0.05
    chance = np.random.default_rng(11)
    seen = 1.2 - 0.8 * np.exp(-time / 3.0) + chance.normal(0.0, 0.01, len(time))
    judge, covariance = curve_fit(
        lambda t, final, change, tau: final + change * np.exp(-t / tau),
        time, seen, p0=(1.2, -0.8, 3.0), xtol=1e-14, ftol=1e-14,
    )  # fmt: skip
    found = time_constant(time, seen)
    assert found.value == pytest.approx(judge[2], rel=1e-7)
    unsure_ms = 1e3 * np.sqrt(covariance[2, 2])
    assert f"±{unsure_ms:.0f} ms by their scatter" in found.method
