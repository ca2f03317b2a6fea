"""Counting along with a run from its record: the newest readings, and how near each rating is.

The run's own guards count from above, with the errors of the readings; this is for a person's eyes
and counts plainly. Opens no record and draws nothing.
"""

from __future__ import annotations

import math
from array import array
from bisect import bisect_left
from typing import NamedTuple

from drivers.kinds import KINDS
from sequencer.checker import PartFacts

COLUMNS = ("time", "voltage", "current", "limited", "level", "charge", "energy", "step")
"""The columns of a channel's stream that `Count.take` wants, in this order; then its sensor's."""


class Headroom(NamedTuple):
    """How near a quantity is to its guard: `used` is 0 at rest and 1 at the bound (SI values)."""

    name: str
    quantity: str
    value: float
    low: float
    high: float
    used: float


class Count:
    """What is kept of a channel's readings: the last one, and what its counted guards need."""

    def __init__(self, part: PartFacts | None, sensed: str = "") -> None:
        self.part = part
        self.sensed = sensed
        """The quantity that the channel reads through a sensor, empty where it reads none."""
        self.columns = (*COLUMNS, *filter(None, [sensed]))
        self.rows = 0
        self.time = self.voltage = self.current = self.level = self.value = math.nan
        self.limited = False
        self.line = 0
        self._totals = {"charge": 0.0, "energy": 0.0}
        self._lowest = dict(self._totals)
        self._highest = dict(self._totals)
        self._since = -math.inf

    def take(self, columns: list[array[float]]) -> None:
        """Take in new rows."""
        times, voltage, current, limited, level, charge, energy, line, *sensed = columns
        self.rows += len(times)
        self.time, self.voltage, self.current = times[-1], voltage[-1], current[-1]
        self.level, self.limited = level[-1], bool(limited[-1])
        self.line = int(line[-1]) or self.line
        for values in sensed:
            self.value = values[-1]
        for quantity, totals in (("charge", charge), ("energy", energy)):
            # What stood before the output went on is where counting begins.
            first = bisect_left(times, self._since)
            if first:
                self._lowest[quantity] = self._highest[quantity] = totals[first - 1]
            counted = totals[first:]
            self._lowest[quantity] = min((self._lowest[quantity], *counted))
            self._highest[quantity] = max((self._highest[quantity], *counted))
            self._totals[quantity] = totals[-1]

    def begin(self, since: float) -> None:
        """The output went on last then: a part that stores is counted from there."""
        stores = self.part is not None and KINDS[self.part.kind].energy == "stores"
        if since > self._since and stores:
            self._since = since
            self._lowest = dict(self._totals)
            self._highest = dict(self._totals)

    def headroom(self) -> tuple[Headroom, ...]:
        """How near each rating is."""
        if self.part is None:
            return ()
        found = []
        for quantity, (low, high) in self.part.ratings.items():
            value = self._value(quantity, high)
            if not math.isnan(value):
                name = f"{self.part.name} {quantity}"
                found.append(Headroom(name, quantity, value, low, high, _used(value, low, high)))
        return tuple(found)

    def _value(self, quantity: str, high: float) -> float:
        match quantity:
            case "voltage":
                return self.voltage
            case "current":
                return self.current
            case "power":
                return self.voltage * self.current
            case "energy" | "charge":
                start = self._lowest if math.isfinite(high) else self._highest
                return self._totals[quantity] - start[quantity]
        return math.nan


def _used(value: float, low: float, high: float) -> float:
    """How much of the way from rest (the lower bound, where rest lies outside) to a bound."""
    rest = low if math.isfinite(low) and not low < 0.0 < high else 0.0
    bound = high if value >= rest else low
    if not math.isfinite(bound) or bound == rest:
        return 0.0
    return max(0.0, (value - rest) / (bound - rest))
