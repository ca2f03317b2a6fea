"""The parser of one line: Lark's, loaded from tables that were made of `recipe.lark` beforehand.

Making the tables takes longer than checking a recipe may, so that they are baked into the package:
`python -m grammar.tables` writes `recipe.tables`, a test compares it with the grammar. Knows how
Lark says what it can't read, and nothing of what a line means.
"""

from __future__ import annotations

import io
from functools import lru_cache
from hashlib import sha256
from pathlib import Path
from typing import Any

from lark import Lark, Tree, __version__
from lark.exceptions import UnexpectedCharacters, UnexpectedToken

from grammar.quantity import LETTER_CODE_PATTERN, NUMBER_PATTERN, UNIT_PATTERN

GRAMMAR = Path(__file__).parent / "recipe.lark"
TABLES = Path(__file__).parent / "recipe.tables"
STARTS = ["declaration", "rating", "step", "result", "expression"]
# Long recipes repeat their lines: those met lately aren't parsed again.
LINES_KEPT = 2_000


class Unexpected(Exception):
    """A line that makes no sense from `position` on, where one of `expected` could stand."""

    def __init__(self, position: int, expected: set[str]) -> None:
        super().__init__(position)
        self.position = position
        self.expected = expected


def grammar_text() -> str:
    """The grammar with the patterns of units and numbers put in."""
    text = GRAMMAR.read_text(encoding="utf-8")
    patterns = {
        "%QUANTITY%": rf"{LETTER_CODE_PATTERN}|{NUMBER_PATTERN}[ ]*(?:{UNIT_PATTERN})",
        "%UNIT%": UNIT_PATTERN,
        "%NUMBER%": rf"{NUMBER_PATTERN}(?![^\W²³]|\.)",
    }
    for name, pattern in patterns.items():
        text = text.replace(name, pattern.replace("/", r"\/"))
    return text


def build(strict: bool = False) -> Lark:
    """Lark's parser made anew from the grammar; `strict` looks for collisions of terminals."""
    return Lark(
        grammar_text(),
        parser="lalr",
        lexer="contextual",
        start=STARTS,
        propagate_positions=True,
        maybe_placeholders=True,
        strict=strict,
    )


def mark() -> bytes:
    """What the tables begin with: they are those of this grammar and this Lark.

    The tables themselves can't be compared: Lark numbers its states anew each time.
    """
    return sha256(f"lark {__version__}\n{grammar_text()}".encode()).hexdigest().encode() + b"\n"


def bake() -> bytes:
    """The tables of the grammar, their mark before them."""
    tables = io.BytesIO()
    build().save(tables)
    return mark() + tables.getvalue()


@lru_cache(maxsize=1)
def load() -> Lark:
    """The parser from the baked tables, shared by all texts."""
    return Lark.load(io.BytesIO(TABLES.read_bytes().partition(b"\n")[2]))


@lru_cache(maxsize=LINES_KEPT)
def parse_line(text: str, start: str) -> Tree[Any]:
    """The parse tree of a line, places counted from its beginning; raises Unexpected.

    It is shared by all lines of this text: nobody changes it.
    """
    try:
        return load().parse(text, start=start)
    except (UnexpectedCharacters, UnexpectedToken) as error:
        ended = isinstance(error, UnexpectedToken) and error.token.type == "$END"
        position = len(text) if ended else error.pos_in_stream
        assert position is not None  # it is for the end alone
        accepted: set[str] = error.interactive_parser.accepts()  # type: ignore[no-untyped-call]
        raise Unexpected(position, accepted) from None


def main() -> None:
    """Write the tables beside the grammar, where they are not those of it."""
    if TABLES.exists() and TABLES.read_bytes().startswith(mark()):
        print("the tables are those of the grammar")
        return
    TABLES.write_bytes(bake())
    print("tables written")


if __name__ == "__main__":
    main()
