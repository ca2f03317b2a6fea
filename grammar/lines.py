"""Text to logical lines: a line goes on inside brackets and after a comma at its end.

A bracket that was never closed and a comma too many end where the next statement begins, so that
the lines after them are read as if they had been made good. Knows no block.
"""

from __future__ import annotations

import re

from grammar.characters import Places, clean
from grammar.diagnostic import Problems
from grammar.first_words import FIRST_WORDS

LONGEST_CONTINUED_LINE = 100_000
MOST_PROBLEMS = 50


class Line:
    """One logical line: its text with comments blanked, and where in the source it starts.

    `text` is as long as the stretch of source that it covers, so that offsets map back. `opens`,
    `goes_on` (a line beneath that looks like the rest of this one) and `block` are set where the
    lines are nested.
    """

    __slots__ = ("block", "broken", "goes_on", "indent", "offset", "opens", "tabbed", "text")

    def __init__(
        self,
        text: str,
        offset: int,
        indent: int = 0,
        tabbed: bool = False,
        opens: bool = False,
        broken: bool = False,
    ) -> None:
        self.text = text
        self.offset = offset
        self.indent = indent
        self.tabbed = tabbed
        self.opens = opens
        self.broken = broken
        self.goes_on: Line | None = None
        self.block: list[Line] = []


_KEYWORDS = "|".join(w for k, words in FIRST_WORDS.items() if k != "rating" for w in words)

# What begins a statement of its own where a line would go on: a first word that goes on as no value
# does; at the same indentation a rating or a result too. Compiled where a line goes on, as few do.
_STATEMENT = rf"[ \t]*(?:{_KEYWORDS})(?!\w)(?! *(?:[=,.)*/^<>+#]|$))"
_RATING = rf" *(?:{'|'.join(FIRST_WORDS['rating'])}) +(?=[\w.-])(?!to\b|and\b|or\b|in\b)"
_RESULT = r" *[^\W\d]\w* *=(?P<value>.*)$"
_SPACES = re.compile(" *")


def logical_lines(text: str, places: Places, problems: Problems) -> tuple[list[Line], list[int]]:
    """The logical lines of a text, not nested yet, and the offsets of tabs in indentations.

    Lines that can't be trusted are marked `broken`: their problem is reported already. A tab is
    taken for four spaces, and is the caller's to report.
    """
    joiner = _Joiner(text, places, problems)
    return joiner.lines(), joiner.tabs


def _matches(pattern: str, text: str, offset: int) -> bool:
    return re.compile(pattern, re.MULTILINE).match(text, offset) is not None


def begins_statement(text: str) -> bool:
    """Whether a line that would go on within brackets begins like a statement of its own."""
    return _matches(_STATEMENT, text, 0)


class _Joiner:
    """Physical lines to logical ones."""

    def __init__(self, text: str, places: Places, problems: Problems) -> None:
        self.text = text
        self.places = places
        self.problems = problems
        self.open_brackets: list[int] = []
        self.pieces: list[str] = []
        self.length = 0
        self.comma = 0
        self.flat: list[Line] = []
        self.tabs: list[int] = []

    def lines(self) -> list[Line]:
        """All logical lines, not nested yet."""
        offset = 0
        pending: Line | None = None
        for raw in self.text.split("\n"):
            if len(self.problems) >= MOST_PROBLEMS:
                break
            cleaned = clean(raw, offset, self.open_brackets, self.places, self.problems)
            body = cleaned.text.strip()
            if pending is None and (body or cleaned.broken):
                body_at = len(raw) - len(raw.lstrip())
                pending = self._begin(raw[:body_at], offset)
                self.pieces, self.length = [cleaned.text[body_at:]], len(raw)
            elif pending is not None:
                self.pieces.append(cleaned.text)
                self.length += len(raw) + 1
            offset += len(raw) + 1
            if pending is not None:
                pending.broken |= cleaned.broken
                if self._is_complete(pending, body or cleaned.broken, offset):
                    self._finish(pending)
                    pending = None
        if pending is not None:
            self._unclosed(pending)
            self._finish(pending)
        return self.flat

    def _begin(self, lead: str, offset: int) -> Line:
        tabbed = "\t" in lead
        if tabbed:
            self.tabs.append(offset + lead.index("\t"))
        return Line("", offset + len(lead), len(lead.expandtabs(4)), tabbed)

    def _is_complete(self, pending: Line, said_something: str | bool, next_offset: int) -> bool:
        """Whether the logical line ends here; `next_offset` is where the next physical one starts.

        A bracket that was never closed or a comma too many would swallow the lines after it: it
        ends where the next line begins a statement of its own.
        """
        if self.length > LONGEST_CONTINUED_LINE and not pending.broken:
            self.problems.error(
                "too-long",
                self.places.span(pending.offset, pending.offset + 1),
                f"this line goes on for more than {LONGEST_CONTINUED_LINE} characters",
                "give its parts names with `let`",
            )
            pending.broken = True
        if self.length > LONGEST_CONTINUED_LINE:
            self.pieces = [self.pieces[0], self.pieces[-1]]
        if self.open_brackets:
            begins_anew = _matches(_STATEMENT, self.text, next_offset) or (
                self._is_at_level(pending, next_offset)
                and (_matches(_RATING, self.text, next_offset) or self._is_result(next_offset))
            )
            if begins_anew:
                self._unclosed(pending)
            return begins_anew
        if said_something:
            self.comma = next_offset - 2 - len(self.pieces[-1]) + len(self.pieces[-1].rstrip())
        return not self._goes_on_after_comma(pending, next_offset)

    def _goes_on_after_comma(self, pending: Line, next_offset: int) -> bool:
        """Whether a comma at the end lets the line go on; one too many is reported."""
        last = next(filter(None, (piece.rstrip() for piece in reversed(self.pieces))), "")
        if not last.endswith(","):
            return False
        # Capabilities bear the names of steps: `measure`, `source`.
        if self.pieces[0].startswith("channel") or not self._is_at_level(pending, next_offset):
            return True
        if not _matches(_STATEMENT, self.text, next_offset):
            return True
        at = self.comma
        self.problems.error(
            "unfinished",
            self.places.span(at, at + 1),
            "this line goes on after its comma, and the next one begins something else",
            "remove the comma, or write what belongs after it",
        )
        pending.broken = True
        return False

    def _is_at_level(self, pending: Line, next_offset: int) -> bool:
        """Whether the next physical line is indented no further than the line that is pending."""
        spaces = _SPACES.match(self.text, next_offset)
        indent = spaces.end() - next_offset if spaces else 0
        return indent <= pending.indent

    def _is_result(self, offset: int) -> bool:
        """Whether a line is a result, and not a named argument, which ends in a comma or a “)”."""
        match = re.compile(_RESULT, re.MULTILINE).match(self.text, offset)
        value = match["value"].rstrip() if match else ","
        return not value.endswith(",") and value.count(")") <= value.count("(")

    def _unclosed(self, pending: Line) -> None:
        if not self.open_brackets:
            return
        at = self.open_brackets[0]
        self.problems.error(
            "unclosed-bracket",
            self.places.span(at, at + 1),
            "this bracket is never closed",
            "write the missing “)”; a line goes on until its brackets are closed",
        )
        pending.broken = True
        self.open_brackets.clear()

    def _finish(self, line: Line) -> None:
        line.text = "\n".join(self.pieces).rstrip()
        self.flat.append(line)
