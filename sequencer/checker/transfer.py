"""The worst case of every step: which states may follow on those before it, and what they cost.

Follows all paths at once; loops have a file of their own. Readings lie in the ratings of the part,
since its guards see each of them first; in `finally`, where a guard that has tripped no longer
does, nothing is known of them.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING

from grammar import tree
from grammar.quantity import CURRENT, LINE_CYCLES, VOLTAGE, write
from sequencer.checker import interval
from sequencer.checker.abstract import (
    ChannelState,
    Programmed,
    State,
    States,
    gathered,
    programs,
)
from sequencer.checker.accounts import NOTHING, Ledger
from sequencer.checker.evaluation import Evaluation
from sequencer.checker.excess import Excess
from sequencer.checker.facts import Checked
from sequencer.checker.hints import spans_of_settings
from sequencer.checker.interval import EVERYTHING, Interval
from sequencer.checker.power import Power
from sequencer.checker.scope import nodes_of
from sequencer.checker.turns import Turns
from sequencer.checker.values import Value
from sequencer.checker.words import written

if TYPE_CHECKING:
    from collections.abc import Set

_OTHER = {"voltage": "current", "current": "voltage"}
_DIMENSION = {"voltage": VOLTAGE, "current": CURRENT}


class Walk:
    """One pass over a recipe.

    `readings` are the bounds of a reading by channel; `followed` the names that can reach a level,
    limit, time, count or condition: others are not followed, so that a mere tally in a loop costs
    nothing. `cycle_s` is the length of a power line cycle.
    """

    def __init__(
        self,
        checked: Checked,
        evaluation: Evaluation,
        power: Power,
        excess: Excess,
        readings: Mapping[str, tuple[Interval, Interval]],
        followed: Set[str],
        cycle_s: float,
    ) -> None:
        self.checked = checked
        self.evaluation = evaluation
        self.power = power
        self.excess = excess
        self.readings = readings
        self.followed = followed
        self.cycle_s = cycle_s
        self.final = False
        self.unpaced = False
        """Whether a reading was met that no time grid paces."""
        self.set_up: dict[str, ChannelState] = {}
        """The largest of all that `setup` names, by channel: `finally` may come after any of it."""
        self.leaves: list[list[State]] = []
        self.ended: list[list[Ledger]] = [[]]
        self.turns = Turns(self)
        self._guards = [
            (names.pop(), guard.condition)
            for guard in checked.recipe.guards
            if len(names := _channels(guard.condition)) == 1
        ]

    def block(self, block: tree.Block | None, states: States) -> States:
        """The states after a block, whose own names are gone by then."""
        outer = [name for state in states.values() for name in state.names]
        for step in block or ():
            if not states:
                break
            states = self._step(step, states)
        return gathered(state.leaving(dict.fromkeys(outer)) for state in states.values())

    def _step(self, node: tree.Step, states: States) -> States:
        match node:
            case tree.If():
                return self._if(node, states)
            case tree.Every() | tree.Repeat() | tree.ForIn() | tree.ForCount():
                return self.turns.loop(node, states)
            case tree.Leave():
                self.leaves[-1] += states.values()
                return {}
            case tree.Stop() | tree.Fail():
                self.ended[-1] += (state.ledger for state in states.values())
                return {}
        found = (self._simple(node, state) for state in states.values())
        return gathered(state for state in found if state is not None)

    def _simple(self, node: tree.Step, state: State) -> State | None:
        """The state after a step that doesn't branch, None where a guard ends every run here."""
        match node:
            case tree.Setup():
                return self._setup(node, state)
            case tree.SourceStep():
                return self._source(node, state)
            case tree.Output():
                return self._output(node, state)
            case tree.Measure():
                return self._measure(node.channels, state, 1.0, 0.0)
            case tree.Wait():
                return state.spending(self.time(node.duration, [state]))
            case tree.Sweep():
                return self._sweep(node, state)
            case tree.Let() | tree.Set():
                name = node.name.id
                if name not in self.followed:
                    return state
                return state.naming(name, self.evaluation.value(node.value, state))
        return state

    def _if(self, node: tree.If, states: States) -> States:
        after: list[State] = []
        rest = list(states.values())
        for arm in node.arms:
            assume = self.evaluation.assume
            inside = [assume(arm.condition, state, True) for state in rest]
            outside = [assume(arm.condition, state, False) for state in rest]
            entered = gathered(state for state in inside if state is not None)
            after += self.block(arm.body, entered).values()
            rest = [state for state in outside if state is not None]
        after += self.block(node.otherwise, gathered(rest)).values()
        return gathered(after)

    def value(self, node: tree.Expression, state: State) -> Value:
        """A value that a level, limit, time or count is made of: dividing by zero is refused."""
        self._divisors(node, state)
        return self.evaluation.value(node, state)

    def _divisors(self, node: tree.Expression, state: State) -> None:
        for inner in nodes_of(node):
            if not isinstance(inner, tree.Binary) or inner.operator != "/":
                continue
            under = self.evaluation.value(inner.right, state)
            if not under.interval.holds(0.0):
                continue
            text = written(self.checked.problems.source, inner.right.span)
            related = spans_of_settings(self.checked, inner.right)
            self.excess.plain(
                "division-by-zero",
                inner.right.span,
                f"`{text}` can be zero here, and this divides by it",
                "keep it off zero: by the span of its setting, by `require`, or by an `if` around "
                "this step",
                tuple(related),
            )

    def time(self, node: tree.Expression, states: Iterable[State]) -> float:
        """The longest that a time can be (s), not negative; one without a bound is refused."""
        longest = max((self.value(node, state).high for state in states), default=0.0)
        if longest == math.inf:
            self.excess.plain(
                "unbounded-time",
                node.span,
                "nothing bounds this time",
                f"bound it, as in min({written(self.checked.problems.source, node.span)}, 10 min)",
            )
        return max(longest, 0.0)

    def _setup(self, node: tree.Setup, state: State) -> State:
        name = node.channel.id
        channel = state.channels.get(name)
        if channel is None:
            return state
        volts, amperes = channel.named
        for item in node.items:
            auto = isinstance(item.value, tree.Name) and item.value.id == "auto"
            value = 0.0 if auto else self.evaluation.value(item.value, state).high
            match item.name.id:
                case "aperture":
                    cycles = self.checked.dimensions.get(id(item.value)) == LINE_CYCLES
                    channel = channel._replace(aperture_s=value * (self.cycle_s if cycles else 1.0))
                case "average":
                    channel = channel._replace(average=max(1.0, value))
                case "voltage range":
                    volts = value
                case "current range":
                    amperes = value
        channel = channel._replace(named=(volts, amperes))
        plain = ChannelState(aperture_s=channel.aperture_s, average=channel.average)
        plain = plain._replace(named=channel.named)
        self.set_up[name] = plain.joined(self.set_up.get(name, plain))
        return state.having(name, channel)

    def _source(self, node: tree.SourceStep, state: State) -> State:
        name = node.channel.id
        assert node.limit is not None
        level = self.value(node.level, state)
        low, high = self._limit(node, node.limit, node.mode, state)
        p = Programmed(node, node.mode, level, low, high, node.limit)
        channel = state.channels[name]
        before = channel.modes
        channel = channel._replace(sourced=programs(p), programmed=programs(p))
        if not channel.on:
            return state.having(name, channel)
        place = self.power.terminals[name]
        own, looked = channel.own, False
        if _OTHER[p.mode] in before:
            seen = place.looked(p, place.looks_on)
            if seen is not None:
                own, looked = (seen if before == {"voltage"} else seen.joined(own)), True
        channel = self.power.in_force(name, channel, [(p, own, looked)])
        # No time passes, but its rates count for all the time that may yet.
        return state.having(name, channel).spending(0.0)

    def _limit(
        self, step: tree.Step, node: tree.Expression, mode: str, state: State
    ) -> tuple[Value, Value]:
        """The two sides of a limit; one that makes no sense is refused."""
        quantity = _OTHER[mode]
        self._divisors(node, state)
        low, high = self.evaluation.ends(node, state, quantity)
        dimension = _DIMENSION[quantity]
        if self.evaluation.algebra.binary("-", high, low).low < 0:
            self.excess.plain(
                "limit-reversed",
                node.span,
                f"the low side of this limit can be {write(low.high, dimension)}, above its high "
                f"side of {write(high.low, dimension)}",
                "write the sides so that the first is always the lower one",
            )
        elif mode == "voltage" and (low.high > 0 or high.low < 0):
            held = low.high if low.high > 0 else high.low
            self.excess.plain(
                "limit-without-zero",
                node.span,
                f"a voltage source must be free to leave the current at 0 A, and this limit forces "
                f"{write(held, dimension)}",
                "write a limit that holds 0 A, or source a current",
            )
        return low, high

    def _output(self, node: tree.Output, state: State) -> State:
        name = node.channel.id
        channel = state.channels.get(name)
        if channel is None:
            # Nothing is ever sourced there: a meter without a part.
            return state
        place = self.power.terminals[name]
        if not node.on:
            channel = channel._replace(on=False, on_by=frozenset(), own=place.own, rates=NOTHING)
            return state.having(name, channel).charged(state.ledger.switched(name))
        if not channel.sourced:
            return state
        ledger = state.ledger if channel.on else state.ledger.switched(name)
        channel = channel._replace(
            on=True,
            on_by=frozenset((id(node),)),
            programmed=channel.sourced,
            ranges=channel.named,
        )
        owns = []
        for p in channel.sourced.values():
            seen = place.looked(p, place.looks_open)
            owns.append((p, seen or place.own, seen is not None))
        channel = self.power.in_force(name, channel, owns)
        # The runner takes a reading of its own as soon as the output is on.
        return state.charged(ledger).having(name, channel).spending(channel.reading_s)

    def _measure(
        self, names: Iterable[tree.Name], state: State, times: float, settle_s: float
    ) -> State | None:
        """So many readings of each of some channels, and a time before each."""
        channels = [name.id for name in names]
        own = sum(
            state.channels[name].reading_s if name in state.channels else self.cycle_s
            for name in channels
        )
        if not self.turns.paced and any(c.on for c in state.channels.values()):
            self.unpaced = True
        state = state.spending(interval.product(times, own + settle_s))
        for name in channels:
            bounds = (EVERYTHING, EVERYTHING) if self.final else self.readings[name]
            state = state.reading(name, (Value(bounds[0]), Value(bounds[1])))
            for guarded, condition in self._guards:
                if guarded != name or self.final:
                    continue
                kept = self.evaluation.assume(condition, state, True)
                if kept is None:
                    self.ended[-1].append(state.ledger)
                    return None
                state = state.reading(name, kept.readings[name])
        return state

    def _sweep(self, node: tree.Sweep, state: State) -> State | None:
        name = node.channel.id
        channel = state.channels[name]
        first, last = self.value(node.first, state), self.value(node.last, state)
        if node.logarithmic:
            self._same_sign(node, first, last)
        settle_s = self.time(node.settle, [state]) if node.settle is not None else 0.0
        points = self.value(node.points, state).high
        found = []
        for p in channel.sourced.values():
            low, high, limit = p.low, p.high, p.limit_node
            if node.limit is not None:
                low, high = self._limit(node, node.limit, node.mode, state)
                limit = node.limit
            level = first.joined(last)
            found.append(Programmed(node, node.mode, level, low, high, limit))
        channel = channel._replace(on=True, programmed=programs(*found))
        if not found:
            return state
        owns = [(p, channel.own, False) for p in channel.programmed.values()]
        state = state.having(name, self.power.in_force(name, channel, owns))
        return self._measure((node.channel, *node.reading), state, max(points, 0.0), settle_s)

    def _same_sign(self, node: tree.Sweep, first: Value, last: Value) -> None:
        both = interval.hull(first.interval, last.interval)
        if both.low <= 0 <= both.high:
            dimension = _DIMENSION[node.mode]
            self.excess.plain(
                "sweep-through-zero",
                node.first.span.to(node.last.span),
                f"a logarithmic sweep goes by equal ratios, and its ends can be "
                f"{write(both.low, dimension)} and {write(both.high, dimension)}",
                "take both ends on one side of zero, or leave out logarithmic",
            )


def _channels(node: object) -> set[str]:
    """The channels whose readings an expression looks at."""
    return {inner.base.id for inner in nodes_of(node) if isinstance(inner, tree.Member)}
