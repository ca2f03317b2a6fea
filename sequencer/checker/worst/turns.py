"""Loops: how often they turn, which states come out of them, and what all their turns may cost.

The first turns are followed one by one, within a budget; a loop comes to rest when a turn begins no
differently from the one before. Past the budget, turns are taken together and what still grows is
widened to the next landmark of the recipe (a constant, the end of a setting or rating), then to
infinity. Knows loops, and leaves what stands in them to the walk.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from functools import reduce
from typing import TYPE_CHECKING

from grammar import tree
from grammar.quantity import TIME, write
from sequencer.checker.naming.walking import nodes_of, steps_of
from sequencer.checker.worst import accounts
from sequencer.checker.worst.abstract import State, States, gathered, included, widened
from sequencer.checker.worst.accounts import EMPTY, NOTHING, Account, Ledger, Sums
from sequencer.checker.worst.interval import Interval, point, product
from sequencer.checker.worst.values import Value

if TYPE_CHECKING:
    from sequencer.checker.worst.transfer import Walk

TURNS_A_NEST = 1000
BODIES_A_RECIPE = 20_000

Loop = tree.Every | tree.Repeat | tree.ForIn | tree.ForCount
WAITING = (
    *(tree.Wait, tree.Every, tree.Repeat, tree.ForIn, tree.ForCount, tree.Settle, tree.WaitFor),
    *(tree.Sweep, tree.Ramp, tree.PulseStep, tree.CaptureStep, tree.Ask, tree.ConfirmStep),
)
"""The steps that loop or wait."""
Bind = Callable[[State, int | None], State]
"""Gives the loop's variable its value in turn k, or all of its values where k is None."""


class Plan:
    """How a loop turns: from `fewest` to `most` times.

    `exact` says that the variable has a value of its own in each turn. For a loop on a time grid,
    `period_s` is its shortest, `duration_s` its longest time, `skips` whether ticks are skipped.
    """

    def __init__(self, fewest: float, most: float, bind: Bind | None, exact: bool) -> None:
        self.fewest, self.most, self.bind, self.exact = fewest, most, bind, exact
        self.period_s = math.nan
        self.duration_s = math.nan
        self.least_s = 0.0
        """The shortest that a loop can take which runs for a time."""
        self.skips = False

    @property
    def timed(self) -> bool:
        """Whether it is a loop on a time grid."""
        return not math.isnan(self.duration_s)


class Spent:
    """What the turns of one loop cost, gathered turn by turn."""

    def __init__(self, start: Ledger) -> None:
        self.sum = self.turn = start.afresh()
        self.idle: dict[str, Sums] = dict.fromkeys(start.accounts, NOTHING)
        self.on_at_ends: set[str] = set()

    def begins(self, states: States) -> None:
        """A turn begins, or the loop waits for its next one, in these states."""
        for state in states:
            for name, channel in state.channels.items():
                self.idle[name] = accounts.larger(self.idle[name], channel.rates)
                if channel.on:
                    self.on_at_ends.add(name)

    def add(self, turn: Ledger, times: float) -> None:
        """So many turns that cost this much each."""
        self.turn = self.turn.joined(turn)
        found = {}
        for name, known in self.sum.accounts.items():
            one = turn.accounts[name]
            total = accounts.plus(known.total, accounts.times(one.total, times))
            found[name] = known._replace(total=total)
        self.sum = Ledger(self.sum.time_s + product(turn.time_s, times), found)


