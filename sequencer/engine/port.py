"""One channel during a run: its readings, counters, guards and record, in the order they must act.

A reading goes one way: channel → counters → guards → record → memory; a step sees it last. What a
reading is judged by is worked out when something changes and kept as plain floats, since this is
the path that a day of readings takes a million times. The module knows no step and no recipe.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING

from drivers.channel import Acquisition, Channel, Event, Mode, Reading, Setpoint
from drivers.kinds import Kind
from sequencer.engine.ending import Failed, Tripped
from sequencer.engine.expressions import READINGS
from sequencer.engine.guards import (
    EXACT,
    UNITS,
    Condition,
    Uncertainty,
    most_in,
    most_out,
    reading_uncertainties,
)
from sequencer.engine.tally import Tally

if TYPE_CHECKING:
    from drivers.clock import Clock

UNRATED = (-math.inf, math.inf)
OWN_READING = -1
"""The trace number of a reading that the runner takes by itself."""
LONGEST_BLIND_S = 1.0


class Port:
    """A channel with its part, counters and guards. Times are seconds from the run's start."""

    def __init__(
        self,
        channel: Channel,
        clock: Clock,
        start: float,
        memory: list[float],
        base: int,
        guard_base: int,
        append: Callable[[tuple[float, ...]], None],
        happened: Callable[[str, Event], None],
        *,
        part: str = "",
        kind: Kind | None = None,
        ratings: Mapping[str, tuple[float, float]] | None = None,
        not_pushed: bool = False,
        line_frequency_hz: float = 50.0,
        ideal: bool = False,
        lateness_s: float = 0.0,
    ) -> None:
        self.channel = channel
        self.name = channel.name
        self.part = part
        self.kind = kind
        self.ratings = dict(ratings or {})
        self.not_pushed = not_pushed
        self.memory = memory
        self.base = base
        self.guard_base = guard_base
        self.on = False
        self.setpoint: Setpoint | None = None
        self.acquisition = Acquisition(None, None)
        self.extra: list[Condition] = []
        self.in_final = False
        self.reached: dict[str, float] = {}
        self._clock = clock
        self._start = start
        self._append = append
        self._happened = happened
        self._line_frequency_hz = line_frequency_hz
        self._ideal = ideal
        self._lateness_s = lateness_s
        self.alive: Callable[[], None] | None = None
        self.others_s = 0.0
        """What a reading of every other channel takes (s): they are read one after another."""
        self._last: tuple[float, float, float] | None = None
        self._uncounted_since = 0.0
        self._limited = 0.0
        self._next_poll = 0.0
        self._uncertain = (EXACT, EXACT)
        self._tallies = self._make_tallies()
        self._interval = LONGEST_BLIND_S
        self.next_due = 0.0
        self.charge = 0.0
        self.energy = 0.0
        self._zero_charge = 0.0
        self._zero_energy = 0.0
        self.last_time = 0.0
        self.rejudge()

    def _make_tallies(self) -> tuple[tuple[Tally, bool], ...]:
        """A tally for each bounded side of an energy or charge rating, and whether it is energy."""
        stores = self.kind is not None and self.kind.energy == "stores"
        made = []
        for quantity in ("energy", "charge"):
            low, high = self.ratings.get(quantity, UNRATED)
            for sign, bound in ((1.0, high), (-1.0, -low)):
                if math.isfinite(bound):
                    made.append((Tally(quantity, sign, bound, stores), quantity == "energy"))
        return tuple(made)

    @property
    def can_measure_off(self) -> bool:
        """Whether the channel measures with its output off."""
        return self.channel.specification.can("measure open")

    @property
    def aperture_s(self) -> float:
        """How long one reading takes (s), all its averages together."""
        acquisition = self.acquisition
        if acquisition.aperture_s is not None:
            return acquisition.aperture_s * acquisition.average
        cycles = acquisition.aperture_cycles or 1.0
        return cycles / self._line_frequency_hz * acquisition.average

    @property
    def shortest_interval_s(self) -> float:
        """The shortest interval at which guard readings come: twice what a reading takes."""
        return max(2 * self.aperture_s, self.aperture_s + self.others_s)

    def rejudge(self) -> None:
        """Work the bounds out anew: after a change of setpoint, ranges or output."""
        specification = self.channel.specification
        if not self._ideal:
            self._uncertain = reading_uncertainties(
                specification,
                self.acquisition.voltage_range or specification.voltage_ranges[-1].full_scale,
                self.acquisition.current_range or specification.current_ranges[-1].full_scale,
                self.aperture_s,
                self._line_frequency_hz,
            )
        volts, amperes = self._uncertain
        for place in (self.base, self.guard_base):
            self.memory[place + READINGS.index("least current")] = amperes.plus
        self.voltage_low, self.voltage_high = volts.widen(*self.ratings.get("voltage", UNRATED))
        self.current_low, self.current_high = amperes.widen(*self.ratings.get("current", UNRATED))
        power = Uncertainty(
            volts.of_value + amperes.of_value,
            volts.plus * self._reach("current") + amperes.plus * self._reach("voltage"),
        )
        self.power_low, self.power_high = power.widen(*self.ratings.get("power", UNRATED))
        gains = {"energy": volts.of_value + amperes.of_value, "charge": amperes.of_value}
        # A reading speaks for its aperture's middle, and the next one may be the shortest interval
        # away; then the output has to open.
        blind = (
            self.shortest_interval_s
            + self.aperture_s / 2
            + specification.switching_time
            + self._lateness_s
        )
        flows = self._most_flow()
        for tally, _ in self._tallies:
            into, out = flows[tally.quantity]
            flow = into if tally.sign > 0 else out
            tally.judge(flow, blind, LONGEST_BLIND_S, gains[tally.quantity])
        self._look_again()

    def _reach(self, quantity: str) -> float:
        low, high = self.ratings.get(quantity, (0.0, 0.0))
        return max(abs(low), abs(high))

    def _most_flow(self) -> dict[str, tuple[float, float]]:
        """The most that can flow into and out of the part each second: C/s, then J/s."""
        setpoint = self.setpoint
        if setpoint is None or not self.on:
            return {"charge": (0.0, 0.0), "energy": (0.0, 0.0)}
        if setpoint.mode == "voltage":
            charge = (max(setpoint.high, 0.0), max(-setpoint.low, 0.0))
        else:
            charge = (max(setpoint.level, 0.0), max(-setpoint.level, 0.0))
        out = most_out(setpoint, self.ratings.get("voltage", (0.0, 0.0)))
        return {"charge": charge, "energy": (most_in(setpoint), out)}

    # The path of a reading

    def measure(self, trace: int = OWN_READING, line: int = 0) -> Reading:
        """Take one reading, count it, judge it and put it on record. Raises Tripped."""
        if self.alive is not None:
            self.alive()
        reading = self.channel.measure()
        moment, voltage, current, limited, voltage_range, current_range = reading
        moment -= self._start
        power = voltage * current
        within = (
            self.voltage_low <= voltage <= self.voltage_high
            and self.current_low <= current <= self.current_high
            and self.power_low <= power <= self.power_high
        )
        flow, work = (current, power) if within else self._countable(current, power)
        last = self._last
        near = False
        if last is None:
            if self.on:
                near = self._count_first(moment, flow, work)
                self._last = (moment, flow, work)
        else:
            before, last_flow, last_work = last
            interval = moment - before
            self.charge += 0.5 * interval * (flow + last_flow)
            self.energy += 0.5 * interval * (work + last_work)
            for tally, is_energy in self._tallies:
                if is_energy:
                    near |= tally.add(moment, interval, work, last_work)
                else:
                    near |= tally.add(moment, interval, flow, last_flow)
            self._last = (moment, flow, work)
        self.last_time = moment
        self.next_due = moment + self._interval
        memory, base = self.memory, self.base
        if line:
            memory[base] = voltage
            memory[base + 1] = current
            memory[base + 2] = limited
        # Counters are the present ones, whoever took the reading.
        memory[base + 4] = self.charge - self._zero_charge
        memory[base + 5] = self.energy - self._zero_energy
        self._append(
            (
                moment, voltage, current, limited, memory[base + 3], voltage_range, current_range,
                self.charge, self.energy, trace, line,
            )
        )  # fmt: skip
        if not within:
            self._judge(voltage, current, power)
        if near:
            self._judge_tallies()
        if self.extra:
            self._judge_extra(voltage, current, limited)
        if limited != self._limited or moment >= self._next_poll:
            self._limited = limited
            self.poll(moment)
        return reading

    def look(self) -> Reading:
        """A reading that is on record and judged by nobody here: the look before power."""
        reading = self.peek()
        self.keep(reading)
        return reading

    def peek(self) -> Reading:
        """A reading that nobody judges, and that is not on record yet."""
        self._say_alive()
        return self.channel.measure()

    def keep(self, reading: Reading) -> None:
        """Put such a reading on record. Raises StoreError."""
        moment = reading.time - self._start
        self._append(
            (moment, *reading[1:4], 0.0, *reading[4:6], self.charge, self.energy, OWN_READING, 0)
        )
        self.last_time = moment

    def voltage_error(self, value: float) -> float:
        """Largest error of a voltage reading in the present range (V)."""
        return self._uncertain[0].of_value * abs(value) + self._uncertain[0].plus

    def current_error(self, value: float) -> float:
        """Largest error of a current reading in the present range (A)."""
        return self._uncertain[1].of_value * abs(value) + self._uncertain[1].plus

    def _say_alive(self) -> None:
        """Before an exchange that may take its time the watchdog is told by when it is over."""
        if self.alive is not None:
            self.alive()

    def begin(self) -> None:
        """The instrument was reset: nothing is programmed, its widest ranges hold."""
        self.on = False
        self.setpoint = None
        specification = self.channel.specification
        self.configure(
            Acquisition(
                specification.voltage_ranges[-1].full_scale,
                specification.current_ranges[-1].full_scale,
            )
        )

    def poll(self, moment: float) -> None:
        """Ask the instrument what happened by itself; a dropped output ends the run."""
        self._next_poll = moment + LONGEST_BLIND_S
        for event in self.channel.poll():
            self._happened(self.name, event._replace(time=event.time - self._start))
            if event.kind in ("dropped", "power cycle", "panel"):
                self.on = event.kind == "panel" and self.on
                raise Failed(f"{self.name}: {event.text}", "instrument")

    def _countable(self, current: float, power: float) -> tuple[float, float]:
        """What counts in place of a reading over range, or of none: the most that can flow."""
        if math.isfinite(current) and math.isfinite(power):
            return current, power
        (into, out), (work_into, work_out) = self._most_flow().values()
        if not math.isfinite(current):
            current = -out if current < 0 else into
        return current, -work_out if power < 0 else work_into

    def _count_first(self, moment: float, current: float, power: float) -> bool:
        """The first reading after a change: it speaks for the time since, the guards for the worst.

        A trapezoid across a change of level would count a current that never flowed.
        """
        interval = moment - self._uncounted_since
        near = False
        self.charge += interval * current
        self.energy += interval * power
        for tally, _ in self._tallies:
            worst = tally.sign * tally.flow
            near |= tally.add(moment, interval, worst, worst)
        return near

    def _count_until_now(self) -> None:
        """Close the count before something changes: the last reading holds until this moment."""
        now = self._clock.now() - self._start
        if self.on and self._last is not None:
            moment, current, power = self._last
            self.charge += (now - moment) * current
            self.energy += (now - moment) * power
            for tally, is_energy in self._tallies:
                flow = power if is_energy else current
                tally.add(now, now - moment, flow, flow)
            memory, base = self.memory, self.base
            memory[base + 4] = self.charge - self._zero_charge
            memory[base + 5] = self.energy - self._zero_energy
        elif self.on:
            # Nobody has read what flowed since the last change: the ratings count the most.
            for tally, _ in self._tallies:
                worst = tally.sign * tally.flow
                tally.add(now, now - self._uncounted_since, worst, worst)
        self._last = None
        self._uncounted_since = now

    def counted_margins(self) -> dict[str, tuple[float, float]]:
        """The smallest margin to each rating of energy and charge (J, C), and its time (s)."""
        found: dict[str, tuple[float, float]] = {}
        for tally, _ in self._tallies:
            margin = tally.bound - tally.highest
            if math.isfinite(margin) and margin < found.get(tally.quantity, (math.inf, 0.0))[0]:
                found[tally.quantity] = margin, tally.highest_at
        return found

    def _judge_tallies(self) -> None:
        """A tally comes near its rating: look more often, or trip while there is time."""
        for tally, _ in self._tallies:
            if tally.total > tally.trip:
                side = "above" if tally.sign > 0 else "below"
                self._trip(
                    tally.quantity,
                    tally.sign * tally.total,
                    "counted from above, with the most that flows until the output is open",
                    tally.sign * tally.bound,
                    side,
                )
        self._look_again()

    def _look_again(self) -> None:
        """When this channel must be read next: what can flow until then stays under a tenth."""
        interval = min([LONGEST_BLIND_S, *(tally.interval() for tally, _ in self._tallies)])
        self._interval = max(interval, self.shortest_interval_s)
        # It counts from the last reading: a change puts off nothing, or changes that follow one
        # another would keep the run blind.
        self.next_due = self.last_time + self._interval

    def _judge(self, voltage: float, current: float, power: float) -> None:
        """A reading left a bound, or is none: find which, and trip.

        An overflow that can't hide a rating, since the limit or the level holds it, is no trip; a
        power that it makes unknown says nothing by itself.
        """
        for quantity, value in (("voltage", voltage), ("current", current), ("power", power)):
            if not math.isfinite(value):
                if quantity == "power":
                    continue
                if math.isnan(value):
                    self._trip(quantity, value, "the reading is not a number", math.nan, "")
                if self._hides(quantity):
                    self._trip(
                        quantity, value, "over range, which can hide the rating", math.nan, ""
                    )
                continue
            low = getattr(self, f"{quantity}_low")
            high = getattr(self, f"{quantity}_high")
            if value > high:
                self._trip(quantity, value, "", self.ratings[quantity][1], "above")
            if value < low:
                self._trip(quantity, value, "", self.ratings[quantity][0], "below")

    def _hides(self, quantity: str) -> bool:
        """Whether an overflow may hide a value past the rating: not while the limit holds it."""
        setpoint, low_high = self.setpoint, self.ratings.get(quantity)
        if low_high is None:
            return False
        if not self.on or setpoint is None:
            return True
        if setpoint.mode != quantity:
            return not low_high[0] <= setpoint.low <= setpoint.high <= low_high[1]
        return not low_high[0] <= setpoint.level <= low_high[1]

    def _judge_extra(self, voltage: float, current: float, limited: float) -> None:
        """The recipe's own guards, on this very reading, before any step sees it.

        They look at a place of their own in the memory, where the runner's readings count too.
        """
        memory, base = self.memory, self.guard_base
        memory[base : base + 6] = [
            voltage, current, limited, memory[self.base + 3],
            self.charge - self._zero_charge, self.energy - self._zero_energy,
        ]  # fmt: skip
        for condition in self.extra:
            condition.unread.discard(self.name)
            if condition.unread:
                continue
            if condition.holds():
                condition.spent = False
            elif not (condition.spent and self.in_final):
                # In `finally` one that has tripped does so again only after it has held again.
                condition.spent = True
                why = f": {condition.why}" if condition.why else ""
                raise Tripped(
                    f"guard `{condition.text}` no longer holds{why}", condition.text, self.name
                )

    def _trip(self, quantity: str, value: float, note: str, rating: float, side: str) -> None:
        name = f"{self.part or self.name} {quantity}"
        if self.in_final and not self._further_out(name, value, side):
            return
        self.reached[name] = value
        said = f"{value:.6g} {UNITS[quantity]}"
        if math.isnan(rating):
            text = f"{name}: {note}"
        else:
            text = f"{name} {said} is {side} the rating of {rating:.6g} {UNITS[quantity]}"
            if note:
                text += f" ({note})"
        raise Tripped(text, name, self.name)

    def _further_out(self, name: str, value: float, side: str) -> bool:
        """In `finally` a tripped guard trips again only if its quantity moves further out."""
        if name not in self.reached:
            return True
        before = self.reached[name]
        if math.isnan(value) or math.isnan(before):
            return True
        return value > before if side == "above" else value < before

    # What changes a port

    def configure(self, acquisition: Acquisition) -> None:
        """Set how the channel measures."""
        self._say_alive()
        self.channel.configure(acquisition)
        self.acquisition = acquisition
        self.rejudge()

    def program(self, setpoint: Setpoint) -> None:
        """Program a setpoint; the bounds follow it."""
        self._say_alive()
        self._count_until_now()
        self.channel.program(setpoint)
        self._uncounted_since = self._clock.now() - self._start
        self.setpoint = setpoint
        self.memory[self.base + READINGS.index("level")] = setpoint.level
        self.rejudge()

    def switch(self, on: bool, anew: bool = True) -> None:
        """Switch the output; the recipe's counters begin anew where it goes on.

        Not `anew` is an interruption that the recipe didn't ask for: no counter begins again.
        """
        self._say_alive()
        if on:
            self._count_until_now()
            self.channel.switch(on)
            self.last_time = self._uncounted_since = self._clock.now() - self._start
        else:
            self.channel.switch(on)
            # What flows flows until the contact has opened.
            self._count_until_now()
        if on and not self.on and anew:
            for counter in ("charge", "energy", "elapsed"):
                self.reset(counter)
            for tally, _ in self._tallies:
                tally.begin()
        self.on = on
        self.rejudge()

    def reset(self, counter: str) -> None:
        """Restart a counter of the recipe; neither the record's nor a rating's is touched."""
        memory, base = self.memory, self.base
        if counter == "elapsed":
            for place in (base, self.guard_base):
                memory[place + READINGS.index("since")] = self._clock.now() - self._start
        else:
            if counter == "charge":
                self._zero_charge = self.charge
            else:
                self._zero_energy = self.energy
            memory[base + READINGS.index(counter)] = 0.0

    def mode(self) -> Mode | None:
        """The mode last programmed."""
        return self.setpoint.mode if self.setpoint is not None else None
