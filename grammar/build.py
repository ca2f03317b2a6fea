"""One line's parse to a node of the tree, and blocks joined to the lines that open them.

A line that is grammatical and still no sense by itself (a clause twice, a sweep into nothing) is a
`Mistake`. What needs the rest of the recipe (names, units, limits) isn't known here.
"""

from __future__ import annotations

from typing import Any

from grammar import tree
from grammar.build_declarations import DeclarationBuilder
from grammar.build_lines import OpenBlock
from grammar.build_steps import StepBuilder
from grammar.mistake import Mistake
from grammar.node import replaced
from grammar.quantity import spelt


class Builder(DeclarationBuilder, StepBuilder):
    """One method a rule of the grammar that makes a line; here those of results."""

    def result_line(self, meta: Any, children: list[Any]) -> tree.Result:
        name, value, each, unit, title = children
        unit = spelt(unit) if unit is not None else None
        return tree.Result(
            self._name(name), value, each, unit, self._plain(title), self._span(meta)
        )

    def plot(self, meta: Any, children: list[Any]) -> tree.Plot:
        traces, (y, y_logarithmic), (x, x_logarithmic) = children
        return tree.Plot(traces, y, y_logarithmic, x, x_logarithmic, self._span(meta))

    def axis(self, meta: Any, children: list[Any]) -> tuple[tree.Name | tree.Member, bool]:
        return children[0], children[1] is not None

    def expect(self, meta: Any, children: list[Any]) -> tree.Expect:
        return tree.Expect(children[0], self._span(meta))


def join(line: OpenBlock, body: tree.Block, before: tree.Step | None) -> Any:
    """The step before, with an `else if`, `else` or `otherwise` joined to it."""
    if line.word == "otherwise":
        waits = isinstance(before, tree.Settle | tree.WaitFor) or (
            isinstance(before, tree.Every) and before.until is not None
        )
        if waits and not before.otherwise:  # type: ignore[union-attr]
            return replaced(before, otherwise=body)
        return Mistake(
            "otherwise-of-what",
            "this `otherwise` belongs to nothing",
            "it stands right after a step with `at most`, once, indented like it",
            line.span,
        )
    if not isinstance(before, tree.If) or before.otherwise is not None:
        return Mistake(
            "else-of-what",
            f"this `{line.word}` belongs to no `if`",
            "it stands right after the steps of an `if`, indented like it; `else` comes last, once",
            line.span,
        )
    if line.condition is not None:
        return replaced(before, arms=(*before.arms, tree.Arm(line.condition, body, line.span)))
    return replaced(before, otherwise=body)


def with_body(step: Any, body: tree.Block) -> Any:
    """A loop or arm with the steps of its block."""
    return replaced(step, body=body)
