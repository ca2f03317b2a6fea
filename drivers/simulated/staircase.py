"""A setpoint with this run's errors as the staircase that a circuit works with.

The module knows what an instrument is set to and what it bears; it knows no part and no time.
"""

from __future__ import annotations

from collections.abc import Callable

from drivers.channel import Setpoint
from drivers.simulated.circuit import OPEN, Source
from drivers.simulated.envelope import reach
from drivers.specification import Specification

Sourced = Callable[[float], float]
"""What a programmed value truly is (V or A)."""


def switched_off(specification: Specification, series: float, leads: float) -> Source:
    """The source of an output that is off; resistances as in `switched_on`."""
    if specification.off_state == "open":
        return OPEN
    _, most = reach(specification, 0.0)
    return Source((most, -most), (0.0,), 1, series, leads)


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
