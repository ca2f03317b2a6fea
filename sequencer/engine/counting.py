"""What one channel has counted: charge and energy for the recipe, and a tally for each rating.

The recipe's counters take the mean of two readings, the ratings' tallies the larger of both. After
a change nobody has read what flows: there the next reading speaks for the time since, and the
tallies count the most that can flow. Takes no reading, switches nothing, knows no recipe.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import NamedTuple

from drivers.channel import Setpoint
from drivers.kinds import Kind
from sequencer.engine.guards import UNRATED, most_in, most_out
from sequencer.engine.tally import Tally


class Flow(NamedTuple):
    """The most that can flow each second: into and out of the part, in C/s and in J/s."""

    charge: tuple[float, float] = (0.0, 0.0)
    energy: tuple[float, float] = (0.0, 0.0)

    def along(self, tally: Tally) -> float:
        """What counts for a tally, as a magnitude."""
        into, out = self.energy if tally.quantity == "energy" else self.charge
        return into if tally.sign > 0 else out


NOTHING_FLOWS = Flow()


def most_flow(setpoint: Setpoint, voltage: tuple[float, float]) -> Flow:
    """What can flow at a setpoint into a part of that voltage rating (V)."""
    if setpoint.mode == "voltage":
        charge = (max(setpoint.high, 0.0), max(-setpoint.low, 0.0))
    else:
        charge = (max(setpoint.level, 0.0), max(-setpoint.level, 0.0))
    return Flow(charge, (most_in(setpoint), most_out(setpoint, voltage)))


class Counters:
    """The counters of one channel; moments are seconds from the run's start.

    `charge` (C) and `energy` (J) count from the run's start, `zero_charge` and `zero_energy` are
    what they were when the recipe's own last began anew.
    """

    def __init__(self, ratings: Mapping[str, tuple[float, float]], kind: Kind | None) -> None:
        self.charge = self.energy = 0.0
        self.zero_charge = self.zero_energy = 0.0
        self.flow = NOTHING_FLOWS
        self.last: tuple[float, float, float] | None = None
        self.held: tuple[float, float] | None = None
        """Current and power last read at the level that a pulse has returned to."""
        self.uncounted_since = 0.0
        stores = kind is not None and kind.energy == "stores"
        tallies = []
        for quantity in ("energy", "charge"):
            low, high = ratings.get(quantity, UNRATED)
            for sign, bound in ((1.0, high), (-1.0, -low)):
                if math.isfinite(bound):
                    tallies.append((Tally(quantity, sign, bound, stores), quantity == "energy"))
        self.tallies = tuple(tallies)

    @property
    def unread(self) -> bool:
        """Whether nobody has read what flows at the present level."""
        return self.last is None and self.held is None

    def look_ahead(
        self, flow: Flow, blind_s: float, longest_s: float, gains: Mapping[str, float]
    ) -> None:
        """Work out anew how near the tallies may come; see `Tally.judge`."""
        self.flow = flow
        for tally, _ in self.tallies:
            tally.judge(flow.along(tally), blind_s, longest_s, gains[tally.quantity])

    def interval(self) -> float:
        """How long may pass until the next reading (s), by the tally that is nearest."""
        if not self.tallies:
            return math.inf
        return min([tally.interval() for tally, _ in self.tallies])

    def time_left(self) -> float:
        """How long nobody need look before a rating could be passed (s), from the last count."""
        left = math.inf
        for tally, _ in self.tallies:
            flow = self.flow.along(tally)
            if flow > 0:
                left = min(left, max(tally.trip - tally.total, 0.0) / flow)
        return left

    def add(self, moment: float, current: float, power: float) -> bool:
        """Count up to a reading of an output that is on; True where a tally comes near."""
        last, near = self.last, False
        self.last = (moment, current, power)
        if last is None:
            return self._add_first(moment, current, power)
        before, last_current, last_power = last
        interval = moment - before
        self.charge += 0.5 * interval * (current + last_current)
        self.energy += 0.5 * interval * (power + last_power)
        for tally, is_energy in self.tallies:
            if is_energy:
                near |= tally.add(moment, interval, power, last_power)
            else:
                near |= tally.add(moment, interval, current, last_current)
        return near

    def _add_first(self, moment: float, current: float, power: float) -> bool:
        """The first reading after a change speaks for the time since, the tallies for the worst.

        A trapezoid across a change of level would count a current that never flowed.
        """
        interval = moment - self.uncounted_since
        self.hold(interval, current, power)
        return self.add_most(moment, interval, self.flow)

    def hold(self, interval: float, current: float, power: float) -> None:
        """A current (A) and a power (W) have flowed for an interval (s)."""
        self.charge += interval * current
        self.energy += interval * power

    def add_most(self, moment: float, interval: float, flow: Flow) -> bool:
        """Let the tallies count the most that can have flowed in an interval (s)."""
        near = False
        for tally, _ in self.tallies:
            worst = tally.sign * flow.along(tally)
            near |= tally.add(moment, interval, worst, worst)
        return near

    def close(self, now: float, on: bool) -> None:
        """Close the count before something changes: the last reading holds until this moment."""
        if on and self.last is not None:
            moment, current, power = self.last
            self.hold(now - moment, current, power)
            for tally, is_energy in self.tallies:
                flow = power if is_energy else current
                tally.add(now, now - moment, flow, flow)
        elif on:
            # Nobody has read what flowed since the last change.
            self.add_most(now, now - self.uncounted_since, self.flow)
            if self.held is not None:
                self.hold(now - self.uncounted_since, *self.held)
        self.last = self.held = None
        self.uncounted_since = now

    def close_for_pulse(self, now: float, on: bool) -> None:
        """Close the count before a pulse, after which the level is the same as before."""
        held = self.last[1:] if self.last is not None else self.held
        self.close(now, on)
        self.held = held

    def add_pulse(
        self, ended: float, width: float, current: float, power: float, flow: Flow
    ) -> bool:
        """A pulse of a width (s) has ended; its one reading speaks for all of it.

        It says little of the pulse's beginning, so the tallies count the most that can flow.
        """
        self.hold(width, current, power)
        return self.add_most(ended, width, flow)

    def countable(self, current: float, power: float) -> tuple[float, float]:
        """What counts in place of a reading over range, or of none: the most that can flow."""
        if math.isfinite(current) and math.isfinite(power):
            return current, power
        (into, out), (work_into, work_out) = self.flow
        if not math.isfinite(current):
            current = -out if current < 0 else into
        return current, -work_out if power < 0 else work_into

    def begin(self) -> None:
        """The output goes on anew: a part that stores is counted from here."""
        for tally, _ in self.tallies:
            tally.begin()

    def margins(self) -> dict[str, tuple[float, float]]:
        """The smallest margin to each rating of energy and charge (J, C), and its time (s)."""
        found: dict[str, tuple[float, float]] = {}
        for tally, _ in self.tallies:
            margin = tally.bound - tally.highest
            if math.isfinite(margin) and margin < found.get(tally.quantity, (math.inf, 0.0))[0]:
                found[tally.quantity] = margin, tally.highest_at
        return found
