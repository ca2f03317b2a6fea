"""Lines laid out on the page: indentation, empty lines, and where a line goes on in the next.

A line is broken where a person has broken it, where a comment stands in it, and where it would be
too long otherwise: after commas, and in brackets before operators. Knows no node.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any, NamedTuple

from grammar.build_lines import OpenBlock
from grammar.layout_lines import line
from grammar.layout_values import Break, Pieces, flat
from grammar.lines import begins_statement

WIDTH = 100
LEVEL = 4


class Comment(NamedTuple):
    """A comment within a line that goes on: its source line, and whether it stood there alone."""

    text: str
    number: int
    alone: bool

    def stood_at(self, place: Break) -> bool:
        """Whether it stood where the line may break."""
        return 0 < place.above <= self.number - self.alone and self.number < place.below


@dataclass(slots=True)
class Item:
    """What a page is made of: a line of the recipe, or a comment of its own.

    `apart` is whether an empty line stands before it; `comment` stands behind a line, or is all.
    """

    pieces: Pieces
    depth: int
    apart: bool = False
    opens: bool = False
    joins: bool = False
    is_comment: bool = False
    comment: str = ""
    inner: list[Comment] = field(default_factory=list)


def item_of(node: Any, depth: int) -> Item:
    """The line of a node, or one that opens a block."""
    pieces = line(node)
    for index, piece in enumerate(pieces):
        # Within brackets a line that begins like a statement would be taken for one.
        follows = flat(pieces[index + 1 : index + 5])
        if isinstance(piece, Break) and piece.depth and begins_statement(follows):
            pieces[index] = " "
    joins = isinstance(node, OpenBlock) and node.word in ("else", "else if", "otherwise")
    return Item(pieces, depth, opens=str(pieces[-1]).endswith(":"), joins=joins)


def written(items: list[Item]) -> str:
    """The text of all items."""
    lines: list[str] = []
    for item in items:
        if item.apart:
            lines.append("")
        lines += _physical(item)
    return "\n".join(lines) + "\n"


def set_apart(items: list[Item]) -> None:
    """Set the empty lines right.

    None stands after a line that opens a block, or before one that joins the block before; one
    stands on both sides of every block at the left edge.
    """
    beneath = False  # whether the last line at the left edge opened a block
    for index, item in enumerate(items):
        if not index or items[index - 1].opens or item.joins:
            item.apart = False
        if item.depth:
            continue
        if beneath:
            item.apart = True
        if item.opens:
            first = index
            while first and items[first - 1].is_comment and not items[first].apart:
                first -= 1
            items[first].apart = first > 0
        beneath = item.opens


def _physical(item: Item) -> Iterator[str]:
    """The physical lines of an item."""
    margin = " " * LEVEL * item.depth
    if item.is_comment:
        yield margin + item.comment
        return
    further = margin + " " * LEVEL * (2 if item.opens else 1)
    ends = [*_kept(item), len(item.pieces)]
    start, left = 0, item.inner
    for end in ends:
        waiting = ""
        for stretch in _fitting(item.pieces[start:end], WIDTH - len(margin), WIDTH - len(further)):
            if waiting:
                yield waiting
            waiting = margin + flat(stretch)
            margin = further
        if end == len(item.pieces):
            yield f"{waiting}  {item.comment}" if item.comment else waiting
            return
        place = item.pieces[end]
        inner = [c for c in left if isinstance(place, Break) and c.stood_at(place)]
        left = [comment for comment in left if comment not in inner]
        behind = [comment.text for comment in inner[:1] if not comment.alone]
        yield "  ".join([waiting, *behind])
        yield from (further + comment.text for comment in inner[len(behind) :])
        start = end + 1


def _kept(item: Item) -> list[int]:
    """The breaks that a person has made."""
    return [
        index
        for index, piece in enumerate(item.pieces)
        if isinstance(piece, Break) and 0 < piece.above < piece.below
    ]


def _fitting(pieces: Pieces, width: int, width_after: int) -> Iterator[Pieces]:
    """Pieces parted at breaks so that each part has the width, as far as that can be.

    As much as fits stands in a part; a break outside brackets is better than one within, and one
    behind a comma or before a sum better than one before a product.
    """
    while len(flat(pieces)) > width:
        breaks = [(p[:2], -i) for i, p in enumerate(pieces) if isinstance(p, Break)]
        if not breaks:
            break
        fits = [(rank, i) for rank, i in breaks if len(flat(pieces[:-i])) <= width]
        at = -(min(fits) if fits else breaks[0])[1]
        yield pieces[:at]
        pieces, width = pieces[at + 1 :], width_after
    yield pieces
