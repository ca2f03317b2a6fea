"""A checked tree to compiled steps: names become places in the memory, quantities floats.

The tree is walked once, before the run. What the checker has proved is relied upon here and not
looked at again.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from typing import TYPE_CHECKING, cast

from drivers.channel import Mode
from grammar import tree
from grammar.diagnostic import Span
from sequencer.engine import steps
from sequencer.engine.expressions import Expressions, Number
from sequencer.engine.guards import Condition

if TYPE_CHECKING:
    from sequencer.checker import Checked
    from sequencer.engine.port import Port
    from sequencer.record import StreamWriter

MOST_POINTS = 1_000_000
_OTHER = {"voltage": "current", "current": "voltage"}
NO_TRACE = -1
"""The trace number of a step's reading that goes into no trace."""


class Compiler:
    """Compiles the blocks of one recipe."""

    def __init__(
        self,
        checked: Checked,
        expressions: Expressions,
        ports: Mapping[str, Port],
        extras: Mapping[str, StreamWriter],
    ) -> None:
        self.checked = checked
        self.expressions = expressions
        self.scope = expressions.scope
        self.ports = ports
        self.extras = extras
        self.source = checked.problems.source

    def block(self, block: tree.Block) -> list[steps.Step]:
        """The steps of a block, in a scope of their own."""
        with self.scope:
            return [self.step(node) for node in block]

    def top(self, block: tree.Block) -> tuple[list[steps.Step], dict[str, int]]:
        """The steps of the recipe's own block, and the places of its `let`s, for the results."""
        with self.scope:
            compiled = [self.step(node) for node in block]
            return compiled, dict(self.scope.blocks[-1])

    def guard(self, node: tree.Guard) -> Condition:
        """A guard of the recipe."""
        channels = tuple(sorted(_channels(node.condition)))
        text = self._text(node.condition.span)
        holds = self.expressions.condition(node.condition)
        return Condition(text, node.why, holds, channels, set(channels))

    def step(self, node: tree.Step) -> steps.Step:
        """One step."""
        line, text = node.span.line, self._text(node.span)
        number, condition = self.expressions.number, self.expressions.condition
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
                    self.expressions.bounds(node.limit, _OTHER[node.mode]),
                )
            case tree.Output():
                worst = self.checked.worst
                forced = worst.forced.get(id(node), (0.0, 0.0)) if worst else (0.0, 0.0)
                return steps.Output(line, text, self.ports[node.channel.id], node.on, forced)
            case tree.Measure():
                ports = [self.ports[name.id] for name in node.channels]
                trace, extras = self._into(node.into)
                return steps.Measure(line, text, ports, trace, extras)
            case tree.Wait():
                return steps.Wait(line, text, number(node.duration))
            case tree.Every():
                return self._every(node, line, text)
            case tree.Repeat():
                assert node.count is not None
                count = number(node.count)
                return steps.Repeat(
                    line, text, self.block(node.body), None, lambda: range(round(count()))
                )
            case tree.ForIn() | tree.ForCount():
                return self._for(node, line, text)
            case tree.Leave():
                return steps.Leave(line, text)
            case tree.If():
                arms = [(condition(arm.condition), self.block(arm.body)) for arm in node.arms]
                return steps.If(line, text, arms, self.block(node.otherwise or ()))
            case tree.Sweep():
                return self._sweep(node, line, text)
            case tree.Let():
                value = number(node.value)
                return steps.Assign(line, text, self.scope.new(node.name.id), value)
            case tree.Set():
                value = number(node.value)
                return steps.Assign(line, text, self.scope.place(node.name.id), value)
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

    def _text(self, span: Span) -> str:
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
        until = self.expressions.condition(node.until) if node.until is not None else None
        return steps.Every(
            line,
            text,
            self.block(node.body),
            number(node.period),
            number(limit),
            until,
            self.block(node.otherwise) if node.otherwise is not None else None,
        )

    def _for(self, node: tree.ForIn | tree.ForCount, line: int, text: str) -> steps.Step:
        if isinstance(node, tree.ForIn):
            turns = self._list(node.values)
        else:
            first, last = self.expressions.number(node.first), self.expressions.number(node.last)

            def turns() -> Sequence[float]:
                return range(round(first()), round(last()) + 1)

        with self.scope:
            place = self.scope.new(node.name.id)
            body = self.block(node.body)
        return steps.Repeat(line, text, body, place, turns)

    def _list(self, node: tree.Expression) -> Callable[[], Sequence[float]]:
        assert isinstance(node, tree.Call)
        values = [self.expressions.number(a.value) for a in node.arguments]
        if node.function.id == "values":
            return lambda: [value() for value in values]
        first, last, count = values
        return _series(first, last, count, node.function.id == "logarithmic")

    def _sweep(self, node: tree.Sweep, line: int, text: str) -> steps.Step:
        number = self.expressions.number
        trace, extras = self._into(node.into)
        return steps.Sweep(
            line,
            text,
            [self.ports[node.channel.id], *(self.ports[name.id] for name in node.reading)],
            cast("Mode", node.mode),
            _series(number(node.first), number(node.last), number(node.points), node.logarithmic),
            self.expressions.bounds(node.limit, _OTHER[node.mode])
            if node.limit is not None
            else None,
            number(node.settle) if node.settle is not None else None,
            self.expressions.condition(node.until) if node.until is not None else None,
            trace,
            extras,
        )

    def _into(self, name: tree.Name | None) -> tuple[int, Callable[[float], None] | None]:
        """The number of a trace and what writes its further columns, where it has any."""
        if name is None:
            return NO_TRACE, None
        facts = self.checked.traces[name.id]
        if not facts.extra:
            return facts.number, None
        places = [self._place_or_none(column) for column in facts.extra]
        append, memory = self.extras[name.id].append, self.scope.memory

        def write(moment: float) -> None:
            append((moment, *(math.nan if p is None else memory[p] for p in places)))

        return facts.number, write

    def _place_or_none(self, name: str) -> int | None:
        try:
            return self.scope.place(name)
        except KeyError:
            return None


def _series(
    first: Number, last: Number, count: Number, logarithmic: bool
) -> Callable[[], Sequence[float]]:
    """N values from A to B, both ends in, evenly or in equal ratios."""

    def values() -> Sequence[float]:
        a, b, n = first(), last(), round(count())
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


def _channels(node: object) -> set[str]:
    """The channels whose readings an expression looks at."""
    if isinstance(node, tree.Member):
        return {node.base.id}
    if isinstance(node, tuple):
        return set().union(*(_channels(item) for item in node))
    if isinstance(node, tree.Node):
        return set().union(*(_channels(value) for value in vars(node).values()))
    return set()
