"""Units of axes, chosen so that figures along them are short."""

from __future__ import annotations

import numpy as np
import pytest

from grammar.quantity import CURRENT, PLAIN, TEMPERATURE_POINT, TIME, VOLTAGE, Dimension
from sequencer.report.pictures.plot import Axis, reach_of, scale


@pytest.mark.parametrize(
    ("dimension", "reach", "logarithmic", "unit", "size"),
    [
        (CURRENT, 0.22, False, "mA", 1e-3),
        (CURRENT, 3e-12, False, "pA", 1e-12),
        (CURRENT, 0.22, True, "A", 1.0),
        (VOLTAGE, 2.7, False, "V", 1.0),
        (VOLTAGE, 0.0, False, "V", 1.0),
        (VOLTAGE, float("inf"), False, "V", 1.0),
        (TIME, 3e-6, False, "us", 1e-6),
        (TIME, 200.0, False, "s", 1.0),
        (TIME, 1800.0, False, "min", 60.0),
        (TIME, 86400.0, False, "h", 3600.0),
        (TIME, 30 * 86400.0, False, "d", 86400.0),
        (TIME, 86400.0, True, "s", 1.0),
        (PLAIN, 40.0, False, "", 1.0),
    ],
)
def test_values_are_shown_in_the_unit_they_read_best_in(
    dimension: Dimension, reach: float, logarithmic: bool, unit: str, size: float
) -> None:
    found = scale(dimension, reach, logarithmic)
    assert (found.unit, found.size) == (unit, size)
    assert found.of(np.array([reach]))[0] == reach / size


def test_temperatures_are_shown_in_degrees_celsius() -> None:
    assert scale(TEMPERATURE_POINT, 300.0).of(np.array([273.15, 373.15])).tolist() == [0.0, 100.0]


def test_the_reach_is_of_what_is_finite() -> None:
    assert reach_of([np.array([1.0, -3.0, np.inf]), np.array([np.nan, 2.0])]) == 3.0
    assert reach_of([np.array([np.nan]), np.empty(0)]) == 0.0


def test_an_axis_names_the_quantity_first() -> None:
    assert Axis("current", "mA").label == "current (mA)"
    assert Axis("cycle").label == "cycle"
