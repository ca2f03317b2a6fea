"""What may be the case at one place of a recipe: names, readings, channels, and what it cost.

A state stands for every run that can be there. States that differ in which outputs are on or in the
modes of what is programmed are kept apart, others joined by hull. Nothing here changes in place.
Knows no step.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from functools import reduce
from typing import NamedTuple

from grammar import tree
from sequencer.checker.worst.accounts import NOTHING, Ledger, Sums, larger
from sequencer.checker.worst.interval import Interval
from sequencer.checker.worst.values import UNKNOWN, Value

MOST_STATES = 16
"""How many states are kept apart at one place before they are joined regardless."""
MOST_OWN = 6

Readings = Mapping[tuple[str, str], Value]
"""By channel and quantity."""
Key = tuple[tuple[bool, frozenset[str], frozenset[str]], ...]


class Programmed(NamedTuple):
    """What one step programs: its mode, its level, the two sides of its limit.

    `limit_node` is where the limit was written, which for a sweep may be an earlier source. A step
    that goes through many levels has `between`: those that all others lie between.
    """

    step: tree.SourceStep | tree.Sweep | tree.Ramp | tree.PulseStep
    mode: str
    level: Value
    low: Value
    high: Value
    limit_node: tree.Expression
    between: tuple[Value, ...] = ()

    @property
    def levels(self) -> tuple[Value, ...]:
        """The levels that bound what it does, each with how it hangs on the settings."""
        return self.between or (self.level,)

    def joined(self, other: Programmed) -> Programmed:
        """The same step's, on this path or another."""
        between = self.between
        if between != other.between:
            pairs = zip(between, other.between, strict=False)
            alike = len(between) == len(other.between)
            between = tuple(a.joined(b) for a, b in pairs) if alike else ()
        return self._replace(
            level=self.level.joined(other.level),
            low=self.low.joined(other.low),
            high=self.high.joined(other.high),
            between=between,
        )

    def includes(self, other: Programmed) -> bool:
        """Whether the other says no more than this."""
        return (
            self.level.includes(other.level)
            and self.low.includes(other.low)
            and self.high.includes(other.high)
        )


Programs = Mapping[tuple[int, int], Programmed]
"""By the ids of the step and of the limit's node: several where paths have met."""
NO_PROGRAMS: Programs = {}


def programs(*found: Programmed) -> Programs:
    """Programmed by one of these."""
    together: dict[tuple[int, int], Programmed] = {}
    for p in found:
        key = id(p.step), id(p.limit_node)
        together[key] = together[key].joined(p) if key in together else p
    return together


def _joined(a: Programs, b: Programs) -> Programs:
    return {
        key: a[key].joined(b[key]) if key in a and key in b else a.get(key) or b[key]
        for key in (*a, *(k for k in b if k not in a))
    }


def _included(inner: Programs, outer: Programs) -> bool:
    return all(key in outer and outer[key].includes(p) for key, p in inner.items())


class Own(NamedTuple):
    """What a part may force by itself: from one of `lows` to one of `highs` (V)."""

    lows: tuple[Value, ...]
    highs: tuple[Value, ...]

    def joined(self, other: Own) -> Own:
        """This or the other."""
        if other is self:
            return self
        return Own(_few(self.lows + other.lows), _few(self.highs + other.highs))

    def includes(self, other: Own) -> bool:
        """Whether the other says no more than this."""
        return all(
            any(mine.includes(theirs) for mine in ours)
            for ours, others in ((self.lows, other.lows), (self.highs, other.highs))
            for theirs in others
        )

    @property
    def interval(self) -> Interval:
        """Its bounds."""
        return Interval(min(v.low for v in self.lows), max(v.high for v in self.highs))


def _few(values: Sequence[Value]) -> tuple[Value, ...]:
    """Each once, and all in one where they are many.

    One with wider bounds doesn't stand for another: which value it is in a run counts, too.
    """
    kept: list[Value] = []
    for value in values:
        if not any(other is value or _same(other, value) for other in kept):
            kept.append(value)
    if len(kept) > MOST_OWN:
        bounds = Interval(min(v.low for v in kept), max(v.high for v in kept))
        return (Value(bounds),)
    return tuple(kept)


