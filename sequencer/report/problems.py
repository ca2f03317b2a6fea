"""Problems and the worst-case tables as they are shown. Knows what was found, not how.

One model of a problem, three ways to show it: drawn for a terminal, each on one line for programs
that read line by line, and as plain data for editors.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from typing import TYPE_CHECKING, Any

from grammar import diagnostic
from grammar.diagnostic import Problem, Problems, draw, draw_short
from sequencer.report.terminal import Terminal

if TYPE_CHECKING:
    from sequencer.checker import Checked

_MARKS = re.compile(r"^( +\| +)(\^+|-+)$")


def show_problems(
    terminal: Terminal,
    gathered: Iterable[Problems],
    *,
    one_a_line: bool = False,
    summed_up: bool = True,
) -> None:
    """All problems, each drawn with its line, and how many there are; or each on one line alone."""
    found = [problem for problems in gathered for problem in problems]
    if one_a_line:
        for problem in found:
            terminal.say(draw_short(problem))
        return
    for problem in found:
        terminal.say(_drawn(terminal, problem))
        terminal.say()
    if not summed_up:
        return
    errors = sum(problem.severity == "error" for problem in found)
    warnings = len(found) - errors
    if errors:
        terminal.say(f"{_count(errors, 'error')}{_and(warnings)}: it can't be run like this.")
        first = next(problem for problem in found if problem.severity == "error")
        terminal.say(f"`fusewire explain {first.slug}` tells more.")
    elif warnings:
        terminal.say(f"{_count(warnings, 'warning')}.")


def as_data(problem: Problem) -> dict[str, Any]:
    """A problem as plain data, with the command that explains it.

    A span is line, column, end line and end column, counted from 1, the last one after the end.
    """
    return {
        **diagnostic.as_data(problem),
        "explain": f"fusewire explain {problem.slug}",
    }


def show_worst(terminal: Terminal, checked: Checked) -> None:
    """The worst that any path can do, set against what the parts bear."""
    if checked.worst is None:
        return
    from sequencer.checker.worst.table import render

    terminal.say(render(checked.worst, terminal.width))


def _drawn(terminal: Terminal, problem: Problem) -> str:
    style = "red" if problem.severity == "error" else "yellow"
    lines = draw(problem, terminal.width).split("\n")
    word = f" {problem.severity}: "
    lines[0] = _folded(terminal, lines[0]).replace(word, terminal.paint(word, style), 1)
    for k, line in enumerate(lines[1:], 1):
        marks = _MARKS.match(line)
        if marks:
            # The culprit in the colour of what it is, a place that belongs to it in another.
            own = style if marks[2].startswith("^") else "blue"
            lines[k] = marks[1] + terminal.paint(marks[2], own)
        elif line.startswith("  ") and "|" not in line[:8]:
            lines[k] = _folded(terminal, line)
    return "\n".join(lines)


def _folded(terminal: Terminal, line: str) -> str:
    """Folded for a person's eyes; left whole where another program may read it line by line."""
    if not terminal.live or len(line) <= terminal.width:
        return line
    lead = line[: len(line) - len(line.lstrip())]
    return terminal.paragraph(line.strip(), "    ", lead)


def _count(number: int, what: str) -> str:
    return f"{number} {what}" + ("s" if number != 1 else "")


def _and(warnings: int) -> str:
    return f" and {_count(warnings, 'warning')}" if warnings else ""
