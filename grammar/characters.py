"""One physical line of text: comments and odd characters blanked, brackets counted.

What would mislead everything after it (an unclosed text, a decimal comma, a bracket too many) is
found here, where its place is known best. Knows no logical line, no block and no grammar.
"""

from __future__ import annotations

import math
import re
from bisect import bisect_right
from typing import NamedTuple

from grammar.diagnostic import Problems, Span

LONGEST_LINE = 4_000
DEEPEST_BRACKET = 60
LONGEST_WORD_SHOWN = 40
_SPACE = "write a space after the comma"

# Invisible characters arrive with text that is copied from a page; within quotes and comments they
# do no harm.
_BITS = re.compile(
    r'"(?:[^"\\\n]|\\.)*"|"|#.*|[()]|(?<=\d),(?=\d)'
    r"|[^\S \r]|[\x00-\x08\x0e-\x1f\x7f\xad\u200b-\u200f\u202a-\u202e\u2060-\u2064\ufeff]"
)


class Places:
    """Offsets of a text to lines and columns, both counted from 1."""

    def __init__(self, text: str) -> None:
        self.starts = [0]
        self.starts += [match.end() for match in re.finditer("\n", text)]
        self._met = self._line_at(0)

    def span(self, start: int, end: int) -> Span:
        """The span between two offsets; the end is the first offset after it."""
        # Most spans stand in the line of the one before.
        line, first, after = self._met
        if not first <= start < after:
            line, first, after = self._met = self._line_at(start)
        if end <= after:
            return Span(line, start - first + 1, line, end - first + 1)
        end_line, end_first, _ = self._line_at(end)
        return Span(line, start - first + 1, end_line, end - end_first + 1)

    def _line_at(self, offset: int) -> tuple[int, int, float]:
        """The line that an offset stands in, its first offset and the first one after it."""
        starts = self.starts
        line = bisect_right(starts, offset)
        return line, starts[line - 1], starts[line] if line < len(starts) else math.inf


class Cleaned(NamedTuple):
    """A physical line: as long as it was, and whether it can be trusted."""

    text: str
    broken: bool


def clean(
    raw: str, offset: int, open_brackets: list[int], places: Places, problems: Problems
) -> Cleaned:
    """A physical line with its comment and odd characters blanked; its problems are reported.

    Of each kind of odd character the first in a line is enough; tabs in the indentation are the
    business of who makes blocks of it.
    `open_brackets` holds the offsets of the brackets that are open, and is brought up to date.
    """
    lead = len(raw) - len(raw.lstrip())
    if len(raw) > LONGEST_LINE:
        problems.error(
            "too-long",
            places.span(offset + lead, offset + lead + 1),
            f"this line has {len(raw)} characters, at most {LONGEST_LINE} are read",
            "a line may go on after a comma or inside brackets",
        )
        return Cleaned("", True)
    broken, commas, text = False, 0, raw
    odd: set[str] = set()
    for match in _BITS.finditer(raw):
        bit, index = match[0], match.start()
        if bit[0] == "#":
            text = text[:index] + " " * len(bit) + text[match.end() :]
        elif bit == "(":
            open_brackets.append(offset + index)
            if len(open_brackets) == DEEPEST_BRACKET + 1:
                problems.error(
                    "too-deep",
                    places.span(offset + index, offset + index + 1),
                    f"brackets are nested more than {DEEPEST_BRACKET} deep",
                    "give the inner parts names with `let`",
                )
            broken |= len(open_brackets) > DEEPEST_BRACKET
        elif bit == ")":
            if open_brackets:
                open_brackets.pop()
            elif not broken:
                problems.error(
                    "unopened-bracket",
                    places.span(offset + index, offset + index + 1),
                    "this bracket closes nothing",
                    "remove it, or write the missing “(”",
                )
                broken = True
        elif bit == ",":
            if not commas:
                _digits_and_comma(raw, index, offset, places, problems)
            commas += 1
            broken = True
        elif bit == '"':
            problems.error(
                "unclosed-text",
                places.span(offset + index, offset + len(raw)),
                "this text is never closed",
                'a text ends on its own line: write the missing “"”',
            )
            # The text has swallowed brackets that are meant as such.
            for swallowed in raw[index:]:
                if swallowed == ")" and open_brackets:
                    open_brackets.pop()
            return Cleaned(text[:index] + '"' * (len(raw) - index), True)
        elif bit[0] != '"':
            if bit not in odd and not (bit == "\t" and index < lead):
                at = offset + index
                _odd_character(bit, places.span(at, at + 1), problems)
                odd.add(bit)
            text = text[:index] + " " + text[match.end() :]
    return Cleaned(text, broken)


def _digits_and_comma(
    raw: str, index: int, offset: int, places: Places, problems: Problems
) -> None:
    """A comma between two digits: of a decimal number, or with its space left out."""
    before = re.search(r"[\w.]*\Z", raw[:index])
    after = re.match(r"[\w.]*", raw[index + 1 :])
    whole, part = before[0] if before else "", after[0] if after else ""
    span = places.span(offset + index - len(whole), offset + index + 1 + len(part))
    digits = re.match(r"\d+", part)
    if max(len(whole), len(part)) > LONGEST_WORD_SHOWN:
        problems.error("decimal-comma", span, "a comma stands between two digits", _SPACE)
    elif whole.isdecimal() and digits:
        part = digits[0]
        # A comma before three digits may as well part thousands, and the two differ by as much.
        thousands = f", or “{whole}{part}” where it parts thousands" if len(part) == 3 else ""
        problems.error(
            "decimal-comma",
            places.span(offset + index - len(whole), offset + index + 1 + len(part)),
            f"“{whole},{part}” has a decimal comma",
            f"write “{whole}.{part}”{thousands}; "
            "where two values are meant, write a space after the comma",
        )
    else:
        problems.error(
            "decimal-comma",
            span,
            f"“{whole},{part}” can be read as one value and as two",
            f"{_SPACE}: “{whole}, {part}”",
        )


def _odd_character(char: str, at: Span, problems: Problems) -> None:
    if char == "\t":
        problems.error("tab", at, "there is a tab between the words", "write a space in its place")
    else:
        problems.error(
            "odd-character",
            at,
            f"there is an invisible character here (U+{ord(char):04X})",
            "write a space in its place, or nothing",
        )
