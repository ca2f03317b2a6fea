"""Text to logical lines and blocks: indentation, comments, continued lines. No grammar of a line.

A line goes on inside parentheses and after a comma at its end; a line that ends in a colon opens a
block of lines that are indented further. What would mislead everything after it (a tab, an unclosed
text or bracket, a decimal comma) is found here, where its place is known best.
"""

from __future__ import annotations

import re
from bisect import bisect_right
from dataclasses import dataclass, field

from grammar.diagnostic import Problems, Related, Span

LONGEST_TEXT = 4_000_000
LONGEST_LINE = 4_000
DEEPEST_BLOCK = 40
DEEPEST_BRACKET = 60
UNKNOWN_INDENT = -1

_BITS = re.compile(
    r'"(?:[^"\\\n]|\\.)*"|"|#.*|[()]|(?<=\d),(?=\d)|[^\S \r]|[\x00-\x08\x0e-\x1f\x7f]'
)


@dataclass(slots=True)
class Line:
    """One logical line: its text with comments blanked, and where in the source it starts.

    `text` is as long as the stretch of source that it covers, so that offsets map back.
    """

    text: str
    offset: int
    indent: int
    number: int
    opens: bool
    broken: bool = False
    block: list[Line] = field(default_factory=list)


class Places:
    """Offsets of a text to lines and columns, both counted from 1."""

    def __init__(self, text: str) -> None:
        self.starts = [0]
        self.starts += [match.end() for match in re.finditer("\n", text)]

    def span(self, start: int, end: int) -> Span:
        """The span between two offsets; the end is the first offset after it."""
        starts = self.starts
        line = bisect_right(starts, start)
        end_line = line
        if line < len(starts) and end > starts[line]:
            end_line = bisect_right(starts, end)
        return Span(line, start - starts[line - 1] + 1, end_line, end - starts[end_line - 1] + 1)


def split(text: str, problems: Problems) -> tuple[list[Line], Places]:
    """The logical lines of a text, nested into blocks, and the map of its offsets.

    Lines that can't be trusted are marked `broken`: their problem is reported already.
    """
    places = Places(text)
    if len(text) > LONGEST_TEXT:
        problems.error(
            "too-long",
            Span(1, 1, 1, 2),
            f"this recipe has {len(text)} characters, at most {LONGEST_TEXT} are read",
            "split it into several recipes",
        )
        return [], places
    flat: list[Line] = []
    open_brackets: list[int] = []
    pending: Line | None = None
    offset = 0
    for number, raw in enumerate(text.split("\n"), start=1):
        clean, broken = _clean(raw, offset, open_brackets, places, problems)
        body = clean.strip()
        if pending is not None:
            pending.text += "\n" + clean
            pending.broken |= broken
        elif body or broken:
            indent = len(clean) - len(clean.lstrip())
            lead = raw[: len(raw) - len(raw.lstrip())]
            pending = Line(clean[indent:], offset + indent, indent, number, False, broken)
            if "\t" in lead:
                pending.indent = UNKNOWN_INDENT
        if pending is not None:
            complete = pending.text.rstrip()
            if not open_brackets and not complete.endswith(",") and (body or broken):
                _finish(pending, flat)
                pending = None
            elif open_brackets and _starts_anew(text, offset + len(raw) + 1):
                _unclosed(open_brackets, places, problems)
                pending.broken = True
                _finish(pending, flat)
                pending = None
        offset += len(raw) + 1
    if pending is not None:
        if open_brackets:
            _unclosed(open_brackets, places, problems)
            pending.broken = True
        _finish(pending, flat)
    return _nest(flat, places, problems), places


def _finish(line: Line, flat: list[Line]) -> None:
    line.text = line.text.rstrip()
    line.opens = line.text.endswith(":")
    flat.append(line)


FIRST_WORDS = {
    "declaration": (
        "recipe", "about", "channel", "part", "setting", "require", "guard", "steps", "finally",
        "results",
    ),
    "step": (
        "setup", "source", "output", "measure", "wait", "every", "repeat", "for", "leave", "if",
        "else", "otherwise", "sweep", "let", "set", "reset", "say", "note", "stop", "fail",
    ),
    "result": ("expect",),
}  # fmt: skip
_STATEMENT = re.compile(
    rf" *(?:(?:{'|'.join(word for words in FIRST_WORDS.values() for word in words)})"
    r"(?!\w)(?! *[=,.)])|[^\W\d]\w* *=(?! *[^\n]*\) *$))"
)


def _starts_anew(text: str, offset: int) -> bool:
    """Whether the next line reads as a statement of its own: then the bracket was forgotten."""
    return _STATEMENT.match(text, offset) is not None


def _unclosed(open_brackets: list[int], places: Places, problems: Problems) -> None:
    at = open_brackets[0]
    problems.error(
        "unclosed-bracket",
        places.span(at, at + 1),
        "this bracket is never closed",
        "write the missing “)”; a line goes on until its brackets are closed",
    )
    open_brackets.clear()


