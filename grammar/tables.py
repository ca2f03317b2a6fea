"""The grammar's parse tables: built from `recipe.lark`, baked into the package, loaded from there.

Building takes a fifth of a second and loading milliseconds, so the tables are shipped
(`recipe.tables`, written by `python -m grammar.tables`); a test builds them anew and compares. What
one version of Lark has written another need not read: then they are built in its place.
"""

from __future__ import annotations

import io
from functools import lru_cache
from pathlib import Path

from lark import Lark
from lark import __version__ as lark_version

from grammar.quantity import LETTER_CODE_PATTERN, NUMBER_PATTERN, SIMPLE_UNITS, UNIT_PATTERN

_HERE = Path(__file__).parent
GRAMMAR = _HERE / "recipe.lark"
TABLES = _HERE / "recipe.tables"
STARTS = ["declaration", "rating", "step", "result", "expression"]


def grammar_text() -> str:
    """The grammar with the patterns of units and numbers put in."""
    text = GRAMMAR.read_text(encoding="utf-8")
    unit = UNIT_PATTERN.replace("/", r"\/")
    quantity = rf"(?:{LETTER_CODE_PATTERN})|{NUMBER_PATTERN}[ ]*(?:{unit})"
    number = rf"{NUMBER_PATTERN}(?![^\W²³]|\.)"
    return text.replace("%QUANTITY%", quantity).replace("%UNIT%", unit).replace("%NUMBER%", number)


def build(strict: bool = False) -> Lark:
    """The parser, built from the grammar's text; `strict` looks for collisions of terminals."""
    return Lark(
        grammar_text(),
        parser="lalr",
        lexer="contextual",
        start=STARTS,
        propagate_positions=True,
        maybe_placeholders=True,
        strict=strict,
    )


def bake() -> bytes:
    """The tables as bytes: a line with the version of Lark that made them, and what it saves."""
    stream = io.BytesIO()
    stream.write(f"{lark_version}\n".encode())
    build().save(stream)
    return stream.getvalue()


@lru_cache(maxsize=1)
def load() -> Lark:
    """The parser from the baked tables, shared by all texts."""
    with TABLES.open("rb") as stream:
        if stream.readline().decode().strip() == lark_version:
            return Lark.load(stream)
    return build()


def main() -> None:
    """Write the tables beside the grammar."""
    TABLES.write_bytes(bake())
    print(f"{len(SIMPLE_UNITS)} units; tables written")


if __name__ == "__main__":
    main()
