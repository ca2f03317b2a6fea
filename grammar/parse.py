"""Text to tree, with every problem of the text at once. Knows no instrument, no time and no file.

`parse` splits the text into lines and blocks, parses each line by itself under the start symbol of
its block, and builds the tree; a line that is wrong is reported and left out of the tree.
"""

from __future__ import annotations

import gc
from typing import Any

from lark.exceptions import UnexpectedCharacters, UnexpectedInput, UnexpectedToken

from grammar import tree
from grammar.build import Builder, Mistake, OpenBlock, join, with_body
from grammar.diagnostic import NOWHERE, Problems, Related, Source, Span
from grammar.lines import Line, Places, split
from grammar.tables import load
from grammar.wording import describe_unexpected

MOST_PROBLEMS = 50


def parse(text: str, name: str = "recipe") -> tuple[tree.Recipe, Problems]:
    """The tree of a recipe's text and the problems found in it.

    The tree holds all that could be read, also where there are problems; it is fit for checking,
    so that a person sees everything at once.
    """
    if text.startswith("\ufeff"):
        text = text[1:]
    text = text.replace("\r\n", "\n")
    problems = Problems(Source(name, text))
    collecting = gc.isenabled()
    gc.disable()
    try:
        lines, places = split(text, problems)
        return _Parser(problems, places).recipe(lines), problems
    finally:
        if collecting:
            gc.enable()


def parse_expression(text: str) -> tree.Expression:
    """The tree of one expression; raises ValueError with the message where it is none."""
    problems = Problems(Source("expression", text))
    parser = _Parser(problems, Places(text))
    node = parser.line(Line(text, 0, 0, 1, False), "expression")
    if node is None:
        raise ValueError(next(iter(problems)).message)
    return node  # type: ignore[no-any-return]


