"""A line that can't be read costs one problem: nothing is said of what only follows from it.

The lines of the shipped recipes are spoilt in turn, a few of each recipe; what such a line would
have defined, measured or switched on is unknown to every check after it.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from grammar.diagnostic import draw
from grammar.parse import parse
from sequencer.checker import check

SHIPPED = sorted((Path(__file__).parents[3] / "recipes").glob("*.recipe"))
EVERY = 2
"""One line in so many is spoilt, another one in each recipe: all of them take twice as long."""


@pytest.mark.parametrize("path", SHIPPED, ids=lambda path: path.stem)
def test_a_line_that_cannot_be_read_is_one_problem(path: Path) -> None:
    lines = path.read_text("utf-8").split("\n")
    for number in range(len(path.stem) % EVERY, len(lines), EVERY):
        if not lines[number].partition("#")[0].strip():
            continue
        spoilt = [*lines[:number], lines[number].partition("#")[0].rstrip() + " ~"]
        recipe, problems = parse("\n".join([*spoilt, *lines[number + 1 :]]), path.name)
        assert len(problems) == 1
        check(recipe, problems)
        assert len(problems) == 1, "\n".join(draw(problem) for problem in problems)
