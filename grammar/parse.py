"""Text to tree, with every problem of the text at once. Knows no instrument, no time and no file.

`parse` splits the text into lines and blocks, parses each line by itself under the start symbol of
its block, and builds the tree; a line that is wrong is reported and left out of the tree.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import groupby
from typing import Any

from grammar import tree
from grammar.blocks import split
from grammar.build import Builder, join, with_body
from grammar.build_lines import OpenBlock
from grammar.characters import Places
from grammar.collector import collector_paused
from grammar.diagnostic import NOWHERE, Problems, Related, Source, Span
from grammar.first_words import kind_of
from grammar.lines import MOST_PROBLEMS, Line
from grammar.mistake import Mistake
from grammar.node import replaced
from grammar.tables import Unexpected, parse_line
from grammar.wording import describe_unexpected, wrong_block


def parse(text: str, name: str = "recipe") -> tuple[tree.Recipe, Problems]:
    """The tree of a recipe's text and the problems found in it.

    The tree holds all that could be read, also where there are problems; it is fit for checking,
    so that a person sees everything at once.
    """
    if text.startswith("\ufeff"):
        text = text[1:]
    text = text.replace("\r\n", "\n").replace("\r", "\n")
    problems = Problems(Source(name, text))
    with collector_paused():
        lines, places = split(text, problems)
        return Parser(problems, places).recipe(lines), problems


def parse_expression(text: str) -> tree.Expression:
    """The tree of one expression; raises ValueError with the message where it is none."""
    problems = Problems(Source("expression", text))
    parser = Parser(problems, Places(text))
    node = parser.line(Line(text, 0), "expression")
    if node is None:
        raise ValueError(next(iter(problems)).message)
    return node  # type: ignore[no-any-return]


class Parser:
    """Parses the lines of one text; blocks call each other, lines go to the tables.

    What it finds wrong goes to its `problems`; `places` is the map of the text's offsets.
    """

    def __init__(self, problems: Problems, places: Places) -> None:
        self.problems = problems
        self.places = places
        self.builder = Builder(places, self._expression_in_text)

    def recipe(self, lines: list[Line]) -> tree.Recipe:
        """The declarations of a whole recipe, in any order."""
        found: dict[type, list[Any]] = {}
        blocks: dict[str, tree.Block] = {}
        seen: dict[str, Span] = {}
        results: tuple[Any, ...] = ()
        title = ""
        for line, node in self._nodes(lines, "declaration"):
            if isinstance(node, OpenBlock):
                self._once(node.word, node.span, seen)
                if node.word == "results":
                    results += tuple(
                        r for _, r in self._nodes(line.block, "result") if r is not None
                    )
                else:
                    blocks[node.word] = blocks.get(node.word, ()) + self.block(line, node.span)
                continue
            if isinstance(node, tree.Part):
                node = self._with_ratings(node, line)
            elif isinstance(node, tree.Procedure):
                node = with_body(node, self.block(line, node.span))
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
            self._complete(seen)
        if len(self.problems) >= MOST_PROBLEMS:
            self.problems.error(
                "too-many",
                max(problem.span for problem in self.problems),
                f"this is the last of {MOST_PROBLEMS} problems; what follows is not read",
                "correct these first",
            )
        return tree.Recipe(
            title,
            tuple(found.get(str, ())),
            tuple(found.get(tree.Channel, ())),
            tuple(found.get(tree.Digital, ())),
            tuple(found.get(tree.Part, ())),
            tuple(found.get(tree.Setting, ())),
            tuple(found.get(tree.Require, ())),
            tuple(found.get(tree.Guard, ())),
            tuple(found.get(tree.Procedure, ())),
            blocks.get("steps", ()),
            blocks.get("finally", ()),
            results,
            whole,
        )

    def _nodes(self, lines: list[Line], kind: str) -> Iterator[tuple[Line, Any]]:
        """The lines of a block with their nodes; None where a line has a problem (reported here).

        What stands beneath a line that could not be read is read for its own problems alone.
        """
        self._misplaced(lines, kind)
        for line in lines:
            node = self.line(line, kind)
            if node is None and line.block:
                self._lost_block(line)
            yield line, node

    def _lost_block(self, line: Line) -> None:
        kind = kind_of(line.block[0].text)
        if line.text.startswith(("channel", "setup")):
            return  # what stands beneath is meant as the rest of the line
        if kind in ("rating", "result"):
            for _ in self._nodes(line.block, kind):
                pass
        else:
            self.block(line, NOWHERE)

    def _misplaced(self, lines: list[Line], kind: str) -> None:
        """Report the lines of another kind, those that follow one another as one mistake."""
        for found, group in groupby(lines, lambda line: kind_of(line.text)):
            wrong = [line for line in group if not line.broken]
            if found in (None, kind) or not wrong or len(self.problems) >= MOST_PROBLEMS:
                continue
            for line in wrong:
                line.broken = True
            first, last = wrong[0], wrong[-1]
            message, hint = wrong_block(found, kind, first.text, len(wrong) - 1)
            end = last.offset + len(last.text.rstrip(":"))
            self.problems.error("wrong-block", self.places.span(first.offset, end), message, hint)

    def _complete(self, seen: dict[str, Span]) -> None:
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
        lines = [r for _, r in self._nodes(line.block, "rating") if r is not None]
        complete: tree.Part = replaced(
            part,
            ratings=tuple(r for r in lines if isinstance(r, tree.Rating)),
            facts=tuple(f for f in lines if isinstance(f, tree.Fact)),
        )
        return complete

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
        lost = False  # the step that an `else` or `otherwise` would join has a problem of its own
        for inner, node in self._nodes(line.block, "step"):
            if isinstance(node, OpenBlock):
                lost = self._join(node, inner, steps, lost)
                continue
            lost = node is None
            if node is None:
                continue
            if isinstance(node, tree.Arm):
                body = self.block(inner, node.span)
                steps.append(tree.If((with_body(node, body),), None, node.span))
            elif inner.opens:
                steps.append(with_body(node, self.block(inner, node.span)))
            else:
                steps.append(node)
        return tuple(steps)

    def _join(self, node: OpenBlock, line: Line, steps: list[Any], lost: bool) -> bool:
        """Join an `else` or `otherwise` to the step before; true where that can't be done."""
        body = self.block(line, node.span)
        if lost:
            return True
        joined = join(node, body, steps[-1] if steps else None)
        if isinstance(joined, Mistake):
            self.problems.error(joined.slug, node.span, joined.message, joined.hint)
            return True
        steps[-1] = joined
        return False

    def line(self, line: Line, start: str) -> Any:
        """The node of one line, or None where it has a problem (reported here)."""
        if line.broken or len(self.problems) >= MOST_PROBLEMS:
            return None
        try:
            node = self.builder.build(parse_line(line.text, start), line.offset)
        except Unexpected as error:
            slug, message, hint, span = self._described(error, line.text, line.offset, start)
            if line.goes_on is None or slug != "unfinished":
                self.problems.error(slug, span, message, hint)
                return None
        except Mistake as mistake:
            if line.goes_on is None:
                self.problems.error(mistake.slug, mistake.span, mistake.message, mistake.hint)
                return None
        if line.goes_on is None:
            return node
        rest = line.goes_on
        start_at, end_at = line.offset + len(line.text) - 1, rest.offset + len(rest.text)
        self.problems.error(
            "unfinished",
            self.places.span(start_at, end_at),
            "the next line is indented as if this one went on, and it has ended",
            "a line goes on after a comma and inside brackets; else indent both alike",
        )
        return None

    def _described(
        self, error: Unexpected, text: str, offset: int, start: str
    ) -> tuple[str, str, str, Span]:
        """Slug, message, hint and place of what the parser could not read."""
        slug, message, hint, place, length = describe_unexpected(
            text, error.position, error.expected, start
        )
        at = offset + place
        if length == 0 and at > 0:
            at, length = at - 1, 1
        return slug, message, hint, self.places.span(at, at + max(1, length))

    def _expression_in_text(self, text: str, offset: int) -> tree.Expression:
        """An expression written in the braces of a text."""
        try:
            node = parse_line(text, "expression")
        except Unexpected as error:
            _, message, hint, span = self._described(error, text, offset, "expression")
            raise Mistake("value-in-text", message, hint, span) from None
        return self.builder.build(node, offset)  # type: ignore[no-any-return]
