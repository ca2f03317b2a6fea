"""One line's parse to a node of the tree, and blocks joined to the lines that open them.

A line that is grammatical and still no sense by itself (a clause twice, a sweep into nothing) is a
`Mistake`. What needs the rest of the recipe (names, units, limits) isn't known here.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Callable
from typing import Any, NamedTuple

from lark import Token, Tree

from grammar import tree
from grammar.characters import Places
from grammar.diagnostic import Span
from grammar.mistake import Mistake
from grammar.quantity import PLAIN, Quantity, UnitError, read
from grammar.texts import plain_text, read_text


class OpenBlock(NamedTuple):
    """A line that opens a block and is no node by itself: `steps:`, `else:`, `otherwise:`, …"""

    word: str
    span: Span
    condition: tree.Expression | None = None


class _Clause(NamedTuple):
    word: str
    value: Any
    span: Span


DEEPEST_EXPRESSION = 80


class Builder:
    """One method a rule of the grammar; `offset` is where the line being built starts in the text.

    Lark's own transformers can't be told positions while it parses, so the line's parse tree is
    walked here.
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
        start = self.offset + (token.start_pos or 0)
        return self.places.span(start, start + len(token))

    def _name(self, token: Token) -> tree.Name:
        return tree.Name(str(token), self._at(token))

    def _text(self, token: Token) -> tree.Text:
        start = self.offset + (token.start_pos or 0)
        return read_text(str(token), start, self.places.span, self.expression_in_text)

    def _plain(self, token: Token | None) -> str:
        return "" if token is None else plain_text(self._text(token))

    # Declarations

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

    def not_pushed(self, meta: Any, children: list[Any]) -> str:
        return "not pushed"

    def part(self, meta: Any, children: list[Any]) -> tree.Part:
        name, kind, channel, *rest = children
        not_pushed = any(item is not None for item in rest)
        return tree.Part(
            self._name(name), kind, self._name(channel), not_pushed, (), self._span(meta)
        )

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
        return tree.Rating(self._name(children[0]), children[1], self._span(meta))

    # Steps

    def setup(self, meta: Any, children: list[Any]) -> tree.Setup:
        return tree.Setup(self._name(children[0]), tuple(children[1:]), self._span(meta))

    def setup_item(self, meta: Any, children: list[Any]) -> tree.SetupItem:
        name = tree.Name(" ".join(children[0].split()), self._at(children[0]))
        return tree.SetupItem(name, children[1], self._span(meta))

    def mode(self, meta: Any, children: list[Any]) -> str:
        return str(children[0])

    def source(self, meta: Any, children: list[Any]) -> tree.SourceStep:
        name, mode, level, limit = children
        return tree.SourceStep(self._name(name), mode, level, limit, self._span(meta))

    def output_on(self, meta: Any, children: list[Any]) -> tree.Output:
        return tree.Output(self._name(children[0]), True, self._span(meta))

    def output_off(self, meta: Any, children: list[Any]) -> tree.Output:
        return tree.Output(self._name(children[0]), False, self._span(meta))

    def names(self, meta: Any, children: list[Any]) -> tuple[tree.Name, ...]:
        return tuple(self._name(token) for token in children)

    def measure(self, meta: Any, children: list[Any]) -> tree.Measure:
        channels, into, columns = children
        name = self._name(into) if into is not None else None
        return tree.Measure(channels, name, columns or (), self._span(meta))

    def wait(self, meta: Any, children: list[Any]) -> tree.Wait:
        return tree.Wait(children[0], self._span(meta))

    def every_for(self, meta: Any, children: list[Any]) -> tree.Every:
        period, duration = children
        return tree.Every(period, duration, None, None, (), None, self._span(meta))

    def every_until(self, meta: Any, children: list[Any]) -> tree.Every:
        period, until, at_most = children
        return tree.Every(period, None, until, at_most, (), None, self._span(meta))

    def repeat(self, meta: Any, children: list[Any]) -> tree.Repeat:
        return tree.Repeat(children[0], (), self._span(meta))

    def for_in(self, meta: Any, children: list[Any]) -> tree.ForIn:
        return tree.ForIn(self._name(children[0]), children[1], (), self._span(meta))

    def for_count(self, meta: Any, children: list[Any]) -> tree.ForCount:
        name, first, last = children
        return tree.ForCount(self._name(name), first, last, (), self._span(meta))

    def leave(self, meta: Any, children: list[Any]) -> tree.Leave:
        return tree.Leave(self._span(meta))

    def if_line(self, meta: Any, children: list[Any]) -> tree.Arm:
        return tree.Arm(children[0], (), self._span(meta))

    def else_if_line(self, meta: Any, children: list[Any]) -> OpenBlock:
        return OpenBlock("else if", self._span(meta), children[0])

    def else_line(self, meta: Any, children: list[Any]) -> OpenBlock:
        return OpenBlock("else", self._span(meta))

    def otherwise_line(self, meta: Any, children: list[Any]) -> OpenBlock:
        return OpenBlock("otherwise", self._span(meta))

    def sweep(self, meta: Any, children: list[Any]) -> tree.Sweep:
        name, mode, first, last, points, *clauses = children
        given: dict[str, Any] = {}
        for clause in clauses:
            if clause.word in given:
                raise Mistake(
                    "twice", f"`{clause.word}` stands here a second time", "write it once",
                    clause.span,
                )  # fmt: skip
            given[clause.word] = clause.value
        if "into" not in given:
            raise Mistake(
                "sweep-into-nothing",
                "this sweep does not say where its readings go",
                "end it with the name of a trace: , into curve",
                self._span(meta),
            )
        return tree.Sweep(
            self._name(name),
            mode,
            first,
            last,
            points,
            "logarithmic" in given,
            given.get("limit"),
            given.get("settle"),
            given.get("until"),
            given.get("reading", ()),
            given["into"],
            self._span(meta),
        )

    def clause_logarithmic(self, meta: Any, children: list[Any]) -> _Clause:
        return _Clause("logarithmic", True, self._span(meta))

    def clause_limit(self, meta: Any, children: list[Any]) -> _Clause:
        return _Clause("limit", children[0], self._span(meta))

    def clause_settle(self, meta: Any, children: list[Any]) -> _Clause:
        return _Clause("settle", children[0], self._span(meta))

    def clause_until(self, meta: Any, children: list[Any]) -> _Clause:
        return _Clause("until", children[0], self._span(meta))

    def clause_reading(self, meta: Any, children: list[Any]) -> _Clause:
        return _Clause("reading", tuple(self._name(c) for c in children), self._span(meta))

    def clause_into(self, meta: Any, children: list[Any]) -> _Clause:
        return _Clause("into", self._name(children[0]), self._span(meta))

    def let(self, meta: Any, children: list[Any]) -> tree.Let:
        return tree.Let(self._name(children[0]), children[1], self._span(meta))

    def set_(self, meta: Any, children: list[Any]) -> tree.Set:
        return tree.Set(self._name(children[0]), children[1], self._span(meta))

    def reset(self, meta: Any, children: list[Any]) -> tree.Reset:
        return tree.Reset(children[0], self._span(meta))

    def say(self, meta: Any, children: list[Any]) -> tree.Say:
        return tree.Say(self._text(children[0]), self._span(meta))

    def note(self, meta: Any, children: list[Any]) -> tree.Note:
        return tree.Note(self._text(children[0]), self._span(meta))

    def stop(self, meta: Any, children: list[Any]) -> tree.Stop:
        text = self._text(children[0]) if children[0] is not None else None
        return tree.Stop(text, self._span(meta))

    def fail(self, meta: Any, children: list[Any]) -> tree.Fail:
        return tree.Fail(self._text(children[0]), self._span(meta))

    # Results

    def result_line(self, meta: Any, children: list[Any]) -> tree.Result:
        name, value, unit, title = children
        unit = str(unit) if unit is not None else None
        return tree.Result(self._name(name), value, unit, self._plain(title), self._span(meta))

    def expect(self, meta: Any, children: list[Any]) -> tree.Expect:
        return tree.Expect(children[0], self._span(meta))

    # Expressions

    def number(self, meta: Any, children: list[Any]) -> tree.Number:
        token = children[0]
        try:
            return tree.Number(read(str(token)), str(token), self._at(token))
        except UnitError as error:
            hint = "a number has at most 100 characters and lies between 1e-323 and 1e308 in SI"
            raise Mistake("number", str(error), hint, self._at(token)) from None

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


def join(line: OpenBlock, body: tree.Block, before: tree.Step | None) -> Any:
    """The step before, with an `else if`, `else` or `otherwise` joined to it."""
    if line.word == "otherwise":
        if isinstance(before, tree.Every) and before.until is not None and not before.otherwise:
            return _replace(before, otherwise=body)
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
        return _replace(before, arms=(*before.arms, tree.Arm(line.condition, body, line.span)))
    return _replace(before, otherwise=body)


def with_body(step: Any, body: tree.Block) -> Any:
    """A loop or arm with the steps of its block."""
    return _replace(step, body=body)


def _replace(node: Any, **changes: Any) -> Any:
    fields = {name: getattr(node, name) for name in node._names}
    return type(node)(**(fields | changes))
