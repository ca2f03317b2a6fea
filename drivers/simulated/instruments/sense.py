"""A voltage loop whose sense leads are off or the wrong way round: what it sees, and where it runs.

Its voltmeter and its voltage loop see the part's voltage times 0 or -1. As long as what they see is
below what they regulate they drive the output up, else down; current is sensed inside, so that its
limits hold. What runs away ends at the largest voltage of the instrument, with no more current than
its envelope holds there. A voltage limit that is seen the wrong way round lets the level's current
flow until it is passed, and then drives away from it with all that the instrument has.
The module knows no part and no time.
"""

from __future__ import annotations

import math
from typing import NamedTuple

from drivers.channel import Setpoint
from drivers.simulated.circuits.circuit import Source
from drivers.simulated.instruments.envelope import reach
from drivers.specification import Specification


class Zone(NamedTuple):
    """The part's voltages (V) between which a voltage limit that is seen wrongly keeps still."""

    low: float
    high: float


EVERYWHERE = Zone(-math.inf, math.inf)


def zone(setpoint: Setpoint, sees: float) -> Zone:
    """Where the limits of a current are not in control, as their loop sees the part's voltage."""
    if setpoint.mode == "voltage" or (sees == 0 and setpoint.low <= 0 <= setpoint.high):
        return EVERYWHERE
    if sees == 0:
        # It sees 0 V, whatever the part has: always below its low limit, or always above its high.
        return Zone(-math.inf, -math.inf) if setpoint.low > 0 else Zone(math.inf, math.inf)
    return Zone(setpoint.high / sees, setpoint.low / sees)


def driven(
    specification: Specification, source: Source, setpoint: Setpoint, sees: float, volts: float
) -> Source:
    """The staircase of a source that sees its part's voltage (V) times `sees`.

    A voltage without bound stands for one that has just passed the zone's end on that side.
    """
    most = specification.largest_voltage
    if setpoint.mode == "voltage":
        missing = source.voltages[0] - sees * volts
        if missing == 0:
            return source
        return _runs(specification, source, math.copysign(most, missing))
    low, high = zone(setpoint, sees)
    if low <= volts <= high:
        return source._replace(voltages=(-most, most))
    # Above the zone what is seen is below the low limit: the loop drives up.
    return _runs(specification, source, most if volts > high else -most)


def _runs(specification: Specification, source: Source, rail: float) -> Source:
    push, take = reach(specification, rail)
    high, low = min(source.currents[0], push), max(source.currents[-1], -take)
    return source._replace(currents=(high, low), voltages=(rail,), level=1)
