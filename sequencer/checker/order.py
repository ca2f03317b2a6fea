"""Order: what must have come before a step on every path to it, and whether it can be reached.

Follows the paths of the recipe through states that say what is certain and what is possible; a
loop's body is followed until its state no longer changes. Values, units and limits are not known
here.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from grammar import tree
from grammar.diagnostic import Related, Span
from sequencer.checker import loops
from sequencer.checker.readings import COUNTERS
from sequencer.checker.scope import Workings, nodes_of
from sequencer.checker.states import ChannelState, State, join

if TYPE_CHECKING:
    from drivers.bench_file import BenchFile

Loop = tree.Repeat | tree.ForIn | tree.ForCount
FASTEST_MAINS_HZ = 60.0
"""The highest usual mains frequency: without a bench, no power line cycle is shorter."""


def check_order(work: Workings, bench: BenchFile | None) -> None:
    """The steps from the start, and those of `finally` from a state in which nothing is certain."""
    if not work.lost_in.isdisjoint(("steps", "finally")):
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
            case tree.Leave():
                self._leave(node, state)
                return None
            case tree.Sweep():
                self._uses(node, state, but=node.until)
                return self._sweep(node, state)
            case _:
                self._uses(node, state)
        match node:
            case tree.Stop() | tree.Fail():
                return None
            case tree.SourceStep():
                return self._source(node, state)
            case tree.Output():
                return self._output(node, state)
            case tree.Measure():
                for name in node.channels:
                    self._needs_open(name, state, node)
                return state.measured(name.id for name in node.channels)
            case tree.Setup():
                return loops.after_setup(self.work, node, state, self.cycle_s)
        return state

    def _known(self, name: tree.Name, state: State) -> ChannelState | None:
        """What is known of a channel; nothing of one that an unread line may have changed."""
        return state.channels.get(name.id) if name.id not in self.work.lost else None

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
        outcome = after
        if node.otherwise is not None and after is not None:
            outcome = join(after, self.block(node.otherwise, after))
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

    def _source(self, node: tree.SourceStep, state: State) -> State:
        """Programs the channel; a change of mode under power is worth a word."""
        known = self._known(node.channel, state)
        facts = self.work.checked.channels.get(node.channel.id)
        if known is None or facts is None:
            return state
        other = "current" if node.mode == "voltage" else "voltage"
        if (
            known.on is not None
            and known.modes == {other}
            and not facts.can("mode change under power")
        ):
            name = node.channel.id
            self.work.problems.warning(
                "mode-change-interrupts",
                node.span,
                f"changing from {other} to {node.mode} here switches the output of `{name}` off "
                "and on again, and the part is alone meanwhile",
                f"where a gap will do, write output {name} off before it and on after it; "
                f"else declare: {self.work.declared_with(name, 'mode change under power')}",
                [Related(known.on, "switched on here")],
            )
        return state.having(node.channel.id, known.sourced_in(node.mode))

    def _output(self, node: tree.Output, state: State) -> State:
        name = node.channel.id
        known = self._known(node.channel, state)
        if known is None:
            return state
        if not node.on:
            return state.having(name, known.switched(None, node.span))
        if not known.sourced:
            self.work.problems.error(
                "on-before-source",
                node.span,
                f"nothing says what `{name}` is to source "
                + ("on some path to here" if known.modes else "when it is switched on"),
                f"write before it, on every path: source {name} voltage 0 V, limit …",
            )
        return state.having(name, known.switched(node.span, None))

    def _needs_open(self, name: tree.Name, state: State, node: tree.Node) -> None:
        """A reading needs the output on, unless the channel can measure open."""
        known = self._known(name, state)
        facts = self.work.checked.channels.get(name.id)
        if known is None or facts is None or facts.can("measure open") or not known.off:
            return
        if not (facts.can("source") or facts.can("sink")):
            # A meter has no output to switch: it measures whatever is there.
            return
        related = [Related(facts.span, "the channel")]
        if known.off_at is not None:
            related.append(Related(known.off_at, "switched off here"))
        where = "may be off here" if known.on is not None else "is off here"
        self.work.problems.error(
            "measure-with-output-off",
            name.span,
            f"the output of `{name.id}` {where}, and it is not declared to measure then",
            f"write output {name.id} on before it; or, where the instrument can do that, declare: "
            + self.work.declared_with(name.id, "measure open"),
            related,
        )

    def _sweep(self, node: tree.Sweep, state: State) -> State:
        """A sweep goes on from the last source: its mode, its limit, its output on."""
        name = node.channel.id
        known = self._known(node.channel, state)
        if known is not None:
            self._sweep_begins(node, known)
        for other in node.reading:
            self._needs_open(other, state, node)
        after = state.measured(n.id for n in (node.channel, *node.reading))
        if node.until is not None:
            self._readings(node.until, after)
            loops.check_condition(self.work, node)
        if known is not None:
            kept = after.channels[name]
            after = after.having(name, kept.switched(kept.on or node.span, None))
        return after

    def _sweep_begins(self, node: tree.Sweep, known: ChannelState) -> None:
        name, mode = node.channel.id, node.mode
        unit = "V" if mode == "voltage" else "A"
        if not known.sourced or known.off:
            where = "may be off" if known.on is not None else "is off"
            message = f"the output of `{name}` {where} here, and a sweep changes the level of one"
            if not known.sourced:
                message = f"nothing has been sourced with `{name}` before this sweep"
            related = [Related(known.off_at, "switched off here")] if known.off_at else []
            self.work.problems.error(
                "sweep-with-output-off",
                node.span,
                message,
                f"write before it: source {name} {mode} 0 {unit}, limit …, and output {name} on",
                related,
            )
        elif known.modes != {mode}:
            other = "current" if mode == "voltage" else "voltage"
            self.work.problems.error(
                "sweep-in-other-mode",
                node.span,
                f"this sweeps the {mode} of `{name}`, whose last source was of its {other}"
                + (" on some path" if mode in known.modes else ""),
                f"write before it: source {name} {mode} 0 {unit}, limit …",
            )

    def _uses(self, node: tree.Step, state: State, but: tree.Expression | None = None) -> None:
        """The readings in the step's own expressions, not those of the steps within it."""
        for value in vars(node).values():
            if value is but or value is getattr(node, "body", None):
                continue
            if value is getattr(node, "otherwise", None) or value is getattr(node, "counter", None):
                continue
            self._readings(value, state)

    def _readings(self, value: object, state: State) -> None:
        for node in nodes_of(value):
            if isinstance(node, tree.Member) and node.field.id not in COUNTERS:
                known = self._known(node.base, state)
                if known is not None and not known.measured:
                    self._unmeasured(node)

    def _unmeasured(self, node: tree.Member) -> None:
        name = node.base.id
        self.work.problems.error(
            "reading-before-measure",
            node.span,
            f"`{name}.{node.field.id}` is not measured on every path to here",
            f"write before it: measure {name}",
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
