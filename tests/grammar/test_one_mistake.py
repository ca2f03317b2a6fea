"""One mistake, one problem: every line of the shipped recipes is spoilt in turn.

What a mistake costs is the line that it is in: nothing is said of the lines after it, and they are
in the tree as before.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from grammar.diagnostic import draw
from grammar.parse import parse

SHIPPED = sorted((Path(__file__).parents[2] / "recipes").glob("*.recipe"))


def code(line: str) -> str:
    """A line without its comment; the shipped ones have no # in a text."""
    return line.partition("#")[0].rstrip()


MISTAKES: dict[str, Callable[[str], str]] = {
    "a character too many": lambda line: line + " ~",
    "a quote too many": lambda line: line + ' "',
    "a bracket too many": lambda line: line + ")",
    "a bracket that stays open": lambda line: re.sub(r"\)(?=[^)]*$)", "", line),
    "a quote that stays open": lambda line: re.sub(r'"(?=[^"]*$)', "", line),
    "no colon": lambda line: line.removesuffix(":"),
    "a nonsense first word": lambda line: re.sub(r"\w+", "frobnicate 7", line, count=1),
    "a first word misspelt": lambda line: re.sub(r"(\w)(\w)(?=\w)", r"\1\1\2", line, count=1),
    "a unit as it is spoken": lambda line: re.sub(r"\b(\d+) (V|A)\b", r"\1 Volts", line, count=1),
    "a decimal comma": lambda line: re.sub(r'^([^"]*?\d)\.(\d)', r"\1,\2", line),
    "a tab in front": lambda line: "\t" + line.removeprefix("    "),
    "two spaces in front": lambda line: "  " + line,
    "a no-break space": lambda line: line.replace(" ", "\u00a0", 1) if line[0] != " " else line,
    "the last word missing": lambda line: line.rpartition(" ")[0],
}


# Long ones of many constructs, in which no line is left out.
ALL_THROUGH = ("characterise-supercapacitor", "pulse-cell", "sweep-panel-in-pulses")

# Where these are in the line that was spoilt; all others may leave a line that is right as well, or
# be noticed further on only.
SURE = {
    "a character too many",
    "a quote too many",
    "no colon",
    "a decimal comma",
    "a no-break space",
}


def spoilt_lines(text: str, mistake: Callable[[str], str]) -> Iterator[tuple[int, str]]:
    """The text with one line spoilt, and the number of the line, for each that can be."""
    lines = text.split("\n")
    for index, line in enumerate(lines):
        written = code(line)
        wrong = mistake(written) if written else written
        if wrong != written:
            yield index + 1, "\n".join([*lines[:index], wrong, *lines[index + 1 :]])


@pytest.mark.parametrize("mistake", MISTAKES)
@pytest.mark.parametrize("path", SHIPPED, ids=lambda path: path.stem)
def test_one_mistake_is_one_problem(path: Path, mistake: str) -> None:
    text = path.read_text("utf-8")
    assert not len(parse(text)[1])
    spoilt, noticed = 0, 0
    # Every line is spoilt, and each recipe in a sixth of its lines by any one mistake.
    turn = list(MISTAKES).index(mistake)
    for number, wrong in spoilt_lines(text, MISTAKES[mistake]):
        if (number + turn) % 6 and path.stem not in ALL_THROUGH:
            continue
        problems = parse(wrong, path.name)[1]
        found = "\n".join(draw(problem) for problem in problems)
        assert len(problems) <= 1, found
        if mistake in SURE:
            assert [problem.span.line for problem in problems] == [number], found
        spoilt, noticed = spoilt + 1, noticed + len(problems)
    assert spoilt == 0 or noticed > 0
