"""The parse of a value to a node of the tree: numbers, names, operations, spans, conditions.

What needs the rest of the recipe (names, units) isn't known here, and no line.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Callable
from typing import Any

from lark import Token, Tree

from grammar import tree
from grammar.characters import Places
from grammar.diagnostic import Span
from grammar.mistake import Mistake
from grammar.quantity import PLAIN, Quantity, UnitError, read
from grammar.slips import NUMBERS, letter_code
from grammar.texts import plain_text, read_text

DEEPEST_EXPRESSION = 80


class ExpressionBuilder:
    """One method a rule of the grammar; `offset` is where the line being built starts in the text.

    A line is built when all of it is read, so that what the grammar finds wrong comes first.
    """

    def __init__(
        self, places: Places, expression_in_text: Callable[[str, int], tree.Expression]
    ) -> None:
        self.offset = 0
        self.places = places
        self.expression_in_text = expression_in_text

    def build(self, node: Any, offset: int) -> Any:
        """The node of a line's parse tree; raises Mistake."""
        saved, self.offset = self.offset, offset
        try:
            return self._build(node, 0)
        finally:
            self.offset = saved

    def _build(self, node: Any, depth: int) -> Any:
        if not isinstance(node, Tree):
            return node
        if depth > DEEPEST_EXPRESSION:
            raise Mistake(
                "too-deep",
                f"this expression is nested more than {DEEPEST_EXPRESSION} deep",
                "give its parts names with `let`",
                self._span(node.meta),
            )
        children = [self._build(child, depth + 1) for child in node.children]
        return getattr(self, node.data)(node.meta, children)

    def _span(self, meta: Any) -> Span:
        return self.places.span(self.offset + meta.start_pos, self.offset + meta.end_pos)

    def _at(self, token: Token) -> Span:
        start = self._start(token)
        return self.places.span(start, start + len(token))

    def _name(self, token: Token) -> tree.Name:
        return tree.Name(str(token), self._at(token))

    def _start(self, token: Token) -> int:
        assert token.start_pos is not None  # every word of a line has its place
        return self.offset + token.start_pos

    def _text(self, token: Token) -> tree.Text:
        return read_text(str(token), self._start(token), self.places.span, self.expression_in_text)

    def _plain(self, token: Token | None) -> str:
        return "" if token is None else plain_text(self._text(token))

    def number(self, meta: Any, children: list[Any]) -> tree.Number:
        token = children[0]
        try:
            return tree.Number(read(str(token)), str(token), self._at(token))
        except UnitError as error:
            word, _, unit = str(token).partition(" ")
            coded = letter_code(word, f" {unit}")
            message, hint, _ = coded or (str(error), NUMBERS, 0)
            raise Mistake("number", message, hint, self._at(token)) from None

    def name(self, meta: Any, children: list[Any]) -> tree.Name:
        return self._name(children[0])

    def text(self, meta: Any, children: list[Any]) -> tree.Text:
        return self._text(children[0])

    def member(self, meta: Any, children: list[Any]) -> tree.Member:
        base, field = children
        return tree.Member(self._name(base), self._name(field), self._span(meta))

    def call(self, meta: Any, children: list[Any]) -> tree.Call:
        name, *arguments = children
        given = tuple(argument for argument in arguments if argument is not None)
        return tree.Call(self._name(name), given, self._span(meta))

    def argument(self, meta: Any, children: list[Any]) -> tree.Argument:
        return tree.Argument(children[0], None, self._span(meta))

    def named_argument(self, meta: Any, children: list[Any]) -> tree.Argument:
        return tree.Argument(children[1], str(children[0]), self._span(meta))

    def parenthesis(self, meta: Any, children: list[Any]) -> Any:
        return children[0]

    def negative(self, meta: Any, children: list[Any]) -> tree.Number | tree.Negative:
        operand = children[1]
        if (
            isinstance(operand, tree.Number)
            and operand.quantity.dimension.point
            and operand.text[0] not in "-−"
        ):
            # A minus before a number in °C belongs to the number: the scale's zero is elsewhere.
            text = "-" + operand.text
            return tree.Number(read(text), text, self._span(meta))
        return tree.Negative(operand, self._span(meta))

    def binary(self, meta: Any, children: list[Any]) -> tree.Binary:
        left, operator, right = children
        symbol = {"−": "-", "·": "*"}.get(str(operator), str(operator))
        return tree.Binary(symbol, left, right, self._span(meta))

    def square(self, meta: Any, children: list[Any]) -> tree.Binary:
        base, token = children
        digit = float(unicodedata.digit(token))
        exponent = tree.Number(Quantity(digit, PLAIN), str(token), self._at(token))
        return tree.Binary("^", base, exponent, self._span(meta))

    def compare(self, meta: Any, children: list[Any]) -> tree.Compare:
        return tree.Compare(str(children[1]), children[0], children[2], self._span(meta))

    def inside(self, meta: Any, children: list[Any]) -> tree.Inside:
        return tree.Inside(children[0], children[1], self._span(meta))

    def and_(self, meta: Any, children: list[Any]) -> tree.Logic:
        return tree.Logic("and", children[0], children[1], self._span(meta))

    def or_(self, meta: Any, children: list[Any]) -> tree.Logic:
        return tree.Logic("or", children[0], children[1], self._span(meta))

    def not_(self, meta: Any, children: list[Any]) -> tree.Not:
        return tree.Not(children[0], self._span(meta))

    def range(self, meta: Any, children: list[Any]) -> tree.Range:
        return tree.Range(children[0], children[1], self._span(meta))

    def up_to(self, meta: Any, children: list[Any]) -> tree.Range:
        return tree.Range(None, children[0], self._span(meta))

    def at_least(self, meta: Any, children: list[Any]) -> tree.Range:
        return tree.Range(children[0], None, self._span(meta))

    def within(self, meta: Any, children: list[Any]) -> tree.Within:
        return tree.Within(children[0], self._span(meta))

    def tolerance(self, meta: Any, children: list[Any]) -> tree.Tolerance:
        return tree.Tolerance(children[0], children[1], self._span(meta))

    def state(self, meta: Any, children: list[Any]) -> bool:
        return str(children[0]) == "high"

    def is_state(self, meta: Any, children: list[Any]) -> tree.IsState:
        return tree.IsState(self._name(children[0]), children[1], self._span(meta))

    def confirm(self, meta: Any, children: list[Any]) -> tree.Confirm:
        return tree.Confirm(self._text(children[0]), self._span(meta))
