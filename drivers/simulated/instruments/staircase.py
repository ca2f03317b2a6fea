"""A setpoint with this run's errors as the staircase that a circuit works with.

The module knows what an instrument is set to and what it bears; it knows no part and no time.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import lru_cache
from typing import Literal

from drivers.channel import Setpoint
from drivers.simulated.circuits.approach import Manners
from drivers.simulated.circuits.circuit import OPEN, Source
from drivers.simulated.instruments.envelope import reach
from drivers.specification import Specification

Sourced = Callable[[float], float]
"""What a programmed value truly is (V or A)."""
Resting = Literal["open", "zero volts"]
"""What stands at the terminals while the output is off."""


@lru_cache(maxsize=64)
def switched_off(
    specification: Specification, resting: Resting, series: float, leads: float, ideal: bool
) -> Source:
    """The source of an output that is off, at rest in one of its states.

    `series` and `leads` as in `switched_on`. An open relay leaks, unless it is ideal.
    """
    if resting == "zero volts":
        _, most = reach(specification, 0.0)
        return Source((most, -most), (0.0,), 1, series, leads)
    leakage = specification.off_leakage_resistance
    if leakage is None or ideal:
        return OPEN
    most = specification.current_ranges[-1].full_scale
    return Source((most, -most), (0.0,), 1, leakage + series, leads)


def switched_on(
    specification: Specification,
    setpoint: Setpoint,
    volts: Sourced,
    amperes: Sourced,
    series: float,
    leads: float,
    pulsed: bool = False,
) -> Source:
    """The source at a setpoint, in a pulse or not.

    `series` is all resistance between regulation and part, `leads` what the voltmeter sees of it
    (ohm).
    """
    if setpoint.mode == "voltage":
        level = volts(setpoint.level)
        push, take = reach(specification, setpoint.level, pulsed)
        high = max(0.0, min(push, amperes(setpoint.high)))
        low = min(0.0, max(-take, amperes(setpoint.low)))
        return Source((high, low), (level,), 1, series, leads)
    level = amperes(setpoint.level)
    push, _ = reach(specification, setpoint.low)
    _, take = reach(specification, setpoint.high)
    low, high = sorted(map(volts, (setpoint.low, setpoint.high)))
    return Source((max(push, level), level, min(-take, level)), (low, high), 2, series, leads)


def manners(specification: Specification) -> Manners:
    """How the source gets from one staircase to the next.

    Where nothing is stated of how its level moves, it is there at once.
    """
    slew, turn_on = specification.slew, specification.turn_on
    if slew.voltage is None and slew.current is None and turn_on is None:
        return Manners()
    return Manners(
        voltage_slew=math.inf if slew.voltage is None else slew.voltage,
        current_slew=math.inf if slew.current is None else slew.current,
        current_overshoot=specification.overshoot.current,
        voltage_overshoot=specification.overshoot.voltage,
        response=specification.limit_response,
        kick=0.0 if turn_on is None else turn_on.voltage,
        kick_time=0.0 if turn_on is None else turn_on.time,
    )