class _Parser:
    """Parses the lines of one text; blocks call each other, lines go to Lark."""

    def __init__(self, problems: Problems, places: Places) -> None:
        self.problems = problems
        self.places = places
        self.lark = load()
        self.builder = Builder(places, self._expression_in_text)

    def recipe(self, lines: list[Line]) -> tree.Recipe:
        """The declarations of a whole recipe, in any order."""
        found: dict[type, list[Any]] = {}
        blocks: dict[str, tree.Block] = {}
        seen: dict[str, Span] = {}
        results: tuple[Any, ...] = ()
        title = ""
        for line in lines:
            node = self.line(line, "declaration")
            if isinstance(node, OpenBlock):
                self._once(node.word, node.span, seen)
                if node.word == "results":
                    results += tuple(
                        r for r in (self.line(x, "result") for x in line.block) if r is not None
                    )
                else:
                    blocks[node.word] = blocks.get(node.word, ()) + self.block(line, node.span)
                continue
            if isinstance(node, tree.Part):
                node = self._with_ratings(node, line)
            elif line.block:
                self._no_block_here(line)
            if isinstance(node, tuple):
                word, value, span = node
                if word == "recipe":
                    self._once("recipe", span, seen)
                    title = value
                else:
                    found.setdefault(str, []).append(value)
            elif node is not None:
                found.setdefault(type(node), []).append(node)
        whole = self.places.span(0, max(1, len(self.problems.source.text.rstrip())))
        if not self.problems.has_errors:
            self._complete(seen, whole)
        return tree.Recipe(
            title,
            tuple(found.get(str, ())),
            tuple(found.get(tree.Channel, ())),
            tuple(found.get(tree.Part, ())),
            tuple(found.get(tree.Setting, ())),
            tuple(found.get(tree.Require, ())),
            tuple(found.get(tree.Guard, ())),
            blocks.get("steps", ()),
            blocks.get("finally", ()),
            results,
            whole,
        )

    def _complete(self, seen: dict[str, Span], whole: Span) -> None:
        first = Span(1, 1, 1, 2)
        if "recipe" not in seen:
            self.problems.error(
                "no-title",
                first,
                "this recipe has no title",
                'begin it with: recipe "What it does"',
            )
        if "steps" not in seen:
            self.problems.error(
                "no-steps", first, "this recipe has no steps", "write a block that begins: steps:"
            )

    def _once(self, word: str, span: Span, seen: dict[str, Span]) -> None:
        if word in seen:
            self.problems.error(
                "twice",
                span,
                f"`{word}` stands here a second time",
                "a recipe has it once",
                [Related(seen[word], "the first")],
            )
        else:
            seen[word] = span

    def _with_ratings(self, part: tree.Part, line: Line) -> tree.Part:
        if not line.block and not line.broken:
            self.problems.error(
                "empty-block",
                part.span,
                f"the part `{part.name.id}` has no ratings",
                "write what it bears beneath, one a line: voltage 0 V to 2.7 V",
            )
        ratings = [r for r in (self.line(x, "rating") for x in line.block) if r is not None]
        return tree.Part(
            part.name, part.kind, part.channel, part.not_pushed, tuple(ratings), part.span
        )

    def block(self, line: Line, span: Span) -> tree.Block:
        """The steps beneath a line; an empty block is a problem of its own."""
        if not line.block:
            self.problems.error(
                "empty-block",
                span,
                "this line opens a block, and no step stands in it",
                "write at least one step beneath it, indented by four spaces",
            )
        steps: list[Any] = []
        lost = False
        for inner in line.block:
            node = self.line(inner, "step")
            if inner.opens and not (lost and isinstance(node, OpenBlock)):
                self._block_step(node, inner, steps)
                lost = node is None
            elif node is not None and not isinstance(node, OpenBlock):
                steps.append(node)
                if inner.block:
                    self._no_block_here(inner)
        return tuple(steps)

    def _block_step(self, node: Any, line: Line, steps: list[Any]) -> None:
        """A step that opens a block; `else` and `otherwise` join the step before them."""
        if node is None:
            if line.block:
                self.block(line, NOWHERE)
            return
        last = steps[-1] if steps else None
        body = self.block(line, node.span)
        if isinstance(node, OpenBlock):
            joined = join(node, body, last)
            if isinstance(joined, Mistake):
                self.problems.error(joined.slug, node.span, joined.message, joined.hint)
            else:
                steps[-1] = joined
        elif isinstance(node, tree.Arm):
            steps.append(tree.If((with_body(node, body),), None, node.span))
        else:
            steps.append(with_body(node, body))

    def _no_block_here(self, line: Line) -> None:
        inner = line.block[0]
        self.problems.error(
            "indentation",
            self.places.span(inner.offset, inner.offset + len(inner.text)),
            "this line stands inside one that takes no block",
            "indent both alike",
        )

    def line(self, line: Line, start: str) -> Any:
        """The node of one line, or None where it has a problem (reported here)."""
        if line.broken:
            return None
        if len(self.problems) >= MOST_PROBLEMS:
            return None
        try:
            return self.builder.build(self.lark.parse(line.text, start=start), line.offset)
        except UnexpectedInput as error:
            self._report(error, line, start)
        except Mistake as mistake:
            self.problems.error(mistake.slug, mistake.span, mistake.message, mistake.hint)
        return None

    def _report(self, error: UnexpectedInput, line: Line, start: str) -> None:
        position = error.pos_in_stream if error.pos_in_stream is not None else len(line.text)
        if isinstance(error, UnexpectedToken) and error.token.type == "$END":
            position = len(line.text)
        expected: set[str] = set()
        if isinstance(error, UnexpectedToken):
            expected = set(error.accepts or error.expected)
        elif isinstance(error, UnexpectedCharacters):
            expected = set(error.allowed or ())
        slug, message, hint, length = describe_unexpected(
            line.text, position, expected, start, self._fits
        )
        at = line.offset + position
        if length == 0 and at > 0:
            at, length = at - 1, 1
        self.problems.error(slug, self.places.span(at, at + length), message, hint)

    def _fits(self, text: str, start: str) -> bool:
        """Whether a line would be right in a block of another kind."""
        try:
            self.lark.parse(text, start=start)
        except UnexpectedInput:
            return False
        return True

    def _expression_in_text(self, text: str, offset: int) -> tree.Expression:
        """An expression written in the braces of a text."""
        try:
            node = self.lark.parse(text, start="expression")
            return self.builder.build(node, offset)  # type: ignore[no-any-return]
        except UnexpectedInput as error:
            position = min(getattr(error, "pos_in_stream", 0) or 0, len(text))
            if isinstance(error, UnexpectedToken) and error.token.type == "$END":
                position = len(text)
            _, message, hint, length = describe_unexpected(
                text, position, set(), "expression", lambda *_: False
            )
            span = self.places.span(offset + position, offset + position + max(1, length))
            raise Mistake("value-in-text", message, hint, span) from None