class Turns:
    """Follows the loops of one walk."""

    def __init__(self, walk: Walk) -> None:
        self.walk = walk
        self.depth = 0
        self.paced = 0
        """How many loops on a time grid are around the step at hand."""
        self.ends = False
        """Whether a run may end within a loop that was met so far."""
        self._nest = TURNS_A_NEST
        self._bodies = BODIES_A_RECIPE
        self._landmarks: list[float] | None = None

    def loop(self, node: Loop, states: States) -> States:
        """The states after a loop."""
        plan = self._plan(node, states)
        if self.depth == 0:
            self._nest = TURNS_A_NEST
        self.depth += 1
        self.paced += plan.timed
        exits, late = self._run(node, plan, states)
        self.paced -= plan.timed
        self.depth -= 1
        if not isinstance(node, tree.Every) or node.until is None:
            return gathered([*exits, *late])
        if node.otherwise is None:
            self.walk.ended[-1] += (state.ledger for state in late)
            return exits
        return gathered([*exits, *self.walk.block(node.otherwise, late)])

    def _run(self, node: Loop, plan: Plan, states: States) -> tuple[States, States]:
        """The states that leave the loop, and those in which its turns are used up."""
        entry = reduce(Ledger.joined, (state.ledger for state in states))
        spent = Spent(entry)
        exits: list[State] = []
        late: list[State] = list(states) if plan.fewest <= 0 else []
        heads = gathered([_afresh(state) for state in states])
        spent.begins(heads)
        done = 0
        while heads and done < plan.most:
            if self._nest <= 0 or self._bodies <= 0:
                self._together(node, plan, heads, done, spent, exits, late)
                break
            self._nest -= 1
            self._bodies -= 1
            after, turn = self._turn(node, plan, heads, done, exits)
            done += 1
            if done >= plan.fewest:
                late += after
            after = gathered([_afresh(state) for state in after])
            spent.begins(after)
            still = not plan.exact and included(after, heads)
            spent.add(turn, plan.most - done + 1 if still else 1.0)
            if still:
                late += after
                break
            heads = after
        ledger = entry.after(self._whole(node, plan, entry, spent))
        if self.ends:
            self.walk.ended[-1].append(ledger)
        names: Mapping[str, Value] = {}
        for state in states:
            names = {**names, **state.names} if names else state.names
        return tuple(  # type: ignore[return-value]
            gathered([state.charged(ledger).leaving(names) for state in group])
            for group in (exits, late)
        )

    def _together(
        self,
        node: Loop,
        plan: Plan,
        heads: States,
        done: int,
        spent: Spent,
        exits: list[State],
        late: list[State],
    ) -> None:
        """All further turns at once, widened until nothing grows any more."""
        steps = 0
        while True:
            after, turn = self._turn(node, plan, heads, None, exits)
            late += after
            after = gathered([_afresh(state) for state in after])
            spent.begins(after)
            if included(after, heads):
                spent.add(turn, plan.most - done)
                return
            if self._landmarks is None:
                self._landmarks = landmarks(self.walk)
            both = gathered([*heads, *after])
            heads = widened(heads, both, self._landmarks, steps)
            steps += 1

    def _turn(
        self, node: Loop, plan: Plan, heads: States, k: int | None, exits: list[State]
    ) -> tuple[States, Ledger]:
        """One turn: the states in which the loop goes on, and what it cost at most."""
        walk, bind = self.walk, plan.bind
        if bind is not None:
            heads = gathered([bind(state, k) for state in heads])
        walk.leaves.append([])
        walk.ended.append([])
        after = walk.block(node.body, heads)
        left, ended = walk.leaves.pop(), walk.ended.pop()
        self.ends |= bool(ended)
        turn = heads[0].ledger.afresh()
        for ledger in (*ended, *(s.ledger for s in (*after, *left))):
            turn = turn.joined(ledger)
        exits += left
        until = node.until if isinstance(node, tree.Every) else None
        if until is None:
            return after, turn
        for state in after:
            walk.has_value(until, state, of_readings=False)
        ways = [walk.evaluation.split(until, state) for state in after]
        exits += [state for state, _ in ways if state is not None]
        return gathered([state for _, state in ways if state is not None]), turn

    def _whole(self, node: Loop, plan: Plan, entry: Ledger, spent: Spent) -> Ledger:
        """What the whole loop cost at most, set against the periods that began before it."""
        time_s = spent.sum.time_s
        if plan.timed:
            time_s = self._time(plan, spent.turn.time_s)
        if math.isinf(plan.most) and not plan.timed:
            self._endless(node)
        switched = {s.channel.id for s in steps_of(node.body) if isinstance(s, tree.Output)}
        found = {}
        for name, before in entry.accounts.items():
            turn = spent.turn.accounts.get(name, EMPTY)
            total = spent.sum.accounts[name].total
            if plan.timed:
                waiting = accounts.times(spent.idle[name], plan.duration_s)
                most = accounts.times(turn.rates, time_s)
                total = accounts.capped(accounts.plus(total, waiting), most)
            if name in switched and name not in spent.on_at_ends:
                # Every period of the output lies within one turn.
                since, best = turn.since, turn.best
            else:
                since = best = accounts.plus(before.since, total)
            found[name] = Account(total, since, best, turn.rates)
        leaves = any(isinstance(step, tree.Leave) for step in steps_of(node.body))
        return Ledger(time_s, found, 0.0 if leaves else plan.least_s)

    def _time(self, plan: Plan, turn_s: float) -> float:
        """The longest that a loop on a grid can take (s): its time, and its last turn.

        Where turns are late instead of skipped, all of them run however long they take.
        """
        if plan.skips or turn_s <= plan.period_s:
            return plan.duration_s + turn_s
        return max(plan.duration_s + turn_s, product(plan.most, turn_s))

    def _endless(self, node: Loop) -> None:
        self.walk.excess.plain(
            "unbounded-loop",
            node.span,
            "nothing bounds how often this loop turns, nor how long it takes",
            "bound the count, as in repeat min(n, 100) times",
        )

    def _plan(self, node: Loop, states: States) -> Plan:
        match node:
            case tree.Every():
                return self._plan_every(node, states)
            case tree.Repeat():
                assert node.count is not None
                counts = [_whole(self.walk.value(node.count, state)) for state in states]
                return Plan(min(c.low for c in counts), max(c.high for c in counts), None, False)
            case tree.ForCount():
                return self._plan_count(node, states)
            case tree.ForIn():
                return self._plan_list(node, states)

    def _plan_every(self, node: tree.Every, states: States) -> Plan:
        walk = self.walk
        longest = node.duration if node.duration is not None else node.at_most
        assert longest is not None
        duration = walk.time(longest, states)
        shortest = min(walk.evaluation.value(longest, state).low for state in states)
        periods = [walk.value(node.period, state) for state in states]
        period = min(p.low for p in periods)
        if not period > 0:
            walk.excess.plain(
                "period-not-positive",
                node.period.span,
                f"this period can be {write(period, TIME)}, and a grid needs one above zero",
                "bound it, as in max(period, 100 ms)",
            )
        most = _ticks(duration, period)
        skips = any(_takes_time(step) for step in steps_of(node.body))
        fewest = 1.0 if skips else max(1.0, _ticks(shortest, max(p.high for p in periods)))
        plan = Plan(fewest, most, None, False)
        plan.period_s, plan.skips = period, skips
        # The runner's own readings may outlast the tick or the end that it waits for.
        on_in_it = any(isinstance(step, tree.Output) for step in steps_of(node.body))
        plan.duration_s = duration + max(walk.observing.overrun_s(s, on_in_it) for s in states)
        plan.least_s = max(shortest, 0.0) if node.until is None else 0.0
        return plan

    def _plan_count(self, node: tree.ForCount, states: States) -> Plan:
        firsts = [_whole(self.walk.value(node.first, state)) for state in states]
        lasts = [_whole(self.walk.value(node.last, state)) for state in states]
        first = Interval(min(v.low for v in firsts), max(v.high for v in firsts))
        last = Interval(min(v.low for v in lasts), max(v.high for v in lasts))
        exact = first.low == first.high

        def value(k: int | None) -> Interval:
            if k is not None and exact:
                return point(first.low + k)
            return Interval(first.low, max(first.low, last.high))

        fewest, most = last.low - first.high + 1, last.high - first.low + 1
        return self._bound(node, fewest, most, value, exact)

    def _plan_list(self, node: tree.ForIn, states: States) -> Plan:
        call = node.values
        assert isinstance(call, tree.Call)
        found = [[self.walk.value(a.value, state) for a in call.arguments] for state in states]
        columns = [
            Interval(min(v.low for v in column), max(v.high for v in column))
            for column in zip(*found, strict=True)
        ]
        if call.function.id == "values":
            whole = Interval(min(c.low for c in columns), max(c.high for c in columns))
            count = float(len(columns))
            return self._bound(
                node, count, count, lambda k: whole if k is None else columns[k], True
            )
        whole = Interval(min(c.low for c in columns[:2]), max(c.high for c in columns[:2]))
        points = Interval(float(round(columns[2].low)), _rounded(columns[2].high))
        a, b, n = columns[0].low, columns[1].low, points.low
        exact = call.function.id == "linear" and all(c.low == c.high for c in columns) and n > 1

        def value(k: int | None) -> Interval:
            return point(a + (b - a) * (k / (n - 1))) if exact and k is not None else whole

        return self._bound(node, points.low, points.high, value, exact)

    def _bound(
        self,
        node: tree.ForIn | tree.ForCount,
        fewest: float,
        most: float,
        value: Callable[[int | None], Interval],
        exact: bool,
    ) -> Plan:
        name = node.name.id
        if name not in self.walk.followed:
            return Plan(fewest, most, None, False)
        return Plan(fewest, most, lambda state, k: state.naming(name, Value(value(k))), exact)


