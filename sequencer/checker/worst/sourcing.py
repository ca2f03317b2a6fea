"""Steps that program a source: what each puts in force, and how long that takes.

A level, a limit and a time are worked out here and handed on; what they do to a part is another
file's matter, as are readings. Between two programmings of one mode the old level meets the
narrower limit, then the new one does: a part that this limit doesn't hold isn't held by the new
one either, so that nothing more can be passed meanwhile.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import TYPE_CHECKING

from grammar import tree
from grammar.quantity import CURRENT, LINE_CYCLES, TIME, VOLTAGE, write
from sequencer.checker.worst import interval
from sequencer.checker.worst.abstract import ChannelState, Programmed, State, programs
from sequencer.checker.worst.accounts import NOTHING, Sums, larger
from sequencer.checker.worst.hints import spans_of_settings
from sequencer.checker.worst.imposed import beyond
from sequencer.checker.worst.interval import Interval
from sequencer.checker.worst.pulses import Train
from sequencer.checker.worst.values import Value

if TYPE_CHECKING:
    from sequencer.checker.worst.terminals import Terminals
    from sequencer.checker.worst.transfer import Walk

OTHER = {"voltage": "current", "current": "voltage"}
DIMENSION = {"voltage": VOLTAGE, "current": CURRENT}
ONCE = interval.point(1.0)
PUSH_S = 0.5
"""How long a presence push lasts; a part that may be the wrong way round takes two."""
RAMP_PERIOD_S = 0.1
"""How often a ramp changes its level unless it says in which steps."""


def looking_s(place: Terminals, reading_s: float) -> float:
    """The longest time that the look and the push before an `output on` take, with the switching.

    At most four readings with the output off, or on at 0 A, and two pushes.
    """
    seen_s = reading_s + 2 * place.switching_s
    return 4 * seen_s + 2 * (PUSH_S + seen_s) + place.switching_s


class Sourcing:
    """The steps of one walk that program a source or switch it."""

    def __init__(self, walk: Walk) -> None:
        self.walk = walk
        self.set_up: dict[str, ChannelState] = {}
        """The largest of all that `setup` names, by channel: `finally` may come after any of it."""

    def setup(self, node: tree.Setup, state: State) -> State:
        """The state after ranges, aperture and average are named."""
        name = node.channel.id
        channel = state.channels.get(name)
        if channel is None:
            return state
        volts, amperes = channel.named
        for item in node.items:
            auto = isinstance(item.value, tree.Name) and item.value.id == "auto"
            value = 0.0 if auto else self.walk.evaluation.value(item.value, state).high
            match item.name.id:
                case "aperture":
                    cycles = self.walk.checked.dimensions.get(id(item.value)) == LINE_CYCLES
                    aperture_s = value * (self.walk.cycle_s if cycles else 1.0)
                    channel = channel._replace(aperture_s=aperture_s)
                case "average":
                    channel = channel._replace(average=max(1.0, value))
                case "voltage range":
                    self._range(item, channel.on and value != volts)
                    volts = value
                case "current range":
                    self._range(item, channel.on and value != amperes)
                    amperes = value
        channel = channel._replace(named=(volts, amperes))
        plain = ChannelState(aperture_s=channel.aperture_s, average=channel.average)
        plain = plain._replace(
            named=channel.named, apertures=channel.apertures, waits_s=channel.waits_s
        )
        self.set_up[name] = plain.joined(self.set_up.get(name, plain))
        return state.having(name, channel)

    def _range(self, item: tree.SetupItem, is_late: bool) -> None:
        if is_late:
            self.walk.excess.plain(
                "range-under-power",
                item.span,
                "the output is on here, and ranges never change under power: this one holds from "
                "the next `output … on`",
                "name it before the output goes on; or switch the output off before it and on "
                "after it",
            )

    def source(self, node: tree.SourceStep, state: State) -> State:
        """The state after a level and a limit are programmed."""
        name = node.channel.id
        assert node.limit is not None
        level = self.walk.value(node.level, state)
        low, high = self._limit(node.limit, node.mode, state)
        p = Programmed(node, node.mode, level, low, high, node.limit)
        channel = state.channels[name]
        before, known = channel.modes, channel.programmed
        channel = channel._replace(sourced=programs(p), programmed=programs(p))
        if not channel.on:
            # Nothing is imposed yet; but what is past a rating isn't even programmed by the run.
            self.walk.power.programmed(name, p)
            return state.having(name, channel)
        self.walk.power.between(name, known, [p])
        place = self.walk.power.terminals[name]
        own, looked = channel.own, False
        hidden = channel.hidden if p.mode == "current" else NOTHING
        change_s = 0.0
        if OTHER[p.mode] in before:
            # It is read before the new mode, and off meanwhile where the instrument needs that.
            change_s = channel.reading_s + 4 * place.switching_s
            state = state.spending(change_s)
            seen = place.looked(p, place.looks_on)
            if seen is not None:
                if place.changes_on:
                    hidden = larger(hidden, self._hidden(p, channel))
                own, looked = (seen if before == {"voltage"} else seen.joined(own)), True
        channel = channel._replace(hidden=hidden)
        channel = self.walk.power.in_force(name, channel, [(p, own, looked)])
        # Though no time may pass, its rates count for all the time that may yet.
        return state.having(name, channel).spending(change_s)

    def _hidden(self, p: Programmed, channel: ChannelState) -> Sums:
        """What a limit may let flow that takes over although a look under power has passed.

        The look sees what the part forces less what its own resistance and the leads' take of the
        current at that moment. What is left of that beyond the limit drives no larger current back
        through the same resistance than the one that hid it; power comes out of the part. So it
        stays under other currents: a narrower limit is refused where it may not hold the part.
        """
        _, _, out, charge_in, charge_out = channel.rates
        below, above = beyond(p, channel.own, self.walk.evaluation.algebra)
        if not (below or above):
            return NOTHING
        return 1.0, 0.0, out, charge_in if below else 0.0, charge_out if above else 0.0

    def output(self, node: tree.Output, state: State) -> State:
        """The state after an output is switched."""
        name = node.channel.id
        channel = state.channels.get(name)
        if channel is None:
            # Nothing is ever sourced there: a meter without a part.
            return state
        place = self.walk.power.terminals[name]
        if not node.on:
            if channel.on:
                state = state.spending(place.off_s)
            channel = channel._replace(
                on=False, on_by=frozenset(), own=place.own, rates=NOTHING, hidden=NOTHING
            )
            return state.having(name, channel).charged(state.ledger.switched(name))
        if not channel.sourced:
            return state
        if not channel.on:
            # Other outputs stay on while this part is looked at and its output is switched.
            state = state.spending(looking_s(place, channel.reading_s))
        ledger = state.ledger if channel.on else state.ledger.switched(name)
        # Where it is on already, the ranges stay those of the `on` that switched it.
        earlier, ranges = frozenset[int](), channel.named
        if channel.on:
            earlier = channel.on_by
            ranges = max(ranges[0], channel.ranges[0]), max(ranges[1], channel.ranges[1])
        channel = channel._replace(
            on=True,
            on_by=earlier | {id(node)},
            programmed=channel.sourced,
            ranges=ranges,
        )
        owns = []
        for p in channel.sourced.values():
            seen = place.looked(p, place.looks_open)
            owns.append((p, seen or place.own, seen is not None))
        channel = self.walk.power.in_force(name, channel, owns)
        # The runner takes a reading of its own as soon as the output is on.
        return state.charged(ledger).having(name, channel).spending(channel.reading_s)

    def sweep(self, node: tree.Sweep, state: State) -> State | None:
        """The state after a series of levels with a reading at each."""
        walk = self.walk
        first, last = walk.value(node.first, state), walk.value(node.last, state)
        if node.logarithmic:
            self._same_sign(node, first, last)
        points = walk.value(node.points, state).interval
        settle_s = walk.time(node.settle, [state]) if node.settle is not None else 0.0
        found = self._programs(node, first.joined(last), (first, last), node.limit, state)
        if not found:
            return state
        if node.pulsed:
            assert node.width is not None
            assert node.period is not None
            fewest = points.low if node.until is None else 1.0
            count = Interval(fewest, points.high)
            train = self._train(node.width, node.period, count, state)
            return self._pulses(node.channel, found, train, node.reading, state)
        channel = state.channels[node.channel.id]
        reading_s = walk.observing.reading_s((node.channel, *node.reading), state)
        state = self._gone_through(node.channel.id, channel, found, state)
        late_s = walk.observing.overrun_s(state)
        each_s = reading_s + settle_s + late_s
        state = state.spending(interval.product(max(points.high, 0.0), each_s))
        if node.until is None:
            state = self._stays(node.channel.id, found, last, state)
        return walk.observing.read((node.channel, *node.reading), state)

    def ramp(self, node: tree.Ramp, state: State) -> State | None:
        """The state after a level has gone in steps from the programmed one to another."""
        walk, algebra = self.walk, self.walk.evaluation.algebra
        channel = state.channels[node.channel.id]
        target = walk.value(node.level, state)
        starts = tuple(
            level for p in channel.programmed.values() if p.mode == node.mode for level in p.levels
        )
        level, way = target, Value(interval.point(0.0))
        for start in starts:
            level = level.joined(start)
            way = way.joined(algebra.absolute(algebra.binary("-", target, start)))
        found = self._programs(node, level, (*starts, target), None, state)
        if not found:
            return state
        if node.duration is not None:
            duration_s = walk.time(node.duration, [state])
            self._positive(node.duration, state, "time of this ramp", "it would have no steps")
        else:
            assert node.rate is not None
            self._positive(node.rate, state, "rate of this ramp", "its end would never come")
            rate = walk.value(node.rate, state)
            duration_s = algebra.binary("/", way, rate).high if rate.low > 0 else math.inf
        steps = duration_s / RAMP_PERIOD_S
        if node.step is not None:
            self._positive(node.step, state, "step of this ramp", "its end would never come")
            step = walk.value(node.step, state)
            steps = algebra.binary("/", way, step).high if step.low > 0 else math.inf
        reading_s = walk.observing.reading_s((node.channel, *node.reading), state)
        # A step begins on time, or when the reading before it has ended; of steps of a size the
        # last may be due while that is still under way.
        late_s = reading_s if node.step is not None else 0.0
        whole_s = max(duration_s + late_s, interval.product(steps + 1.0, reading_s))
        state = self._gone_through(node.channel.id, channel, found, state)
        # Until the first step comes, what was in force before goes on, under its own limit.
        ramping = state.channels[node.channel.id]
        ramping = ramping._replace(rates=larger(ramping.rates, channel.rates))
        state = state.having(node.channel.id, ramping).spending(whole_s + reading_s)
        if node.until is None:
            state = self._stays(node.channel.id, found, target, state)
        return walk.observing.read((node.channel, *node.reading), state)

    def pulse(self, node: tree.PulseStep, state: State) -> State | None:
        """The state after timed pulses, back at what was programmed before."""
        walk = self.walk
        assert node.width is not None
        level = walk.value(node.level, state)
        found = self._programs(node, level, (), node.limit, state)
        count = walk.value(node.count, state).interval if node.count is not None else ONCE
        if node.countdown is not None:
            shortest_s = walk.evaluation.value(node.countdown, state).low
            longest_s = walk.time(node.countdown, [state]) + walk.observing.overrun_s(state)
            state = state.spending(longest_s, shortest_s)
        if not found:
            return state
        train = self._train(node.width, node.period, count, state)
        return self._pulses(node.channel, found, train, (), state)

    def _programs(
        self,
        node: tree.Sweep | tree.Ramp | tree.PulseStep,
        level: Value,
        between: tuple[Value, ...],
        limit: tree.Expression | None,
        state: State,
    ) -> list[Programmed]:
        """What a step puts in force: under its own limit, or that of whichever source was last."""
        found = []
        for p in state.channels[node.channel.id].sourced.values():
            if p.mode != node.mode:
                continue
            low, high, place = p.low, p.high, p.limit_node
            if limit is not None:
                low, high = self._limit(limit, node.mode, state)
                place = limit
            found.append(Programmed(node, node.mode, level, low, high, place, between))
        return found

    def _gone_through(
        self, name: str, channel: ChannelState, found: Iterable[Programmed], state: State
    ) -> State:
        """The state with a series of levels in force, all of them at once."""
        self.walk.power.between(name, channel.programmed, found)
        channel = channel._replace(on=True, programmed=programs(*found))
        owns = [(p, channel.own, False) for p in channel.programmed.values()]
        return state.having(name, self.walk.power.in_force(name, channel, owns))

    def _stays(self, name: str, found: Iterable[Programmed], last: Value, state: State) -> State:
        """The state at the last level of a series that nothing can end early."""
        return self._gone_through(
            name,
            state.channels[name],
            [p._replace(level=last, between=()) for p in found],
            state,
        )

    def _train(
        self,
        width: tree.Expression,
        period: tree.Expression | None,
        count: Interval,
        state: State,
    ) -> Train:
        """The times of pulses; a period that a pulse may outlast is refused."""
        walk = self.walk
        self._positive(width, state, "width of this pulse", "there would be no pulse")
        walk.time(width, [state])
        wide = walk.value(width, state)
        fewest, most = (max(turns, 0.0) for turns in count)
        if period is None:
            return Train(wide, None, most, fewest)
        walk.time(period, [state])
        every = walk.value(period, state)
        algebra = walk.evaluation.algebra
        if every.low <= 0 or algebra.narrowest(algebra.binary("-", every, wide)).low < 0:
            walk.excess.plain(
                "pulse-outlasts-period",
                width.span,
                f"this pulse can last {write(wide.high, TIME)}, and its period can be as short as "
                f"{write(every.low, TIME)}",
                "make the pulse shorter or the period longer",
                tuple(spans_of_settings(walk.checked, (width, period))),
            )
        return Train(wide, every, most, fewest)

    def _pulses(
        self,
        name: tree.Name,
        found: list[Programmed],
        train: Train,
        others: tuple[tree.Name, ...],
        state: State,
    ) -> State | None:
        """The state after a train of pulses from what is programmed, which is in force again."""
        power, observing = self.walk.power, self.walk.observing
        # Before the run is blind for a pulse, the runner reads what has not been read for long.
        state = state.spending(observing.overrun_s(state))
        base = state.channels[name.id]
        owns = [(p, base.own, False) for p in programs(*found).values()]
        pulsing = power.in_force(name.id, base._replace(on=True), owns, train)
        power.edges(name.id, base, programs(*found).values(), train)
        wide_s = train.width.high
        state = state.having(name.id, pulsing)
        least_s = interval.product(train.fewest, train.width.low)
        state = state.spending(interval.product(train.most, wide_s), least_s)
        back = base._replace(on=True, own=base.own.joined(pulsing.own))
        again = [(p, back.own, False) for p in back.programmed.values()]
        if again:
            back = power.in_force(name.id, back, again)
        longest_s = least_s = 0.0
        if train.period is not None:
            # The last pulse's period is waited out, too.
            rest_s = max(train.period.high - train.width.low, 0.0)
            longest_s = interval.product(train.most, rest_s) + observing.overrun_s(state)
            rest_s = max(train.period.low - train.width.high, 0.0)
            least_s = interval.product(train.fewest, rest_s)
        longest_s += interval.product(train.most, observing.reading_s(others, state))
        state = state.having(name.id, back).spending(longest_s, least_s)
        return observing.read((name, *others), state, pulsed=True)

    def _positive(self, node: tree.Expression, state: State, what: str, consequence: str) -> None:
        value = self.walk.value(node, state)
        if value.low > 0:
            return
        dimension = self.walk.checked.dimensions.get(id(node))
        text = write(value.low, dimension) if dimension is not None else f"{value.low:.6g}"
        self.walk.excess.plain(
            "not-above-zero",
            node.span,
            f"the {what} can be {text}: {consequence}",
            "keep it above zero, by the span of its setting or by max(…)",
            tuple(spans_of_settings(self.walk.checked, node)),
        )

    def _limit(self, node: tree.Expression, mode: str, state: State) -> tuple[Value, Value]:
        """The two sides of a limit; one that makes no sense is refused."""
        quantity = OTHER[mode]
        walk = self.walk
        walk.has_value(node, state)
        algebra = walk.evaluation.algebra
        low, high = map(algebra.narrowest, walk.evaluation.ends(node, state, quantity))
        dimension = DIMENSION[quantity]
        if algebra.narrowest(algebra.binary("-", high, low)).low < 0:
            walk.excess.plain(
                "limit-reversed",
                node.span,
                f"the low side of this limit can be {write(low.high, dimension)}, above its high "
                f"side of {write(high.low, dimension)}",
                "write the sides so that the first is always the lower one",
            )
        elif mode == "voltage" and (low.high > 0 or high.low < 0):
            held = low.high if low.high > 0 else high.low
            walk.excess.plain(
                "limit-without-zero",
                node.span,
                f"a voltage source must be free to leave the current at 0 A, and this limit forces "
                f"{write(held, dimension)}",
                "write a limit that holds 0 A, or source a current",
            )
        return low, high

    def _same_sign(self, node: tree.Sweep, first: Value, last: Value) -> None:
        both = interval.hull(first.interval, last.interval)
        if both.low <= 0 <= both.high:
            dimension = DIMENSION[node.mode]
            self.walk.excess.plain(
                "sweep-through-zero",
                node.first.span.to(node.last.span),
                f"a logarithmic sweep goes by equal ratios, and its ends can be "
                f"{write(both.low, dimension)} and {write(both.high, dimension)}",
                "take both ends on one side of zero, or leave out logarithmic",
            )
