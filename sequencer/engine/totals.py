"""Counters and tallies over many readings at once, to the same bits as one reading after the other.

Every sum is a running one from left to right, as `Counters.add` and `Tally.add` make it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    import numpy.typing as npt

    from sequencer.engine.counting import Counters
    from sequencer.engine.tally import Tally

    Array = npt.NDArray[np.float64]
    Mask = npt.NDArray[np.bool_]


def first_of(holds: Mask | bool, count: int) -> int:
    """The place of the first of so many readings for which something holds, or all alike do."""
    if not isinstance(holds, np.ndarray):
        return 0 if holds else count
    return first(holds)


def first(mask: Mask) -> int:
    """The place of the first True; the length where there is none."""
    at = int(mask.argmax()) if len(mask) else 0
    return at if at < len(mask) and mask[at] else len(mask)


class Totals:
    """What the counters of an output that is on come to after each of many readings.

    Moments (s), currents (A) and powers (W) follow the reading that was counted last. `safe` is how
    many readings there are before a tally comes near its rating.
    """

    def __init__(self, counters: Counters, moments: Array, current: Array, power: Array) -> None:
        assert counters.last is not None
        self._counters, self._moments = counters, moments
        last_moment, last_current, last_power = counters.last
        interval = moments - before(last_moment, moments)
        self._current, self._power = current, power
        current_before, power_before = before(last_current, current), before(last_power, power)
        half = 0.5 * interval
        self.charge = running(counters.charge, half * (current + current_before))
        self.energy = running(counters.energy, half * (power + power_before))
        self.safe = len(moments)
        self._tallies: list[tuple[Tally, Array]] = []
        for tally, is_energy in counters.tallies:
            flows = (power, power_before) if is_energy else (current, current_before)
            totals = _tally_totals(tally, interval, *flows)
            self.safe = min(self.safe, first(totals > tally.relaxed))
            self._tallies.append((tally, totals))

    def keep(self, count: int) -> None:
        """The first `count` of the readings are counted."""
        counters, last = self._counters, count - 1
        counters.charge, counters.energy = float(self.charge[last]), float(self.energy[last])
        counters.last = (
            float(self._moments[last]),
            float(self._current[last]),
            float(self._power[last]),
        )
        for tally, totals in self._tallies:
            tally.total = float(totals[last])
            top = int(totals[:count].argmax())
            if totals[top] > tally.highest:
                tally.highest, tally.highest_at = float(totals[top]), float(self._moments[top])


def before(start: float, values: Array) -> Array:
    """Each value's predecessor."""
    before = np.empty(len(values))
    before[0], before[1:] = start, values[:-1]
    return before


def running(start: float, steps: Array) -> Array:
    """The sum after each step, added from left to right."""
    sums = np.empty(len(steps) + 1)
    sums[0], sums[1:] = start, steps
    return np.add.accumulate(sums)[1:]


def _tally_totals(tally: Tally, interval: Array, now: Array, before: Array) -> Array:
    """A tally's total after each reading."""
    if tally.sign < 0:
        now, before = -now, -before
    most = np.where(now > before, now, before) * interval
    steps = most * np.where(most > 0, tally.up, tally.down)
    if not tally.stores:
        return running(tally.total, steps)
    if tally.total == 0.0 and steps.max() <= 0.0:
        return np.zeros(len(steps))
    totals = running(tally.total, steps)
    return totals if totals.min() >= 0.0 else _held_above_zero(tally.total, steps)


def _held_above_zero(total: float, steps: Array) -> Array:
    """As `running`, but never below zero."""
    totals = []
    for step in steps.tolist():
        total += step
        if total < 0.0:
            total = 0.0
        totals.append(total)
    return np.array(totals)