def _same(a: Value, b: Value) -> bool:
    """Whether two values are one and the same in every run."""
    return a.form is not None and a.form == b.form and a.includes(b) and b.includes(a)


class ChannelState(NamedTuple):
    """One channel with its part.

    `on_by` are the ids of the `output … on` that may have switched it on; `sourced` is what the
    last source programs anew at the next one, `programmed` what is programmed at present. `own` is
    what the part forces by itself, `rates` the most that flows each second while the output is on.
    `named` are the ranges that `setup` named (V and A, 0 where none), `ranges` those that were in
    force when the output went on. A reading takes so many `apertures` at most, and so much waiting.
    `hidden` is what a limit may let flow in current mode though a look under power has passed.
    """

    on: bool = False
    on_by: frozenset[int] = frozenset()
    sourced: Programs = NO_PROGRAMS
    programmed: Programs = NO_PROGRAMS
    own: Own = Own((), ())
    rates: Sums = NOTHING
    aperture_s: float = 0.0
    average: float = 1.0
    named: tuple[float, float] = (0.0, 0.0)
    ranges: tuple[float, float] = (0.0, 0.0)
    apertures: int = 1
    waits_s: float = 0.0
    hidden: Sums = NOTHING

    @property
    def modes(self) -> frozenset[str]:
        """The modes of what is programmed at present."""
        return frozenset(p.mode for p in self.programmed.values())

    @property
    def reading_s(self) -> float:
        """How long one reading takes at most."""
        return self.apertures * self.aperture_s * self.average + self.waits_s

    def joined(self, other: ChannelState) -> ChannelState:
        """Where two paths meet; an output that may be on counts as on."""
        if other is self:
            return self
        return ChannelState(
            self.on or other.on,
            self.on_by | other.on_by,
            _joined(self.sourced, other.sourced),
            _joined(self.programmed, other.programmed),
            self.own.joined(other.own),
            larger(self.rates, other.rates),
            max(self.aperture_s, other.aperture_s),
            max(self.average, other.average),
            (max(self.named[0], other.named[0]), max(self.named[1], other.named[1])),
            (max(self.ranges[0], other.ranges[0]), max(self.ranges[1], other.ranges[1])),
            self.apertures,
            self.waits_s,
            larger(self.hidden, other.hidden),
        )

    def includes(self, other: ChannelState) -> bool:
        """Whether the other says no more than this."""
        return other is self or (
            (self.on or not other.on)
            and self.on_by >= other.on_by
            and _included(other.sourced, self.sourced)
            and _included(other.programmed, self.programmed)
            and self.own.includes(other.own)
            and all(map(float.__ge__, self.rates, other.rates))
            and all(map(float.__ge__, self.hidden, other.hidden))
            and self.aperture_s >= other.aperture_s
            and self.average >= other.average
            and all(map(float.__ge__, self.named, other.named))
            and all(map(float.__ge__, self.ranges, other.ranges))
        )


