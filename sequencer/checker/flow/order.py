"""Order: what must have come before a step on every path to it, and whether it can be reached.

Follows the paths of the recipe through states that say what is certain and what is possible; a
loop's body is followed until its state no longer changes. Values, units and limits are not known
here.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from grammar import tree
from grammar.diagnostic import Related, Span
from sequencer.checker.expressions.calls import OVER_TRACES
from sequencer.checker.expressions.readings import COUNTERS
from sequencer.checker.flow import loops
from sequencer.checker.flow.powered import Powered
from sequencer.checker.flow.states import ChannelState, State, join
from sequencer.checker.naming.scope import Workings
from sequencer.checker.naming.walking import Filling, nodes_of, read_by

if TYPE_CHECKING:
    from drivers.bench_file import BenchFile

Loop = tree.Repeat | tree.ForIn | tree.ForCount
FASTEST_MAINS_HZ = 60.0
"""The highest usual mains frequency: without a bench, no power line cycle is shorter."""
_NOT_LOOKED_AT = frozenset(("body", "otherwise", "counter"))
"""The fields of a step that hold no expression which it works out."""


def check_order(work: Workings, bench: BenchFile | None) -> None:
    """The steps from the start, and those of `finally` from a state in which nothing is certain."""
    if not work.lost_in.isdisjoint(("steps", "finally", "procedure")):
        # Which way the paths go is anyone's guess where some of the steps could not be read.
        return
    cycle = 1 / (bench.line_frequency_hz if bench is not None else FASTEST_MAINS_HZ)
    start = State({name: ChannelState(cycle) for name in work.checked.channels})
    paths = Paths(work, cycle)
    paths.block(work.checked.recipe.steps, start)
    paths.block(work.checked.recipe.final, start)


class Paths:
    """Follows the paths of one recipe; `cycle_s` is the length of a power line cycle."""

    def __init__(self, work: Workings, cycle_s: float) -> None:
        self.work = work
        self.cycle_s = cycle_s
        self.powered = Powered(work)
        self.leaves: list[list[State]] = []
        self._begun: dict[int, State] = {}

    def block(self, block: tree.Block, state: State | None) -> State | None:
        """The state after a block, None where no path comes to its end."""
        before: tree.Step | None = None
        for step in block:
            if state is None:
                assert before is not None
                self._unreachable(step, before)
                return None
            state = self.step(step, state)
            before = step
        return state

    def step(self, node: tree.Step, state: State) -> State | None:
        """The state after a step, None where the run or the loop ends with it."""
        match node:
            case tree.If():
                return self._if(node, state)
            case tree.Every():
                return self._every(node, state)
            case tree.Repeat() | tree.ForIn() | tree.ForCount():
                self._uses(node, state)
                after = self._turns(node, state)
                return after if self._turns_once(node) else join(state, after)
            case tree.CaptureStep():
                return self._capture(node, state)
            case tree.Called():
                return self._called(node, state)
            case tree.Leave():
                self._leave(node, state)
                return None
            case tree.Sweep() | tree.Ramp():
                self._uses(node, state, but=node.until)
                return self._series(node, state)
            case tree.Settle():
                return self._settle(node, state)
            case _:
                self._uses(node, state)
        match node:
            case tree.Stop() | tree.Fail():
                return None
            case tree.SourceStep():
                return self.powered.source(node, state)
            case tree.Output():
                return self.powered.output(node, state)
            case tree.PulseStep():
                self.powered.level(node, state)
                return self._read(node, state)
            case tree.Measure():
                for name in node.channels:
                    self.powered.needs_open(name, state)
                return self._read(node, state)
            case tree.Setup():
                return loops.after_setup(self.work, node, state, self.cycle_s)
            case tree.WaitFor():
                return self._otherwise(node.otherwise, state)
        return state

    def _read(self, node: Filling, state: State) -> State:
        into = node.into.id if node.into is not None else None
        return state.measured((name.id for name in read_by(node)), into)

    def _otherwise(self, block: tree.Block | None, after: State) -> State | None:
        """Where a wait may run out of time: its `otherwise`, or the end of the run."""
        return after if block is None else join(after, self.block(block, after))

    def _called(self, node: tree.Called, state: State) -> State | None:
        """The steps of a procedure, whose `leave` doesn't reach out of it."""
        outer, self.leaves = self.leaves, []
        with self.work.problems.called_from(node.do.span):
            after = self.block(node.body, state)
        self.leaves = outer
        return after

    def _capture(self, node: tree.CaptureStep, state: State) -> State | None:
        """The steps meanwhile; samples are there afterwards, unless a trigger may not come."""
        self._uses(node, state, but=node.trigger)
        self.leaves.append([])
        after = self.block(node.body, state)
        for other in self.leaves.pop():
            after = join(after, other)
        if after is None or node.trigger is not None:
            return after
        return self._read(node, after)

    def _settle(self, node: tree.Settle, state: State) -> State | None:
        self._uses(node, state, but=node.reading)
        self.powered.needs_open(node.reading.base, state)
        if node.period is not None:
            loops.check_fits(self.work, node.period, [node.reading.base.id], state)
        return self._otherwise(node.otherwise, self._read(node, state))

    def _series(self, node: tree.Sweep | tree.Ramp, state: State) -> State:
        """A sweep or ramp goes on from the last source, with a reading at each level."""
        self.powered.level(node, state)
        for other in node.reading:
            self.powered.needs_open(other, state)
        after = self._read(node, state)
        if node.until is not None:
            self._readings(node.until, after)
            loops.check_condition(self.work, node)
        return self.powered.on_after(node, after)

    def _if(self, node: tree.If, state: State) -> State | None:
        after: State | None = None
        for arm in node.arms:
            self._readings(arm.condition, state)
            after = join(after, self.block(arm.body, state))
        if node.otherwise is None:
            return join(after, state)
        return join(after, self.block(node.otherwise, state))

    def _every(self, node: tree.Every, state: State) -> State | None:
        """A loop in time runs its body once at least, then looks at its condition."""
        self._uses(node, state, but=node.until)
        self.leaves.append([])
        after = self._fixed(node, state)
        left = self.leaves.pop()
        if after is not None and node.until is not None:
            self._readings(node.until, after)
        loops.check_condition(self.work, node)
        loops.check_period(self.work, node, state)
        outcome = self._otherwise(node.otherwise, after) if after is not None else None
        for other in left:
            outcome = join(outcome, other)
        return outcome

    def _turns(self, node: Loop, state: State) -> State | None:
        self.leaves.append([])
        after = self._fixed(node, state)
        for other in self.leaves.pop():
            after = join(after, other)
        return after

    def _fixed(self, node: Loop | tree.Every, state: State) -> State | None:
        """The state after the last turn: a turn may begin as the loop did, or as the last ended.

        States only ever lose certainty, of a few things a channel, so this ends after a few rounds.
        A loop inside another goes on from what it found when the outer one last came by, which the
        same argument allows: else the rounds of a nest would multiply.
        """
        state = join(state, self._begun.get(id(node))) or state
        while True:
            after = self.block(node.body, state)
            joined = join(state, after)
            if after is None or joined is None or joined == state:
                self._begun[id(node)] = state
                return after
            state = joined

    def _turns_once(self, node: Loop) -> bool:
        """Whether a loop has one turn at least, whatever its settings are changed to."""
        if isinstance(node, tree.ForIn):
            return True
        if isinstance(node, tree.Repeat):
            return loops.lowest(self.work, node.count) >= 1
        loops.check_direction(self.work, node)
        first, last = loops.highest(self.work, node.first), loops.lowest(self.work, node.last)
        return first <= last

    def _leave(self, node: tree.Leave, state: State) -> None:
        if self.leaves:
            self.leaves[-1].append(state)
            return
        self.work.problems.error(
            "leave-outside-loop",
            node.span,
            "there is no loop here to leave",
            "write stop to end the run well, or put this inside a loop",
        )

    def _uses(self, node: tree.Step, state: State, but: tree.Expression | None = None) -> None:
        """The readings in the step's own expressions, not those of the steps within it."""
        for name in node._inner:
            value = getattr(node, name)
            if name not in _NOT_LOOKED_AT and value is not but:
                self._readings(value, state)

    def _readings(self, value: object, state: State) -> None:
        """Readings and traces that an expression looks at have been taken on every path."""
        for node in nodes_of(value):
            if isinstance(node, tree.Member) and node.field.id not in COUNTERS:
                known = self.powered.known(node.base, state)
                if known is not None and not known.measured:
                    self._unmeasured(node)
            elif isinstance(node, tree.Call) and node.function.id in OVER_TRACES:
                for argument in node.arguments[:1]:
                    if isinstance(argument.value, tree.Name):
                        self._unfilled(argument.value, state)

    def _unmeasured(self, node: tree.Member) -> None:
        name = node.base.id
        self.work.problems.error(
            "reading-before-measure",
            node.span,
            f"`{name}.{node.field.id}` is not measured on every path to here",
            f"write before it: measure {name}",
        )

    def _unfilled(self, name: tree.Name, state: State) -> None:
        facts = self.work.checked.traces.get(name.id)
        if facts is None or name.id in state.filled or name.id in self.work.lost:
            return
        self.work.problems.error(
            "trace-before-measure",
            name.span,
            f"nothing is in the trace `{name.id}` on some path to here",
            f"write before it: measure {', '.join(facts.channels)} into {name.id}",
            [Related(facts.span, "filled here")],
        )

    def _unreachable(self, step: tree.Step, before: tree.Step) -> None:
        what = {
            tree.Leave: "the loop is left before it",
            tree.Stop: "the run has ended before it",
            tree.Fail: "the run has ended before it",
        }.get(type(before), "every way through the step before it ends the run or leaves the loop")
        end = self.work.problems.source.line(before.span.line)
        span = Span(before.span.line, before.span.column, before.span.line, len(end) + 1)
        shown = before.span if before.span.end_line == before.span.line else span
        self.work.problems.error(
            "unreachable",
            step.span,
            f"this step can't be reached: {what}",
            "remove it, or move it up",
            [Related(shown, "nothing comes past this")],
        )
