"""Where a source is on its way from one level to the next, and what it takes back on it.

While a level moves, limits give way by their overshoot, and are there only some time later. What
that has brought into a part that stores goes back again as the limit closes in: the worst case
leaves it out, and says so.
"""

from __future__ import annotations

import math
from typing import NamedTuple

from drivers.channel import Mode, Setpoint
from drivers.simulated.instruments.instrument import SimulatedChannel
from drivers.simulated.probe import TrueInterval

_CONSTANTS = 35.0
"""So many time constants after a level is there, nothing is left of an overshoot."""
_OFF = 0.02
"""How far off a level may begin or come out, as a share of the largest: more than it ever is."""
_ROOM = 1e-12
"""What rounding adds to a time (of 1 s) or to a charge (C)."""


class Way(NamedTuple):
    """From a time until the level is there, and until the limits are (s); of a pulse's edge or not.

    `levels` are those that may be in force on it.
    """

    begin_s: float
    arrives_s: float
    settled_s: float
    mode: Mode
    towards: float
    levels: tuple[Setpoint, ...]
    of_pulse: bool


class Ways:
    """The ways of one channel, in the order in which they began."""

    def __init__(self, channel: SimulatedChannel) -> None:
        self._channel = channel
        self._ways: list[Way] = []
        self._last: Way | None = None
        self._brought_c = 0.0

    def begins(self, begin_s: float, before: Setpoint | None, now: Setpoint, edge: bool) -> None:
        """A source goes from one level to another at a time."""
        manners, largest = self._channel._manners, _largest(self._channel, now.mode)
        # Its errors and overshoots, too.
        distance = abs(now.level) + _OFF * largest
        levels: tuple[Setpoint, ...] = (now,)
        if before is not None:
            levels = (before, now)
            distance += abs(before.level) if before.mode == now.mode else largest
        slew = manners.voltage_slew if now.mode == "voltage" else manners.current_slew
        arrives_s = begin_s + distance / slew
        if self._ways and self._ways[-1].arrives_s > begin_s:
            # On the way to another level already.
            left = self._ways[-1]
            levels, edge = (*left.levels, *levels), edge or left.of_pulse
            arrives_s = max(arrives_s, left.arrives_s)
        settled_s = arrives_s + 1.01 * _CONSTANTS * manners.response / math.log(100)
        self._ways.append(Way(begin_s, arrives_s, settled_s, now.mode, now.level, levels, edge))

    def on(self, interval: TrueInterval) -> Way | None:
        """The way that an interval lies on."""
        way = self._begun(interval)
        room_s = _ROOM * max(1.0, interval.end_s)
        return way if way is not None and interval.end_s <= way.arrives_s + room_s else None

    def takes_back(self, interval: TrueInterval, moved_c: float) -> float:
        """The sign of the current that brings in, where any other only takes that back; else 0.

        `moved_c` is the charge of the interval. Only in current mode, whose limit is a voltage.
        """
        way = self._begun(interval)
        if way is not self._last:
            known, self._last = self._last, way
            if known is None or way is None or known.towards * way.towards < 0:
                self._brought_c = 0.0
            # What has been brought the same way may still be on its way back.
            self._brought_c = max(self._brought_c, 0.0)
        if way is None or way.mode == "voltage":
            return 0.0
        sign = math.copysign(1.0, way.towards)
        if interval.begin_s <= way.settled_s or sign * moved_c < 0:
            self._brought_c += sign * moved_c
        return sign if self._brought_c >= -_ROOM else 0.0

    def _begun(self, interval: TrueInterval) -> Way | None:
        """The last way that has begun at an interval's begin."""
        room_s = _ROOM * max(1.0, interval.begin_s)
        begun = [way for way in self._ways if way.begin_s <= interval.begin_s + room_s]
        # Those before it are over.
        self._ways = [*begun[-1:], *self._ways[len(begun) :]]
        return begun[-1] if begun else None


def _largest(channel: SimulatedChannel, mode: Mode) -> float:
    """The largest value that a source can be at (V or A)."""
    meter = channel._voltage if mode == "voltage" else channel._current
    return float(max(r.full_scale for r in meter._ranges))