class State:
    """All that is known at one place.

    `names` has the settings, `let`s, typed values and loop variables that are followed; `readings`,
    by channel and quantity, the newest that a step took.
    """

    __slots__ = ("channels", "ledger", "names", "readings")

    def __init__(
        self,
        names: Mapping[str, Value],
        readings: Readings,
        channels: Mapping[str, ChannelState],
        ledger: Ledger,
    ) -> None:
        self.names, self.readings, self.channels, self.ledger = names, readings, channels, ledger

    def naming(self, name: str, value: Value) -> State:
        """With a name's value."""
        return State({**self.names, name: value}, self.readings, self.channels, self.ledger)

    def losing(self, gone: Sequence[str]) -> State:
        """Without the values of some names, which nothing looks at any more."""
        names = {name: value for name, value in self.names.items() if name not in gone}
        return State(names, self.readings, self.channels, self.ledger)

    def reading(self, found: Readings) -> State:
        """With newest readings in place of those before."""
        return State(self.names, {**self.readings, **found}, self.channels, self.ledger)

    def having(self, channel: str, state: ChannelState) -> State:
        """With a channel in another state."""
        return State(self.names, self.readings, {**self.channels, channel: state}, self.ledger)

    def charged(self, ledger: Ledger) -> State:
        """With another ledger."""
        return State(self.names, self.readings, self.channels, ledger)

    def leaving(self, outer: Mapping[str, Value]) -> State:
        """At the end of a block: only the names from outside are left."""
        if outer is self.names or outer.keys() == self.names.keys():
            return self
        names = {name: self.names[name] for name in outer if name in self.names}
        return State(names, self.readings, self.channels, self.ledger)

    def forgetting(self, channel: str) -> State:
        """With nothing known of a channel's newest reading."""
        readings = {place: v for place, v in self.readings.items() if place[0] != channel}
        return State(self.names, readings, self.channels, self.ledger)

    def spending(self, time_s: float, least_s: float = 0.0) -> State:
        """After a time (s) in which nothing changes, known to be at least so long."""
        least_s = min(max(least_s, 0.0), time_s)
        return self.charged(self.ledger.spent(max(time_s, 0.0), self._rates(), least_s))

    def asking(self) -> State:
        """After the person has taken any time."""
        return self.charged(self.ledger.asked(self._rates()))

    def _rates(self) -> dict[str, Sums]:
        return {name: channel.rates for name, channel in self.channels.items()}

    @property
    def key(self) -> Key:
        """What keeps states apart."""
        return tuple(
            (c.on, c.modes, frozenset(p.mode for p in c.sourced.values()))
            for c in self.channels.values()
        )

    def joined(self, other: State) -> State:
        """Where two paths meet."""
        if other is self:
            return self
        names = self.names
        if names is not other.names:
            theirs = other.names
            # Most are the same on both paths, in a long recipe a thousand of them.
            names = {
                n: v if v is theirs[n] else v.joined(theirs[n])
                for n, v in names.items()
                if n in theirs
            }
        return State(
            names,
            {
                place: reading.joined(other.readings[place])
                for place, reading in self.readings.items()
                if place in other.readings
            },
            {n: c.joined(other.channels[n]) for n, c in self.channels.items()},
            self.ledger.joined(other.ledger),
        )

    def includes(self, other: State) -> bool:
        """Whether the other says no more than this; what it cost doesn't count."""
        return (
            (
                self.names is other.names
                or all(
                    n in other.names and (v is other.names[n] or v.includes(other.names[n]))
                    for n, v in self.names.items()
                )
            )
            and all(
                place in other.readings and reading.includes(other.readings[place])
                for place, reading in self.readings.items()
            )
            and all(c.includes(other.channels[n]) for n, c in self.channels.items())
        )


States = Sequence[State]
"""The states at one place, no two of one key; none where no path comes there."""


def gathered(states: Sequence[State]) -> States:
    """States put together: those of one key joined, and all of them where they are too many."""
    if len(states) < 2:
        return states
    found = _by_key(states)
    if len(found) <= MOST_STATES:
        return list(found.values())
    return [reduce(State.joined, found.values())]


def _by_key(states: Iterable[State]) -> dict[Key, State]:
    found: dict[Key, State] = {}
    for state in states:
        key = state.key
        found[key] = found[key].joined(state) if key in found else state
    return found


def included(inner: States, outer: States) -> bool:
    """Whether each of the inner states says no more than one of the outer ones."""
    return all(any(other.includes(state) for other in outer) for state in inner)


def widened(before: States, after: States, landmarks: Sequence[float], steps: int) -> States:
    """`after`, with every value that has grown since `before` taken to the next landmark.

    After a few steps it is taken to infinity, so that this comes to rest.
    """
    known = _by_key(before)
    found = []
    for state in after:
        old = known.get(state.key)
        if old is None:
            found.append(state)
            continue
        names = {
            name: _grown(old.names[name], value, landmarks, steps) if name in old.names else value
            for name, value in state.names.items()
        }
        found.append(State(names, state.readings, state.channels, state.ledger))
    return found


def _grown(before: Value, after: Value, landmarks: Sequence[float], steps: int) -> Value:
    if before.includes(after):
        return before
    if steps > 6:
        return UNKNOWN
    far = steps >= 3
    low, high = after.interval
    if low < before.low:
        low = -math.inf if far else max((x for x in landmarks if x <= low), default=-math.inf)
    if high > before.high:
        high = math.inf if far else min((x for x in landmarks if x >= high), default=math.inf)
    return Value(Interval(low, high), after.form, after.error, after.wild)
