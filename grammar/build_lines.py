"""What the builders of lines share: a line that only opens a block, and the clauses of a line."""

from __future__ import annotations

from typing import Any, NamedTuple

from grammar import tree
from grammar.diagnostic import Span
from grammar.mistake import Mistake


class OpenBlock(NamedTuple):
    """A line that opens a block and is no node by itself: `steps:`, `else:`, `otherwise:`, …"""

    word: str
    span: Span
    condition: tree.Expression | None = None


class Clause(NamedTuple):
    """A clause of a line: its word, its value (True where the word is all), its place."""

    word: str
    value: Any
    span: Span


def by_word(clauses: list[Any]) -> dict[str, Any]:
    """What the clauses of a step give, by their words. Raises Mistake where one stands twice."""
    given: dict[str, Any] = {}
    for clause in clauses:
        if clause.word in given:
            raise Mistake(
                "twice", f"`{clause.word}` stands here a second time", "write it once", clause.span
            )
        given[clause.word] = clause.value
    return given
