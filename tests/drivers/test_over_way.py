"""What a junction does on the whole while a current comes on: against adaptive quadrature."""

from __future__ import annotations

import math
from itertools import pairwise
from typing import cast

import pytest
from scipy.integrate import quad

from drivers.simulated.circuits.approach import Approach, Arrival, Manners, approach
from drivers.simulated.circuits.circuit import Source
from drivers.simulated.circuits.motion import Moment
from drivers.simulated.circuits.over_way import over_way
from drivers.simulated.conditions import Conditions, Profile
from drivers.simulated.parts.base import Static
from drivers.simulated.parts.diode import Diode

THERMAL_V = 1.380649e-23 * 298.15 / 1.602176634e-19
"""kT/q at 25 °C; both constants are exact in the SI."""


@pytest.mark.parametrize("window_s", [0.02, 1e-7])
def test_a_current_comes_on(window_s: float) -> None:
    """20 mA at 0.2 A/us, by Shockley's equation: steep at first, as a reading and a sample see."""
    part = {"model": "diode", "saturation_current": "1 nA"}
    warm = Conditions(temperature=Profile.constant(298.15))
    law = cast(Static, Diode.model_validate(part).physics(warm))
    goal = Source((5.0, 0.02, -5.0), (-0.1, 3.0), 2, 0.0, 0.0)
    way = approach(goal, Moment(0), Arrival(Manners(current_slew=2e5)), 0.0, 0.0)
    assert isinstance(way, Approach)

    def volts(time_s: float) -> float:
        return THERMAL_V * math.log1p(2e5 * time_s / 1e-9)

    # By the decades of a current that runs through seven of them.
    ends = [0.0, *(1e-7 * 10.0**k for k in range(-8, 1))]
    expected = sum(quad(volts, a, b, epsabs=0, epsrel=1e-13)[0] for a, b in pairwise(ends))
    voltage, current, limited = over_way(law, way, 0.0, 1e-7, window_s)
    assert voltage == pytest.approx(expected, abs=1e-10 * window_s * 0.5)
    assert current == pytest.approx(0.5 * 0.02 * 1e-7, abs=1e-10 * window_s * 0.02)
    assert limited == 0.0
