"""The worst case of steps: which states may follow on those before each, and what it costs.

Follows all paths at once. What steps do that program, switch, read, wait or ask stands in files of
their own, and so do loops. Knows blocks, branches and names, and hands on the rest.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping

from grammar import tree
from sequencer.checker.facts import Checked
from sequencer.checker.naming.walking import nodes_of
from sequencer.checker.naming.words import written
from sequencer.checker.worst.abstract import State, States, gathered
from sequencer.checker.worst.accounts import Ledger
from sequencer.checker.worst.evaluation import Evaluation
from sequencer.checker.worst.excess import Excess
from sequencer.checker.worst.followed import Followed
from sequencer.checker.worst.hints import spans_of_settings
from sequencer.checker.worst.observing import Bounds, Observing
from sequencer.checker.worst.power import Power
from sequencer.checker.worst.sourcing import Sourcing
from sequencer.checker.worst.turns import Turns
from sequencer.checker.worst.values import Value


class Walk:
    """One pass over a recipe.

    `bounds` are those of readings; `followed` the names that can reach a level, limit, time, count
    or condition: others are not followed, so that a mere tally in a loop costs nothing, and these
    only as long as something looks at them. `cycle_s` is the length of a power line cycle.
    """

    def __init__(
        self,
        checked: Checked,
        evaluation: Evaluation,
        power: Power,
        excess: Excess,
        bounds: Bounds,
        followed: Followed,
        cycle_s: float,
    ) -> None:
        self.checked = checked
        self.evaluation = evaluation
        self.power = power
        self.excess = excess
        self.followed, self.gone = followed
        self.cycle_s = cycle_s
        self.final = False
        self.asks = False
        """Whether a step was met that asks the person."""
        self.leaves: list[list[State]] = []
        self.ended: list[list[Ledger]] = [[]]
        self.turns = Turns(self)
        self.sourcing = Sourcing(self)
        self.observing = Observing(self, bounds)

    def block(self, block: tree.Block | None, states: States) -> States:
        """The states after a block, whose own names are gone by then."""
        outer: Mapping[str, Value] = {}
        for state in states:
            outer = {**outer, **state.names} if outer else state.names
        for step in block or ():
            if not states:
                break
            states = self._step(step, states)
            if id(step) in self.gone:
                states = [state.losing(self.gone[id(step)]) for state in states]
        return gathered([state.leaving(outer) for state in states])

    def _step(self, node: tree.Step, states: States) -> States:
        match node:
            case tree.If():
                return self._if(node, states)
            case tree.Every() | tree.Repeat() | tree.ForIn() | tree.ForCount():
                return self.turns.loop(node, states)
            case tree.Called():
                with self.excess.called(node.do.span):
                    return self.block(node.body, states)
            case tree.CaptureStep():
                return self.observing.capture(node, states)
            case tree.Settle():
                return self.observing.settle(node, states)
            case tree.WaitFor():
                return self.observing.wait_for(node, states)
            case tree.Leave():
                self.leaves[-1] += states
                return ()
            case tree.Stop() | tree.Fail():
                self.ended[-1] += (state.ledger for state in states)
                return ()
        found = [self._simple(node, state) for state in states]
        return gathered([state for state in found if state is not None])

    def _simple(self, node: tree.Step, state: State) -> State | None:
        """The state after a step that doesn't branch, None where a guard ends every run here."""
        match node:
            case tree.Setup():
                return self.sourcing.setup(node, state)
            case tree.SourceStep():
                return self.sourcing.source(node, state)
            case tree.Output():
                return self.sourcing.output(node, state)
            case tree.Sweep():
                return self.sourcing.sweep(node, state)
            case tree.Ramp():
                return self.sourcing.ramp(node, state)
            case tree.PulseStep():
                return self.sourcing.pulse(node, state)
            case tree.Measure():
                return self.observing.measure(node, state)
            case tree.Wait():
                shortest_s = self.evaluation.value(node.duration, state).low
                longest_s = self.time(node.duration, [state]) + self.observing.overrun_s(state)
                return state.spending(longest_s, shortest_s)
            case tree.Ask():
                return self.observing.ask(node, state)
            case tree.ConfirmStep():
                return self.observing.confirm(state)
            case tree.Let() | tree.Set():
                name = node.name.id
                if name not in self.followed:
                    return state
                return state.naming(name, self.evaluation.value(node.value, state))
            case tree.Switch() | tree.Say() | tree.Note() | tree.Reset():
                # A line, a word and a counter change nothing of what a source imposes.
                return state
            case _:
                raise TypeError(f"nothing is known of what a {type(node).__name__} imposes")

    def _if(self, node: tree.If, states: States) -> States:
        after: list[State] = []
        rest = list(states)
        for arm in node.arms:
            if isinstance(arm.condition, tree.Confirm):
                rest = [self.observing.asked(state) for state in rest]
            ways = [self.evaluation.split(arm.condition, state) for state in rest]
            entered = gathered([state for state, _ in ways if state is not None])
            after += self.block(arm.body, entered)
            rest = [state for _, state in ways if state is not None]
        after += self.block(node.otherwise, gathered(rest))
        return gathered(after)

    def value(self, node: tree.Expression, state: State) -> Value:
        """A value that a level, limit, time or count is made of: dividing by zero is refused."""
        self.divisors(node, state)
        return self.evaluation.algebra.narrowest(self.evaluation.value(node, state))

    def divisors(self, node: tree.Expression, state: State) -> None:
        """Refuse an expression that may divide by zero."""
        if isinstance(node, tree.Number | tree.Name | tree.Member):
            return
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
