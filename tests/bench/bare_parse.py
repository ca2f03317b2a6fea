"""Lark's bare parse of a recipe's lines: the judge beside a check of them.

    python tests/bench/bare_parse.py RECIPE

prints the seconds that Lark takes for `parse` of every logical line, under the start symbol that
the line has: comments and indentation are done with, tables made and patterns compiled
beforehand.
"""

from __future__ import annotations

import gc
import sys
import time
from collections.abc import Iterator
from pathlib import Path

from grammar.blocks import split
from grammar.diagnostic import Problems, Source
from grammar.first_words import kind_beneath
from grammar.lines import Line
from grammar.tables import build


def lines_of(lines: list[Line], kind: str) -> Iterator[tuple[str, str]]:
    """Every logical line with its start symbol."""
    for line in lines:
        yield line.text, kind
        yield from lines_of(line.block, kind_beneath(line.text))


def main(path: str) -> None:
    """Print how long it takes."""
    text = Path(path).read_text(encoding="utf-8")
    lines = list(lines_of(split(text, Problems(Source(path, text)))[0], "declaration"))
    parser = build()
    for line, start in lines[:100]:
        parser.parse(line, start=start)
    gc.disable()
    begun = time.perf_counter()
    for line, start in lines:
        parser.parse(line, start=start)
    print(time.perf_counter() - begun)


if __name__ == "__main__":
    main(sys.argv[1])
