"""A checked tree to compiled steps: names become places in the memory, quantities floats.

The tree is walked once, before the run. What the checker has proved is relied upon here and not
looked at again.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import TYPE_CHECKING, cast

from drivers.channel import Mode
from drivers.sensed import difference
from grammar import tree
from grammar.diagnostic import Span
from grammar.quantity import PLAIN, Dimension
from sequencer.checker.naming.walking import nodes_of
from sequencer.engine import flow, steps
from sequencer.engine.compile_waiting import ask, confirm, settle, wait_for
from sequencer.engine.expressions import Comparison, Expressions, Number, whole
from sequencer.engine.expressions import Condition as Holds
from sequencer.engine.further import Further
from sequencer.engine.guards import Condition, Nearest

if TYPE_CHECKING:
    from sequencer.checker import Checked
    from sequencer.engine.run import Run
    from sequencer.engine.sampling import Sample
    from sequencer.record import StreamWriter

MOST_POINTS = 1_000_000
NO_TRACE = -1
"""The trace number of a step's reading that goes into no trace."""
OTHER = {"voltage": "current", "current": "voltage"}


class Compiler:
    """Compiles the blocks of one recipe.

    `extras` has the streams of the traces' further columns, `captures` those of captured samples.
    """

    def __init__(
        self,
        checked: Checked,
        expressions: Expressions,
        run: Run,
        extras: Mapping[str, StreamWriter],
        captures: Mapping[str, StreamWriter],
    ) -> None:
        self.checked = checked
        self.expressions = expressions
        self.scope = expressions.scope
        self.run = run
        self.ports = run.ports
        self.extras = extras
        self.captures = captures
        self.source = checked.problems.source

    def block(self, block: tree.Block) -> list[steps.Step]:
        """The steps of a block, in a scope of their own."""
        with self.scope:
            return [self.step(node) for node in block]

    def top(self, block: tree.Block) -> tuple[list[steps.Step], dict[str, int]]:
        """The steps of the recipe's own block, and the places of its names, for the results."""
        with self.scope:
            compiled = [self.step(node) for node in block]
            return compiled, dict(self.scope.blocks[-1])

    def guard(self, node: tree.Guard) -> Condition:
        """A guard of the recipe."""
        # Facts of parts are read as readings are.
        looked_at = {n.base.id for n in nodes_of(node.condition) if isinstance(n, tree.Member)}
        channels = tuple(sorted(looked_at & self.ports.keys()))
        text = self.text(node.condition.span)
        holds = self.expressions.condition(node.condition)
        over_columns = self.expressions.over_columns(node.condition)
        return Condition(text, node.why, holds, channels, set(channels), over_columns)

    def nearest(self, node: tree.Guard) -> tuple[Nearest, ...]:
        """What follows how near the comparisons of a guard come to not holding."""
        return tuple(
            Nearest(self.text(comparison.span), self._of_distance(comparison), margin)
            for comparison, margin in self.expressions.comparisons(node.condition)
        )

    def _of_distance(self, comparison: Comparison) -> Dimension:
        side = comparison.operand if isinstance(comparison, tree.Inside) else comparison.left
        return difference(self.checked.dimensions.get(id(side), PLAIN))

    def step(self, node: tree.Step) -> steps.Step:
        """One step."""
        line, text = node.span.line, self.text(node.span)
        number = self.expressions.number
        match node:
            case tree.Setup():
                return self._setup(node, line, text)
            case tree.SourceStep():
                assert node.limit is not None
                return steps.Source(
                    line,
                    text,
                    self.ports[node.channel.id],
                    cast("Mode", node.mode),
                    number(node.level),
                    self.expressions.bounds(node.limit, OTHER[node.mode]),
                )
            case tree.Output():
                worst = self.checked.worst
                forced = worst.forced.get(id(node), (0.0, 0.0)) if worst else (0.0, 0.0)
                return steps.Output(line, text, self.ports[node.channel.id], node.on, forced)
            case tree.Measure():
                ports = [self.ports[name.id] for name in node.channels]
                return steps.Measure(line, text, ports, *self.into(node.into))
            case tree.Wait():
                return steps.Wait(line, text, number(node.duration))
            case tree.Sweep() | tree.Ramp() | tree.PulseStep() | tree.CaptureStep():
                return self._levels(node, line, text)
            case tree.Settle():
                return settle(self, node, line, text)
            case tree.WaitFor():
                return wait_for(self, node, line, text)
            case tree.Ask():
                return ask(self, node, line, text)
            case tree.ConfirmStep():
                return confirm(self, node, line, text)
            case tree.Switch():
                return steps.Switch(line, text, node.line.id, node.high)
            case tree.Let() | tree.Set():
                value = number(node.value)
                place = self.scope.new if isinstance(node, tree.Let) else self.scope.place
                return steps.Assign(line, text, place(node.name.id), value)
            case tree.Reset():
                port = self.ports[node.counter.base.id]
                return steps.Reset(line, text, port, node.counter.field.id)
            case tree.Say() | tree.Note():
                words = self.expressions.text(node.text)
                return steps.Say(line, text, words, isinstance(node, tree.Say))
            case tree.Stop():
                words = self.expressions.text(node.text) if node.text else (lambda: "")
                return steps.Stop(line, text, words, well=True)
            case tree.Fail():
                return steps.Stop(line, text, self.expressions.text(node.text), well=False)
            case tree.Do():
                raise TypeError(f"line {line}: the call of `{node.procedure.id}` isn't expanded")
            case _:
                return self._flow(node, line, text)

    def _levels(
        self,
        node: tree.Sweep | tree.Ramp | tree.PulseStep | tree.CaptureStep,
        line: int,
        text: str,
    ) -> steps.Step:
        """Levels are taken through by steps that few recipes have, and that take their time."""
        from sequencer.engine import compile_levels as levels

        match node:
            case tree.Sweep():
                return levels.sweep(self, node, line, text)
            case tree.Ramp():
                return levels.ramp(self, node, line, text)
            case tree.PulseStep():
                return levels.pulse(self, node, line, text)
            case tree.CaptureStep():
                return levels.capture(self, node, line, text)

    def _flow(self, node: tree.Step, line: int, text: str) -> steps.Step:
        """Branches, calls and loops."""
        match node:
            case tree.Every():
                return self._every(node, line, text)
            case tree.Repeat():
                assert node.count is not None
                count = self.expressions.number(node.count)
                body = self.block(node.body)
                return flow.Repeat(line, text, body, None, lambda: range(whole(count())))
            case tree.ForIn() | tree.ForCount():
                return self._for(node, line, text)
            case tree.Leave():
                return flow.Leave(line, text)
            case tree.If():
                arms = [(self._chosen(arm.condition), self.block(arm.body)) for arm in node.arms]
                asks = any(isinstance(arm.condition, tree.Confirm) for arm in node.arms)
                return flow.If(line, text, arms, self.block(node.otherwise or ()), asks)
            case tree.Called():
                return flow.Called(line, text, self.block(node.body))
        raise TypeError(f"{type(node).__name__} is no step")

    def _chosen(self, node: tree.Expression) -> Holds:
        """The condition of an `if`, which may be the person's to say."""
        if not isinstance(node, tree.Confirm):
            return self.expressions.condition(node)
        words, questions = self.expressions.text(node.text), self.run.questions
        return lambda: questions.yes(words(), rehearsed=False)

    def text(self, span: Span) -> str:
        """The first line of what was written, for the record and for messages."""
        line = self.source.line(span.line)
        end = span.end_column - 1 if span.end_line == span.line else len(line)
        return line[span.column - 1 : end].split("#")[0].rstrip(" :")

    def _setup(self, node: tree.Setup, line: int, text: str) -> steps.Step:
        values: dict[str, Number | None] = {}
        for item in node.items:
            name = item.name.id
            if isinstance(item.value, tree.Name) and item.value.id == "auto":
                values[name] = None
                continue
            dimension = self.checked.dimensions.get(id(item.value))
            if name == "aperture" and dimension is not None and dimension.line_cycles:
                name = "aperture cycles"
            values[name] = self.expressions.number(item.value)
        return steps.Setup(line, text, self.ports[node.channel.id], values)

    def _every(self, node: tree.Every, line: int, text: str) -> steps.Step:
        number = self.expressions.number
        limit = node.duration if node.duration is not None else node.at_most
        assert limit is not None
        until, over_columns = None, None
        if node.until is not None:
            until = self.expressions.condition(node.until)
            over_columns = self.expressions.over_columns(node.until)
        return flow.Every(
            line,
            text,
            self.block(node.body),
            number(node.period),
            number(limit),
            until,
            self.otherwise(node.otherwise),
            over_columns,
        )

    def otherwise(self, block: tree.Block | None) -> list[steps.Step] | None:
        """What is done when a step's time runs out, None where it has no `otherwise`."""
        return self.block(block) if block is not None else None

    def _for(self, node: tree.ForIn | tree.ForCount, line: int, text: str) -> steps.Step:
        if isinstance(node, tree.ForIn):
            turns = self._list(node.values)
        else:
            first, last = self.expressions.number(node.first), self.expressions.number(node.last)

            def turns() -> Sequence[float]:
                return range(whole(first()), whole(last()) + 1)

        with self.scope:
            place = self.scope.new(node.name.id)
            body = self.block(node.body)
        return flow.Repeat(line, text, body, place, turns)

    def _list(self, node: tree.Expression) -> Callable[[], Sequence[float]]:
        assert isinstance(node, tree.Call)
        values = [self.expressions.number(a.value) for a in node.arguments]
        if node.function.id == "values":
            return lambda: [value() for value in values]
        first, last, count = values
        return series(first, last, count, node.function.id == "logarithmic")

    def into(self, name: tree.Name | None) -> tuple[int, Further | None]:
        """The number of a trace, and what comes with each of its rows, where something does."""
        if name is None:
            return NO_TRACE, None
        number, newest = self.checked.traces[name.id].number, self.expressions.newest.get(name.id)
        columns = self._further(name)
        stream = self.extras.get(name.id)
        if stream is None and newest is None:
            return number, None
        return number, Further(stream, columns, newest)

    def keep(self, name: tree.Name) -> Callable[[Iterable[Sample]], None]:
        """What puts a capture's samples on record, with the trace's further columns."""
        writer, extra = self.captures[name.id], self._further(name)

        def write(rows: Iterable[Sample]) -> None:
            further = extra()
            for row in rows:
                writer.append((*row, *further))
            writer.flush()

        return write

    def _further(self, name: tree.Name) -> Callable[[], list[float]]:
        """The present values of a trace's further columns; one not filled here is no number."""
        filled, memory = self.checked.filled.get(id(name), {}), self.scope.memory
        places = []
        for column in self.checked.traces[name.id].extra:
            place = self.scope.place(filled[column]) if column in filled else None
            places.append(place)
            if place is not None:
                self.expressions.columns[name.id, column] = place
        return lambda: [math.nan if place is None else memory[place] for place in places]


def series(
    first: Number, last: Number, count: Number, logarithmic: bool
) -> Callable[[], Sequence[float]]:
    """N values from A to B, both ends in, evenly or in equal ratios."""

    def values() -> Sequence[float]:
        a, b, n = first(), last(), whole(count())
        n = min(n, MOST_POINTS)
        if n < 2:
            return [a] * n
        if logarithmic:
            ratio = b / a
            inner = [a * ratio ** (k / (n - 1)) for k in range(1, n - 1)]
        else:
            inner = [a + (b - a) * (k / (n - 1)) for k in range(1, n - 1)]
        return [a, *inner, b]

    return values
