"""The parse of a declaration or of a part's rating or fact to a node. Knows no step."""

from __future__ import annotations

from typing import Any

from grammar import tree
from grammar.build_expressions import ExpressionBuilder
from grammar.build_lines import Clause, OpenBlock, by_word
from grammar.diagnostic import Span


class DeclarationBuilder(ExpressionBuilder):
    """One method a rule of the grammar."""

    def recipe(self, meta: Any, children: list[Any]) -> tuple[str, str, Span]:
        return "recipe", self._plain(children[0]), self._span(meta)

    def about(self, meta: Any, children: list[Any]) -> tuple[str, str, Span]:
        return "about", self._plain(children[0]), self._span(meta)

    def channel(self, meta: Any, children: list[Any]) -> tree.Channel:
        return tree.Channel(self._name(children[0]), tuple(children[1:]), self._span(meta))

    def capability(self, meta: Any, children: list[Any]) -> tree.Capability:
        return tree.Capability(" ".join(children[0].split()), self._at(children[0]))

    def kind(self, meta: Any, children: list[Any]) -> tree.Name:
        return tree.Name(" ".join(str(c) for c in children if c is not None), self._span(meta))

    def digital_input(self, meta: Any, children: list[Any]) -> tree.Digital:
        return tree.Digital(self._name(children[0]), False, None, self._span(meta))

    def digital_output(self, meta: Any, children: list[Any]) -> tree.Digital:
        return tree.Digital(self._name(children[0]), True, children[1], self._span(meta))

    def part(self, meta: Any, children: list[Any]) -> tree.Part:
        name, kind, channel, *clauses = children
        given = by_word(clauses)
        return tree.Part(
            self._name(name),
            kind,
            self._name(channel),
            "not pushed" in given,
            "may be destroyed" in given,
            (),
            (),
            self._span(meta),
        )

    def part_clause(self, meta: Any, children: list[Any]) -> Clause:
        return Clause(" ".join(" ".join(children).split()), True, self._span(meta))

    def procedure(self, meta: Any, children: list[Any]) -> tree.Procedure:
        name, *parameters = (self._name(child) for child in children if child is not None)
        return tree.Procedure(name, tuple(parameters), (), self._span(meta))

    def setting(self, meta: Any, children: list[Any]) -> tree.Setting:
        name, value, bounds, title = children
        return tree.Setting(self._name(name), value, bounds, self._plain(title), self._span(meta))

    def require(self, meta: Any, children: list[Any]) -> tree.Require:
        return tree.Require(children[0], self._plain(children[1]), self._span(meta))

    def guard(self, meta: Any, children: list[Any]) -> tree.Guard:
        return tree.Guard(children[0], self._plain(children[1]), self._span(meta))

    def open_steps(self, meta: Any, children: list[Any]) -> OpenBlock:
        return OpenBlock("steps", self._span(meta))

    def open_finally(self, meta: Any, children: list[Any]) -> OpenBlock:
        return OpenBlock("finally", self._span(meta))

    def open_results(self, meta: Any, children: list[Any]) -> OpenBlock:
        return OpenBlock("results", self._span(meta))

    def rating(self, meta: Any, children: list[Any]) -> tree.Rating:
        name, bounds, by = children
        by = self._name(by) if by is not None else None
        return tree.Rating(self._name(name), bounds, False, by, self._span(meta))

    def rating_per_pulse(self, meta: Any, children: list[Any]) -> tree.Rating:
        name, bounds = children
        return tree.Rating(self._name(name), bounds, True, None, self._span(meta))

    def chemistry(self, meta: Any, children: list[Any]) -> tree.Fact:
        word = tree.Name(" ".join(children[0].split()), self._at(children[0]))
        return self._fact("chemistry", meta, word=word)

    def in_series(self, meta: Any, children: list[Any]) -> tree.Fact:
        return self._fact("in series", meta, value=children[0])

    def capacity(self, meta: Any, children: list[Any]) -> tree.Fact:
        return self._fact("capacity", meta, value=children[0])

    def own_protection(self, meta: Any, children: list[Any]) -> tree.Fact:
        return self._fact("own protection", meta)

    def _fact(
        self,
        name: str,
        meta: Any,
        word: tree.Name | None = None,
        value: tree.Expression | None = None,
    ) -> tree.Fact:
        span = self._span(meta)
        place = span._replace(end_line=span.line, end_column=span.column + len(name))
        return tree.Fact(tree.Name(name, place), word, value, span)
