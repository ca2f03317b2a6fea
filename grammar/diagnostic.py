"""A located problem: what is wrong, where, what was expected, what to write instead.

Every stage that reads a person's text returns problems in this one form; the renderers here draw
them for a terminal, in one line each, or as plain data. Nothing is raised and nothing stops at the
first one. The module knows no language: a recipe, a bench file and a command line use it alike.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from functools import lru_cache
from typing import Any, NamedTuple


class Span(NamedTuple):
    """A stretch of text; lines and columns count from 1, the end column is the first one after."""

    line: int
    column: int
    end_line: int
    end_column: int

    def to(self, other: Span) -> Span:
        """From the start of this span to the end of the other."""
        return Span(self.line, self.column, other.end_line, other.end_column)


NOWHERE = Span(0, 0, 0, 0)


class Source(NamedTuple):
    """A text and what it is called."""

    name: str
    text: str

    def line(self, number: int) -> str:
        """The line of that number (from 1), without its end; empty where there is none."""
        lines = _lines(self.text)
        return lines[number - 1].rstrip("\r") if 0 < number <= len(lines) else ""


@lru_cache(maxsize=4)
def _lines(text: str) -> list[str]:
    """The lines of a text; kept, since a long recipe's are asked for one by one."""
    return text.split("\n")


class Related(NamedTuple):
    """Another place that belongs to a problem: the rating, the first definition."""

    span: Span
    message: str


class Problem(NamedTuple):
    """One problem. `slug` names its kind, `fault` whose it is, `hint` what to write instead."""

    slug: str
    message: str
    span: Span
    source: Source
    hint: str = ""
    related: tuple[Related, ...] = ()
    severity: str = "error"
    fault: str = "recipe"

    @property
    def place(self) -> str:
        """`file:line:column`, or the file alone where the problem has no line."""
        if self.span == NOWHERE:
            return self.source.name
        return f"{self.source.name}:{self.span.line}:{self.span.column}"

    def __repr__(self) -> str:
        return draw_short(self)

    def _repr_html_(self) -> str:
        """How a notebook shows it: as a terminal does."""
        from grammar.markup import verbatim

        return verbatim(draw(self))


class Problems:
    """Problems of one source, gathered in the order they are found; each place and slug once."""

    def __init__(
        self, source: Source, fault: str = "recipe", found: Iterable[Problem] = ()
    ) -> None:
        self.source = source
        self.fault = fault
        self.found = list(found)
        self.calls: list[Span] = []
        self._told: set[tuple[str, Span]] = {(p.slug, p.span) for p in self.found}

    @contextmanager
    def called_from(self, span: Span) -> Iterator[None]:
        """What is found meanwhile is found in a procedure that is called there, and says so."""
        self.calls.append(span)
        try:
            yield
        finally:
            self.calls.pop()

    def error(
        self, slug: str, span: Span, message: str, hint: str = "", related: Iterable[Related] = ()
    ) -> None:
        """Add an error."""
        self._add(slug, span, message, hint, related, "error")

    def warning(
        self, slug: str, span: Span, message: str, hint: str = "", related: Iterable[Related] = ()
    ) -> None:
        """Add a warning: worth a look, no bar to a run."""
        self._add(slug, span, message, hint, related, "warning")

    def _add(
        self,
        slug: str,
        span: Span,
        message: str,
        hint: str,
        related: Iterable[Related],
        severity: str,
    ) -> None:
        if (slug, span) in self._told:
            return
        self._told.add((slug, span))
        # From the innermost call outwards: how the run came to the place.
        calls = (Related(call, "called here") for call in reversed(self.calls))
        related = (*related, *calls)
        self.found.append(
            Problem(slug, message, span, self.source, hint, related, severity, self.fault)
        )

    def __iter__(self) -> Iterator[Problem]:
        return iter(sorted(self.found, key=lambda p: p.span))

    def __len__(self) -> int:
        return len(self.found)

    @property
    def has_errors(self) -> bool:
        """True where at least one problem is more than a warning."""
        return any(p.severity == "error" for p in self.found)

    @property
    def summary(self) -> str:
        """How many there are, in words: "2 errors and 1 warning"."""
        errors = sum(p.severity == "error" for p in self.found)
        counts = ((errors, "error"), (len(self.found) - errors, "warning"))
        said = [f"{n} {word}" + ("s" if n > 1 else "") for n, word in counts if n]
        return " and ".join(said) or "no problem"

    def __repr__(self) -> str:
        return f"Problems({self.source.name!r}, {self.summary})"

    def _repr_html_(self) -> str:
        """How a notebook shows them: each as a terminal does, and how many there are."""
        from grammar.markup import paragraph, verbatim

        drawn = "\n\n".join(draw(problem) for problem in self)
        return (verbatim(drawn) if drawn else "") + paragraph(f"{self.source.name}: {self.summary}")


def draw(problem: Problem, width: int = 80) -> str:
    """A problem for the terminal: its place, its line with the culprit underlined, what to do."""
    parts = [draw_short(problem)]
    if problem.span != NOWHERE:
        parts += _excerpt(problem.source, problem.span, "^", width)
    for related in problem.related:
        parts.append(f"  {related.message} (line {related.span.line}):")
        parts += _excerpt(problem.source, related.span, "-", width)
    if problem.hint:
        parts.append(f"  {problem.hint}")
    return "\n".join(parts)


def draw_short(problem: Problem) -> str:
    """A problem in one line."""
    return _shown(f"{problem.place}: {problem.severity}: {problem.message} [{problem.slug}]")


def as_data(problem: Problem) -> dict[str, Any]:
    """A problem as plain data for `--json` and editors."""
    return {
        "slug": problem.slug,
        "severity": problem.severity,
        "fault": problem.fault,
        "message": problem.message,
        "hint": problem.hint,
        "file": problem.source.name,
        "span": list(problem.span),
        "related": [{"span": list(r.span), "message": r.message} for r in problem.related],
    }


def _excerpt(source: Source, span: Span, mark: str, width: int) -> list[str]:
    """The span's first line and the marks beneath it, cut to the width around the culprit."""
    line = _shown(source.line(span.line))
    end = span.end_column if span.end_line == span.line else len(line) + 1
    start, end = span.column - 1, max(end - 1, span.column)
    gutter = f"{span.line:>5} | "
    room = max(20, width - len(gutter))
    if len(line) > room:
        first = max(0, min(start - room // 3, len(line) - room))
        line, start, end = line[first : first + room], start - first, end - first
    end = max(start + 1, min(end, len(line)))
    lead, marked = _columns(line[:start]), _columns(line[start:end])
    under = " " * (len(gutter) - 2) + "| " + " " * lead + mark * max(1, marked)
    return [gutter + line, under]


def _shown(text: str) -> str:
    """A text as it can be shown: what would steer the terminal or hide itself becomes a space."""
    return "".join(char if char.isprintable() else " " for char in text)


def _columns(text: str) -> int:
    """How many terminal columns a text takes (a wide character two, a combining one none)."""
    return sum(
        0 if unicodedata.combining(c) else 2 if unicodedata.east_asian_width(c) in "WF" else 1
        for c in text
    )
