"""When a level is there, and between which readings it is held, as a specification lets it be.

What is added to the errors of reading and source is common practice, no source.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from drivers.channel import Setpoint
from drivers.specification import Specification
from sequencer.engine.guards import Uncertainty

if TYPE_CHECKING:
    from drivers.figures import CurrentRange, VoltageRange

_LEVEL_SHARE = 0.01
_RANGE_SHARE = 1e-3
_RESPONSES = 5.0


def arrives_s(specification: Specification) -> float:
    """How long a level may take until it is there (s): from one end of the ranges to the other."""
    slew, turn_on = specification.slew, specification.turn_on
    arrives_s = _RESPONSES * specification.limit_response
    if turn_on is not None:
        arrives_s += turn_on.time
    if slew.voltage is not None:
        arrives_s += 2 * specification.voltage_ranges[-1].full_scale / slew.voltage
    if slew.current is not None:
        arrives_s += 2 * specification.current_ranges[-1].full_scale / slew.current
    return arrives_s


def held_between(
    specification: Specification, setpoint: Setpoint, full_scale: float | None, off: Uncertainty
) -> tuple[float, float]:
    """The readings of the regulated quantity (V or A) between which its level is held.

    `full_scale` is that of its range, None where that follows; `off` is what readings may be off.
    """
    level = setpoint.level
    in_range: VoltageRange | CurrentRange
    if setpoint.mode == "voltage":
        in_range = (
            specification.voltage_range(full_scale or abs(level))
            or specification.voltage_ranges[-1]
        )
    else:
        in_range = (
            specification.current_range(full_scale or abs(level))
            or specification.current_ranges[-1]
        )
    source = in_range.source
    share = off.of_value + source.of_value + _LEVEL_SHARE
    room = share * abs(level) + off.plus + source.plus + _RANGE_SHARE * in_range.full_scale
    low, high = level - room, level + room
    # What can't take current doesn't pull down, and says nothing of it; nor up, if it only can.
    if not specification.can("sink"):
        low, high = low if level > 0 else -math.inf, high if level < 0 else math.inf
    if not specification.can("source"):
        low, high = low if level < 0 else -math.inf, high if level > 0 else math.inf
    return low, high
