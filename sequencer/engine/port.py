"""One channel during a run: its readings, counters, guards and record, in the order they must act.

A reading goes one way: channel → counters → guards → record → memory; a step sees it last. What a
reading is judged by is worked out when something changes and kept as plain floats, since this is
the path that a day of readings takes a million times. The module knows no step and no recipe.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from typing import TYPE_CHECKING

from drivers.channel import Acquisition, Channel, Event, Reading, Setpoint
from drivers.kinds import Kind
from sequencer.engine.counting import NOTHING_FLOWS, Counters, most_flow
from sequencer.engine.ending import Destroyed, Failed, Tripped
from sequencer.engine.expressions import READINGS
from sequencer.engine.guards import EXACT, Uncertainty, reading_uncertainties
from sequencer.engine.judging import Judge, Rated
from sequencer.engine.signs import Signs

if TYPE_CHECKING:
    from drivers.clock import Clock
    from sequencer.engine.sampling import Capturing
    from sequencer.record import StreamWriter
    from sequencer.record.blocks import Column

OWN_READING = -1
"""The trace number of a reading that the runner takes by itself."""
LONGEST_BLIND_S = 1.0
LOST_LEAD = "lead off?"
"""The guard's name where readings show a sign of a lost part or lead."""
LEVEL, SINCE, LEAST_CURRENT = (READINGS.index(name) for name in ("level", "since", "least current"))


