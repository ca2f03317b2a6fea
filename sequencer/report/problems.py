"""Problems and the worst-case table as they are shown. Knows what was found, not how."""

from __future__ import annotations

import re
from collections.abc import Iterable
from typing import TYPE_CHECKING

from grammar.diagnostic import Problem, Problems, draw
from sequencer.report.terminal import Terminal

if TYPE_CHECKING:
    from sequencer.checker import Checked

_MARKS = re.compile(r"^( +\| +)(\^+)$")


def show_problems(terminal: Terminal, gathered: Iterable[Problems]) -> None:
    """All problems, each drawn with its line, and how many there are."""
    found = [problem for problems in gathered for problem in problems]
    for problem in found:
        terminal.say(_drawn(terminal, problem))
        terminal.say()
    errors = sum(problem.severity == "error" for problem in found)
    warnings = len(found) - errors
    if errors:
        terminal.say(f"{_count(errors, 'error')}{_and(warnings)}: it can't be run like this.")
    elif warnings:
        terminal.say(f"{_count(warnings, 'warning')}.")


def show_worst(terminal: Terminal, checked: Checked) -> None:
    """The worst that any path can do, set against what the parts bear."""
    if checked.worst is None:
        return
    from sequencer.checker.table import render

    terminal.say(render(checked.worst, terminal.width))


def _drawn(terminal: Terminal, problem: Problem) -> str:
    style = "red" if problem.severity == "error" else "yellow"
    lines = draw(problem, terminal.width).split("\n")
    word = f" {problem.severity}: "
    lines[0] = _folded(terminal, lines[0]).replace(word, terminal.paint(word, style), 1)
    for k, line in enumerate(lines[1:], 1):
        marks = _MARKS.match(line)
        if marks:
            lines[k] = marks[1] + terminal.paint(marks[2], style)
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
