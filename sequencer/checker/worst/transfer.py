"""The worst case of steps: which states may follow on those before each, and what it costs.

Follows all paths at once. What steps do that program, switch, read, wait or ask stands in files of
their own, and so do loops. Knows blocks, branches and names, and hands on the rest.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping

from grammar import tree
from grammar.quantity import TIME, write
from sequencer.checker.facts import Checked
from sequencer.checker.naming.walking import nodes_of
from sequencer.checker.naming.words import written
from sequencer.checker.worst.abstract import State, States, gathered
from sequencer.checker.worst.accounts import Ledger
from sequencer.checker.worst.evaluation import Evaluation
from sequencer.checker.worst.excess import Excess
from sequencer.checker.worst.followed import Followed
from sequencer.checker.worst.hints import spans_of_settings
from sequencer.checker.worst.needs import doubtful
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
                self.has_value(node.value, state, of_readings=False)
                name = node.name.id
                if name not in self.followed:
                    return state
                return state.naming(name, self.evaluation.value(node.value, state))
            case tree.Say() | tree.Note():
                self.has_value(node.text.parts, state, of_readings=False)
                return state
            case tree.Switch() | tree.Reset():
                # A line and a counter change nothing of what a source imposes.
                return state
            case _:
                raise TypeError(f"nothing is known of what a {type(node).__name__} imposes")

    def _if(self, node: tree.If, states: States) -> States:
        after: list[State] = []
        rest = list(states)
        for arm in node.arms:
            if isinstance(arm.condition, tree.Confirm):
                rest = [self.observing.asked(state) for state in rest]
            for state in rest:
                self.has_value(arm.condition, state, of_readings=False)
            ways = [self.evaluation.split(arm.condition, state) for state in rest]
            entered = gathered([state for state, _ in ways if state is not None])
            after += self.block(arm.body, entered)
            rest = [state for _, state in ways if state is not None]
        after += self.block(node.otherwise, gathered(rest))
        return gathered(after)

    def value(self, node: tree.Expression, state: State) -> Value:
        """A value that a level, limit, time or count is made of, and that it surely has."""
        self.has_value(node, state)
        return self.evaluation.algebra.narrowest(self.evaluation.value(node, state))

    def has_value(self, node: object, state: State, of_readings: bool = True) -> None:
        """Refuse expressions that may have no value: divided by zero, a root of what is negative.

        Where nothing is imposed by them only what hangs on settings alone is: of a reading nobody
        knows how near it comes (not `of_readings`).
        """
        if isinstance(node, tree.Number | tree.Name | tree.Member):
            return
        for inner in nodes_of(node):
            found = doubtful(inner, lambda node: self.evaluation.value(node, state).interval)
            if found is None:
                continue
            operand, needs = found
            value = self.evaluation.value(operand, state)
            if needs.met_by(value.interval) or not (of_readings or value.form is not None):
                continue
            text = written(self.checked.problems.source, operand.span)
            never = value.low == value.high
            self.excess.plain(
                needs.slug,
                operand.span,
                needs.never if never else f"`{text}` can be {needs.wrong} here, {needs.why}",
                "write another value"
                if never
                else f"keep it {needs.right}: by the span of its setting, by `require`, or by an "
                "`if` around this step",
                tuple(spans_of_settings(self.checked, operand)),
            )

    def time(self, node: tree.Expression, states: Iterable[State]) -> float:
        """The longest that a time can be (s), not negative; one without a bound is refused."""
        values = [self.value(node, state) for state in states]
        longest = max((value.high for value in values), default=0.0)
        shortest = min((v.low for v in values if v.form is not None), default=0.0)
        if shortest < 0:
            self.excess.plain(
                "not-above-zero",
                node.span,
                f"this time can be {write(shortest, TIME)}, less than none",
                "keep it from zero up, by the span of its setting or by max(…)",
                tuple(spans_of_settings(self.checked, node)),
            )
        if longest == math.inf:
            self.excess.plain(
                "unbounded-time",
                node.span,
                "nothing bounds this time",
                f"bound it, as in min({written(self.checked.problems.source, node.span)}, 10 min)",
            )
        return max(longest, 0.0)
