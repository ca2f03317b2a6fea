"""The formatter: a recipe's text in the one canonical form, and the text of a tree.

The order of declarations and steps, comments, numbers and names stay as they were written; spaces,
indentation, the order of clauses, the spelling of units and operators, and brackets that change
nothing are made one. A text with errors is never touched. Knows no file.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from itertools import chain
from typing import Any, NamedTuple

from grammar import tree
from grammar.blocks import split
from grammar.build_lines import OpenBlock
from grammar.characters import Places
from grammar.diagnostic import Problems, Span
from grammar.first_words import kind_beneath
from grammar.layout_page import LEVEL, Comment, Item, item_of, set_apart, written
from grammar.layout_values import Break
from grammar.lines import Line
from grammar.parse import Parser, parse

_COMMENT = re.compile(r'"(?:[^"\\\n]|\\.)*"|(?P<comment>#.*)')


def format_text(text: str, name: str = "recipe") -> tuple[str, Problems]:
    """The canonical text of a recipe, and the problems of the text.

    Where there is an error the text comes back as it was.
    """
    recipe, problems = parse(text, name)
    if problems.has_errors:
        return text, problems
    source = problems.source.text
    lines, places = split(source, problems)
    rows = list(_rows(lines, "declaration", 0, Parser(problems, places)))
    items = _merged(rows, source, places)
    set_apart(items)
    formatted = written(items)
    again, wrong = parse(formatted, name)
    if len(wrong) or again != recipe:
        # A line of 4000 characters that has grown by its indentation: no other bound is near.
        problems.error(
            "too-long",
            Span(1, 1, 1, 2),
            "laid out, a line of this recipe would be longer than what is read",
            "give the parts of its longest line names with `let`",
        )
        return text, problems
    return formatted, problems


def recipe_text(recipe: tree.Recipe) -> str:
    """A recipe's tree as canonical text; a call that was expanded is written as the call."""
    groups: list[list[Any]] = [
        [("recipe", recipe.title, recipe.span), *(("about", a, recipe.span) for a in recipe.about)],
        [*recipe.channels, *recipe.digital],
        *([part] for part in recipe.parts),
        [*recipe.settings, *recipe.requires, *recipe.guards],
        *([procedure] for procedure in recipe.procedures),
    ]
    groups += [
        [(OpenBlock(word, recipe.span), block)]
        for word, block in (
            ("steps", recipe.steps),
            ("finally", recipe.final),
            ("results", recipe.results),
        )
        if block
    ]
    items: list[Item] = []
    for group in groups:
        made = list(chain.from_iterable(_items(node, 0) for node in group))
        if items and made:
            made[0].apart = True
        items += made
    set_apart(items)
    return written(items)


def step_text(step: tree.Step) -> str:
    """A step as canonical text, with the steps of its block where it has one, without a newline."""
    return written(list(_items(step, 0))).rstrip("\n")


class _Row(NamedTuple):
    """A logical line of the source: its node laid out, and where it stood."""

    item: Item
    indent: int
    first: int
    last: int


# From a text: rows of it, then what stands between them.


def _rows(lines: Sequence[Line], kind: str, depth: int, parser: Parser) -> Iterator[_Row]:
    for one in lines:
        node = parser.line(one, kind)
        span = parser.places.span(one.offset, one.offset + len(one.text))
        yield _Row(item_of(node, depth), one.indent, span.line, span.end_line)
        yield from _rows(one.block, kind_beneath(one.text), depth + 1, parser)


def _merged(rows: list[_Row], source: str, places: Places) -> list[Item]:
    """The rows with the comments and empty lines between and within them."""
    lines = source.split("\n")
    comments = _comments(source, places)
    items: list[Item] = []
    indents: list[int] = []
    at = 1
    for row in [*rows, None]:
        until = row.first if row is not None else len(lines) + 1
        apart = False
        for number in range(at, until):
            if number not in comments:
                apart = True  # nothing but a comment or nothing at all stands between rows
                continue
            comment = comments[number][1]
            depth = _depth_of_comment(lines[number - 1], indents, row)
            items.append(Item([], depth, apart, is_comment=True, comment=comment))
            apart = False
        if row is None:
            break
        row.item.apart = apart
        indents = [*indents[: row.item.depth], row.indent]
        if row.last in comments:
            row.item.comment = comments[row.last][1]
        for number in range(row.first, row.last):
            if number in comments:
                column, comment = comments[number]
                alone = not lines[number - 1][:column].strip()
                row.item.inner.append(Comment(comment, number, alone))
        items += _with_hoisted(row.item)
        at = row.last + 1
    return items


def _comments(source: str, places: Places) -> dict[int, tuple[int, str]]:
    """By the number of its line each comment with its column (from 0)."""
    found = {}
    for match in _COMMENT.finditer(source):
        if match["comment"]:
            start = places.span(match.start(), match.end())
            content = match["comment"].rstrip()
            if content[1:2] not in ("", " ", "#", "!"):
                content = f"# {content[1:]}"
            found[start.line] = (start.column - 1, content)
    return found


def _depth_of_comment(text: str, indents: Sequence[int], row: _Row | None) -> int:
    """The block of a comment of its own: the one before it where it is indented like its lines.

    `indents` are those of the blocks that the row before it stands in, `row` is the one after it.
    """
    after = row.item.depth if row is not None else 0
    indent = len(text.expandtabs(LEVEL)) - len(text.expandtabs(LEVEL).lstrip())
    for depth in range(len(indents) - 1, after, -1):
        if indents[depth] <= indent:
            return depth
    return after


def _with_hoisted(item: Item) -> list[Item]:
    """A line after those of its inner comments for which it has no break where they stand."""
    kept: list[Comment] = []
    before: list[Item] = []
    for comment in item.inner:
        if any(isinstance(piece, Break) and comment.stood_at(piece) for piece in item.pieces):
            kept.append(comment)
        else:
            before.append(Item([], item.depth, is_comment=True, comment=comment.text))
    if before:
        before[0].apart, item.apart = item.apart, False
    item.inner = kept
    return [*before, item]


# From a tree: its lines, one after another.


def _items(node: Any, depth: int) -> Iterator[Item]:
    match node:
        case (OpenBlock() as opening, block):
            yield item_of(opening, depth)
            yield from _block(block, depth)
        case tree.Part():
            yield item_of(node, depth)
            yield from _block((*node.ratings, *node.facts), depth)
        case tree.If():
            for index, arm in enumerate(node.arms):
                joined = OpenBlock("else if", arm.span, arm.condition)
                yield item_of(joined if index else arm, depth)
                yield from _block(arm.body, depth)
            if node.otherwise is not None:
                yield item_of(OpenBlock("else", node.span), depth)
                yield from _block(node.otherwise, depth)
        case tree.Called():
            yield from _items(node.do, depth)
        case _:
            yield item_of(node, depth)
            yield from _block(getattr(node, "body", ()), depth)
            if getattr(node, "otherwise", None) is not None:
                yield item_of(OpenBlock("otherwise", node.span), depth)
                yield from _block(node.otherwise, depth)


def _block(nodes: Sequence[Any], depth: int) -> Iterator[Item]:
    for node in nodes:
        yield from _items(node, depth + 1)