def _takes_time(step: tree.Step) -> bool:
    """Whether a step may keep a loop from its next tick on purpose, which is then skipped."""
    if isinstance(step, tree.If):
        return any(isinstance(arm.condition, tree.Confirm) for arm in step.arms)
    return isinstance(step, WAITING)


def _afresh(state: State) -> State:
    """The state with nothing spent yet, its rates noted."""
    return state.charged(state.ledger.afresh()).spending(0.0)


def _whole(value: Value) -> Interval:
    return Interval(_rounded(value.low), _rounded(value.high))


def _rounded(value: float) -> float:
    return float(round(value)) if math.isfinite(value) else value


def _ticks(duration: float, period: float) -> float:
    """How many turns a grid has: at 0, P, 2 P … up to the duration."""
    if period <= 0 or math.isinf(duration):
        return math.inf
    return math.floor(duration / period * (1 + 1e-12)) + 1.0


def landmarks(walk: Walk) -> list[float]:
    """The recipe's constants and their negatives, the ends of settings and ratings, in order."""
    recipe = walk.checked.recipe
    found = {0.0}
    for node in nodes_of((recipe.steps, recipe.final)):
        if isinstance(node, tree.Number):
            found |= {node.quantity.value, -node.quantity.value}
    for facts in walk.checked.settings.values():
        found |= {v for v in (facts.low, facts.high, facts.value) if v is not None}
    for part in walk.checked.parts.values():
        found |= {end for rating in part.ratings.values() for end in rating}
    return sorted(v for v in found if math.isfinite(v))
