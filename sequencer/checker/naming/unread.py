"""Lines that could not be read: their words, and the blocks that they stand in.

What such a line would have defined, measured or programmed nobody can know, so the checks are told
what to keep silent about. Looks at the text alone.
"""

from __future__ import annotations

import re

from grammar.diagnostic import NOWHERE, Problems

_BLOCKS = ("part", "steps", "finally", "results", "procedure")
_WORD = re.compile(r"[^\W\d]\w*")


def unread(problems: Problems) -> tuple[frozenset[str], frozenset[str]]:
    """The words of all lines that an error was found in while reading, those beneath included.

    Beside them the blocks that these lines stand in: "part", "steps", "finally", "results",
    "procedure", or "" for the declarations at the left edge.
    """
    words: set[str] = set()
    blocks: set[str] = set()
    errors = [p for p in problems.found if p.severity == "error" and p.span != NOWHERE]
    lines = problems.source.text.split("\n") if errors else []
    for problem in errors:
        first, last = (
            min(line, len(lines)) - 1 for line in (problem.span.line, problem.span.end_line)
        )
        while first > 0 and _goes_on(lines[first - 1], lines[first]):
            first -= 1
        while last + 1 < len(lines) and (
            not lines[last + 1].strip()
            or indent(lines[last + 1]) > indent(lines[first])
            or lines[last].rstrip().endswith(",")
        ):
            last += 1
        for line in lines[first : last + 1]:
            words.update(_WORD.findall(line))
        blocks.add(_block_of(lines, first))
    return frozenset(words), frozenset(blocks)


def _goes_on(line: str, after: str) -> bool:
    """Whether a line goes on in the one after it: after a comma, or within brackets."""
    end = line.partition("#")[0].rstrip()
    return end.endswith(",") or (bool(end) and indent(after) > indent(line) and end[-1] != ":")


def _block_of(lines: list[str], number: int) -> str:
    if lines[number][:1].strip():
        return ""
    while number > 0 and not lines[number][:1].strip():
        number -= 1
    found = _WORD.match(lines[number])
    return found[0] if found and found[0] in _BLOCKS else ""


def indent(line: str) -> int:
    """How far a line is indented."""
    return len(line) - len(line.lstrip())