class Port:
    """A channel with its part, counters and guards. Times are seconds from the run's start.

    `ratings` are what its part bears; `rated` and `per_pulse` are those that its readings are held
    against, which may be other parts' that it watches, and none where the part may be destroyed.
    """

    def __init__(
        self,
        channel: Channel,
        clock: Clock,
        start: float,
        memory: list[float],
        base: int,
        guard_base: int,
        stream: StreamWriter,
        happened: Callable[[str, Event], None],
        *,
        part: str = "",
        kind: Kind | None = None,
        ratings: Mapping[str, tuple[float, float]] | None = None,
        rated: Sequence[Rated] = (),
        per_pulse: Sequence[Rated] = (),
        not_pushed: bool = False,
        may_be_destroyed: bool = False,
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
        self.may_be_destroyed = may_be_destroyed
        self.destroyed: Event | None = None
        self.rated = (*rated, *per_pulse)
        self.memory = memory
        self.base = base
        self.guard_base = guard_base
        self.on = False
        self.setpoint: Setpoint | None = None
        self.acquisition = Acquisition(None, None)
        self.judge = Judge(self.name, rated, per_pulse, memory, guard_base)
        self._bounds = self.judge.plain
        self.signs: Signs | None = None
        """What watches for lost leads; nothing does where the part may be destroyed."""
        if kind is not None and not may_be_destroyed and "voltage" in self.ratings:
            self.signs = Signs(part, kind, self.ratings, channel.specification)
        self.counters = Counters({} if may_be_destroyed else self.ratings, kind)
        self.clock = clock
        self.start = start
        self._append = stream.append
        self.put_many: Callable[[Sequence[Column], int], None] | None = stream.extend
        """What puts many rows on record at once; None where each is told to somebody."""
        self._happened = happened
        self._line_frequency_hz = line_frequency_hz
        self._ideal = ideal
        self._lateness_s = lateness_s
        self.alive: Callable[[], None] | None = None
        self.others_s = 0.0
        """What a reading of every other channel takes (s): they are read one after another."""
        self.capturing: Capturing | None = None
        self.pulse_lines: set[int] = set()
        """The lines of the recipe that pulses came from."""
        self.limited = 0.0
        """Whether the limit was in control at the newest reading."""
        self.next_poll = 0.0
        self._uncertain = (EXACT, EXACT)
        self._judged_for: tuple[Acquisition, float] | None = None
        self.interval_s = LONGEST_BLIND_S
        self.next_due = 0.0
        self.last_time = 0.0
        self.rejudge()

    @property
    def can_measure_off(self) -> bool:
        """Whether the channel measures with its output off."""
        return self.channel.specification.can("measure open")

    @property
    def looks_ahead(self) -> bool:
        """Whether many of its readings may be taken and judged at once."""
        return (
            hasattr(self.channel, "peek_many")
            and hasattr(self.clock, "ticks")
            and self.alive is None
            and self.put_many is not None
            and all(condition.over_columns is not None for condition in self.judge.conditions)
        )

    @property
    def watches_others(self) -> bool:
        """Whether a guard of another part, or of the recipe, needs its readings."""
        named = any(self.name in condition.channels for condition in self.judge.conditions)
        return named or any(rated.by for rated in self.rated)

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

    def now(self) -> float:
        """Seconds since the run's start."""
        return self.clock.now() - self.start

    def rejudge(self) -> None:
        """Work the bounds out anew: after a change of setpoint, ranges or output."""
        if self._judged_for != (self.acquisition, self.others_s):
            # A sweep changes its level a thousand times, and nothing of this.
            self._judged_for = self.acquisition, self.others_s
            self._work_out()
        flow = NOTHING_FLOWS
        if self.on and self.setpoint is not None:
            flow = most_flow(self.setpoint, self.ratings.get("voltage", (0.0, 0.0)))
        self.counters.look_ahead(flow, self._blind_s, LONGEST_BLIND_S, self._gains)
        self.look_again()

    def _work_out(self) -> None:
        """What follows from how the channels measure: errors, bounds, how long nobody can look."""
        volts, amperes = self._uncertain = self.errors_over(self.aperture_s)
        for place in (self.base, self.guard_base):
            self.memory[place + LEAST_CURRENT] = amperes.plus
        self.judge.work_out(volts, amperes)
        if self.signs is not None:
            self.signs.work_out(volts, amperes)
        self._shortest_s = self.shortest_interval_s
        # A reading speaks for its aperture's middle, and the next one may be the shortest interval
        # away; then the output has to open.
        self._blind_s = (
            self._shortest_s
            + self.aperture_s / 2
            + self.channel.specification.switching_time
            + self._lateness_s
        )
        self._gains = {"energy": volts.of_value + amperes.of_value, "charge": amperes.of_value}

    # The path of a reading

    def measure(self, trace: int = OWN_READING, line: int = 0) -> Reading:
        """Take one reading, count it, judge it and put it on record. Raises Tripped."""
        if self.capturing is not None:
            self._refuse_while_capturing(line)
        if self.alive is not None:
            self.alive()
        reading = self.channel.measure()
        moment, voltage, current, limited, voltage_range, current_range = reading
        moment -= self.start
        power = voltage * current
        bounds, counters = self._bounds, self.counters
        within = (
            bounds.voltage_low <= voltage <= bounds.voltage_high
            and bounds.current_low <= current <= bounds.current_high
            and bounds.power_low <= power <= bounds.power_high
        )
        near = False
        if self.on:
            flow, work = (current, power) if within else counters.countable(current, power)
            near = counters.add(moment, flow, work)
        self.last_time = moment
        self.next_due = moment + self.interval_s
        memory, base = self.memory, self.base
        if line:
            memory[base] = voltage
            memory[base + 1] = current
            memory[base + 2] = limited
        # Counters are the present ones, whoever took the reading.
        charge, energy = counters.charge, counters.energy
        memory[base + 4] = charge - counters.zero_charge
        memory[base + 5] = energy - counters.zero_energy
        self._append(
            (
                moment, voltage, current, limited, memory[base + 3], voltage_range, current_range,
                charge, energy, trace, line,
            )
        )  # fmt: skip
        if not within:
            held = self.setpoint if self.on else None
            if held is not None and limited and (held.mode == "current" or power < 0):
                # A limit in control drives any current, and a part that gives has any voltage: the
                # level keeps neither.
                held = held._replace(level=math.inf)
            self.judge.reading(bounds, voltage, current, power, held)
        if near:
            self.judge_tallies()
        if self.judge.conditions:
            self.judge.hold_conditions((voltage, current, limited, *memory[base + 3 : base + 6]))
        lost = ""
        if self.signs is not None:
            lost = self.signs.look(moment, voltage, current, limited, charge)
        if lost or limited != self.limited or moment >= self.next_poll:
            self.limited = limited
            self.poll(moment)
        if lost:
            raise Tripped(lost, LOST_LEAD, self.name)
        return reading

    def _refuse_while_capturing(self, line: int) -> None:
        if line:
            raise Failed(f"{self.name} captures, and can't be read before that is over", "recipe")
        self.judge.unseen(self.part)

    def put(self, row: tuple[float, ...]) -> None:
        """A row of readings, in the order of the record's columns, goes on record."""
        self._append(row)

    def show(self, voltage: float, current: float, limited: float) -> None:
        """Let steps see a reading, and the counters as they are now."""
        memory, base = self.memory, self.base
        memory[base : base + 3] = [voltage, current, limited]
        self._show_counters()

    def _show_counters(self) -> None:
        memory, base, counters = self.memory, self.base, self.counters
        memory[base + 4] = counters.charge - counters.zero_charge
        memory[base + 5] = counters.energy - counters.zero_energy

    def judge_tallies(self) -> None:
        """A tally comes near its rating: look more often, or trip while there is time."""
        self.judge.tallies(self.part, self.counters.tallies)
        self.look_again()

    def hold_conditions(self, voltage: float, current: float, limited: float, level: float) -> None:
        """Let the recipe's guards judge a reading, with the counters as they are now."""
        counted = self.memory[self.base + 4], self.memory[self.base + 5]
        self.judge.hold_conditions((voltage, current, limited, level, *counted))

    def also(self, told: Callable[[tuple[float, ...]], None]) -> None:
        """Every row that goes on record from now on is told there, too."""
        keep = self._append

        def append(row: tuple[float, ...]) -> None:
            keep(row)
            told(row)

        self._append = append
        self.put_many = None

    def look(self) -> Reading:
        """A reading that is on record and judged by nobody here: the look before power."""
        reading = self.peek()
        self.keep(reading)
        return reading

    def peek(self) -> Reading:
        """A reading that nobody judges, and that is not on record yet."""
        self.say_alive()
        return self.channel.measure()

    def keep(self, reading: Reading) -> None:
        """Put such a reading on record. Raises StoreError."""
        moment, counters = reading.time - self.start, self.counters
        counted = (counters.charge, counters.energy)
        self._append((moment, *reading[1:4], 0.0, *reading[4:6], *counted, OWN_READING, 0))
        self.last_time = moment

    def errors_over(self, aperture_s: float) -> tuple[Uncertainty, Uncertainty]:
        """Errors of voltage and current over an aperture in the present ranges; none if ideal."""
        specification = self.channel.specification
        if self._ideal:
            return EXACT, EXACT
        return reading_uncertainties(
            specification,
            self.acquisition.voltage_range or specification.voltage_ranges[-1].full_scale,
            self.acquisition.current_range or specification.current_ranges[-1].full_scale,
            aperture_s,
            self._line_frequency_hz,
        )

    def voltage_error(self, value: float) -> float:
        """Largest error of a voltage reading in the present range (V)."""
        return self._uncertain[0].of_value * abs(value) + self._uncertain[0].plus

    def current_error(self, value: float) -> float:
        """Largest error of a current reading in the present range (A)."""
        return self._uncertain[1].of_value * abs(value) + self._uncertain[1].plus

    def say_alive(self) -> None:
        """Before an exchange that may take its time the watchdog is told by when it is over."""
        if self.alive is not None:
            self.alive()

    def poll(self, moment: float) -> None:
        """Ask the instrument what happened by itself; a dropped output ends the run."""
        self.next_poll = moment + LONGEST_BLIND_S
        for event in self.channel.poll():
            self._happened(self.name, event._replace(time=event.time - self.start))
            if event.kind in ("dropped", "damage", "power cycle", "panel"):
                self.on = event.kind == "panel" and self.on
                raise Failed(f"{self.name}: {event.text}", "instrument")
            if event.kind in ("limit", "level") and self.signs is not None:
                lost = self.signs.passed(event.time - self.start)
                if lost:
                    raise Tripped(lost, LOST_LEAD, self.name)
            if event.kind == "destroyed":
                time_s = event.time - self.start
                if not self.may_be_destroyed:
                    raise Destroyed(self.part or self.name, event.text, time_s)
                self.destroyed = self.destroyed or event._replace(time=time_s)

    def look_again(self) -> None:
        """When this channel must be read next: what can flow until then stays under a tenth.

        While it captures nobody can look: it is due when a rating could have been passed.
        """
        if self.capturing is not None:
            self.next_due = self.counters.uncounted_since + self.counters.time_left()
            return
        interval = min(LONGEST_BLIND_S, self.counters.interval())
        self.interval_s = max(interval, self._shortest_s)
        # It counts from the last reading: a change puts off nothing, or changes that follow one
        # another would keep the run blind.
        self.next_due = self.last_time + self.interval_s

    # What changes a port

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

    def configure(self, acquisition: Acquisition) -> None:
        """Set how the channel measures."""
        self.say_alive()
        self.channel.configure(acquisition)
        self.acquisition = acquisition
        self.rejudge()
        self.watch_anew()

    def program(self, setpoint: Setpoint) -> None:
        """Program a setpoint; the bounds follow it."""
        self.say_alive()
        self._close_count()
        self.channel.program(setpoint)
        now = self.now()
        self.counters.uncounted_since = now
        self.setpoint = setpoint
        self.memory[self.base + LEVEL] = setpoint.level
        if self.capturing is not None:
            self.capturing.levels.append((now, setpoint.level))
        self.rejudge()
        self.watch_anew()

    def switch(self, on: bool, anew: bool = True) -> None:
        """Switch the output; the recipe's counters begin anew where it goes on.

        Not `anew` is an interruption that the recipe didn't ask for: no counter begins again.
        """
        self.say_alive()
        if on:
            self._close_count()
            self.channel.switch(on)
            self.last_time = self.counters.uncounted_since = self.now()
        else:
            self.channel.switch(on)
            # What flows flows until the contact has opened.
            self._close_count()
        if on and not self.on and anew:
            for counter in ("charge", "energy", "elapsed"):
                self.reset(counter)
            self.counters.begin()
        self.on = on
        self.rejudge()
        self.watch_anew()

    def watch_anew(self, since: float | None = None) -> None:
        """What the part was seen to do is past; the setpoint holds since then (s), or now."""
        if self.signs is None:
            return
        setpoint = self.setpoint if self.on else None
        full_scale = self.acquisition.current_range
        if setpoint is not None and setpoint.mode == "voltage":
            full_scale = self.acquisition.voltage_range
        self.signs.anew(setpoint, self.now() if since is None else since, full_scale)

    def _close_count(self) -> None:
        """Count up to now, before something changes."""
        self.counters.close(self.now(), self.on)
        self._show_counters()

    def reset(self, counter: str) -> None:
        """Restart a counter of the recipe; neither the record's nor a rating's is touched."""
        memory, base, counters = self.memory, self.base, self.counters
        if counter == "elapsed":
            for place in (base, self.guard_base):
                memory[place + SINCE] = self.now()
            return
        if counter == "charge":
            counters.zero_charge = counters.charge
        else:
            counters.zero_energy = counters.energy
        self._show_counters()