def _clean(
    raw: str, offset: int, open_brackets: list[int], places: Places, problems: Problems
) -> tuple[str, bool]:
    """A physical line with its comment and odd characters blanked, and whether it is broken."""
    broken = False
    if len(raw) > LONGEST_LINE:
        problems.error(
            "too-long",
            places.span(offset, offset + 1),
            f"this line has {len(raw)} characters, at most {LONGEST_LINE} are read",
            "a line may go on after a comma or inside brackets",
        )
        return "", True
    clean = raw
    for match in _BITS.finditer(raw):
        bit, at = match[0], offset + match.start()
        if bit[0] == "#":
            clean = clean[: match.start()] + " " * len(bit) + clean[match.end() :]
        elif bit == "(":
            open_brackets.append(at)
            if len(open_brackets) == DEEPEST_BRACKET + 1:
                problems.error(
                    "too-deep",
                    places.span(at, at + 1),
                    f"brackets are nested more than {DEEPEST_BRACKET} deep",
                    "give the inner parts names with `let`",
                )
                broken = True
        elif bit == ")":
            if open_brackets:
                open_brackets.pop()
            else:
                problems.error(
                    "unopened-bracket",
                    places.span(at, at + 1),
                    "this bracket closes nothing",
                    "remove it, or write the missing “(”",
                )
                broken = True
        elif bit == ",":
            _decimal_comma(raw, match.start(), offset, places, problems)
            broken = True
        elif bit == '"':
            problems.error(
                "unclosed-text",
                places.span(at, offset + len(raw)),
                "this text is never closed",
                'a text ends on its own line: write the missing “"”',
            )
            return clean[: match.start()] + " " * (len(raw) - match.start()), True
        elif bit[0] != '"':
            broken |= _odd_character(bit, at, places, problems)
            clean = clean[: match.start()] + " " + clean[match.end() :]
    return clean, broken


def _decimal_comma(raw: str, index: int, offset: int, places: Places, problems: Problems) -> None:
    before = re.search(r"\d+$", raw[:index])
    after = re.match(r"\d+", raw[index + 1 :])
    whole, part = before[0] if before else "", after[0] if after else ""
    problems.error(
        "decimal-comma",
        places.span(offset + index - len(whole), offset + index + 1 + len(part)),
        f"“{whole},{part}” has a decimal comma",
        f"write “{whole}.{part}”; where two values are meant, write a space after the comma",
    )


def _odd_character(bit: str, at: int, places: Places, problems: Problems) -> bool:
    if bit == "\t":
        problems.error(
            "tab",
            places.span(at, at + 1),
            "there is a tab here; how wide it is nobody can tell",
            "indent with spaces, four for each level",
        )
        return False
    problems.error(
        "odd-character",
        places.span(at, at + 1),
        f"there is an invisible character here (U+{ord(bit):04X})",
        "replace it by a space",
    )
    return False


def _nest(flat: list[Line], places: Places, problems: Problems) -> list[Line]:
    """Lines into blocks by their indentation; what doesn't fit is reported and kept in place.

    A level that fits no block is reported once and then taken for one of its own, so that the lines
    after it say nothing new.
    """
    top: list[Line] = []
    blocks: list[tuple[int, list[Line]]] = [(0, top)]
    previous: Line | None = None
    for line in flat:
        first = places.span(line.offset, line.offset + max(1, len(line.text.split("\n")[0])))
        if line.indent == UNKNOWN_INDENT:
            if previous is not None and previous.opens:
                blocks.append((blocks[-1][0] + 1, previous.block))
        elif previous is not None and previous.opens and line.indent > blocks[-1][0]:
            if len(blocks) > DEEPEST_BLOCK:
                problems.error(
                    "too-deep",
                    first,
                    f"blocks are nested more than {DEEPEST_BLOCK} deep",
                    "take the inner steps out of some of the blocks",
                )
                return top
            blocks.append((line.indent, previous.block))
        elif line.indent > blocks[-1][0]:
            related = []
            if previous is not None:
                end = previous.offset + len(previous.text)
                related = [Related(places.span(previous.offset, end), "the line before")]
            problems.error(
                "indentation",
                first,
                "this line is indented further than the one before, which opens no block",
                "indent both alike, or end the line before with a colon",
                related,
            )
            blocks.append((line.indent, blocks[-1][1]))
        else:
            inner = blocks[-1]
            while line.indent < blocks[-1][0]:
                inner = blocks.pop()
            if line.indent != blocks[-1][0]:
                levels = listed_levels([*(level for level, _ in blocks), inner[0]])
                problems.error(
                    "indentation",
                    first,
                    f"this line is indented by {line.indent} spaces, and no block around it is",
                    f"the blocks around it are indented by {levels} spaces",
                )
                blocks.append((line.indent, inner[1]))
        blocks[-1][1].append(line)
        previous = line
    return top


def listed_levels(levels: list[int]) -> str:
    """Levels for a sentence: "0, 4 and 8"."""
    words = [str(level) for level in levels]
    return ", ".join(words[:-1]) + " and " + words[-1]
