"""Text to logical lines and blocks: continued lines and indentation. No grammar of a line.

A line goes on inside parentheses and after a comma at its end; a line that ends in a colon opens a
block of lines that are indented further. A mistake in one line is reported once, and the lines
after it are read as if it had been made good.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field

from grammar.characters import Places, clean
from grammar.diagnostic import Problems, Related, Span

LONGEST_TEXT = 1_000_000
LONGEST_CONTINUED_LINE = 100_000
DEEPEST_BLOCK = 40
MOST_PROBLEMS = 50


@dataclass(slots=True)
class Line:
    """One logical line: its text with comments blanked, and where in the source it starts.

    `text` is as long as the stretch of source that it covers, so that offsets map back.
    """

    text: str
    offset: int
    indent: int
    opens: bool
    broken: bool = False
    block: list[Line] = field(default_factory=list)


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
    "rating": ("voltage", "current", "power", "energy", "charge", "temperature"),
}  # fmt: skip
_KEYWORDS = "|".join(w for k, words in FIRST_WORDS.items() if k != "rating" for w in words)

# The next line begins a statement of its own: by a first word that goes on as no value does, or, at
# the same indentation, by a rating or a result (which a named argument looks like).
_STATEMENT = re.compile(rf"[ \t]*(?:{_KEYWORDS})(?!\w)(?! *(?:[=,.)*/^<>+]|$))", re.MULTILINE)
_STATEMENT_AT_LEVEL = re.compile(
    rf" *(?:(?:{'|'.join(FIRST_WORDS['rating'])}) +(?=[\w.-])(?!to\b|and\b|or\b|in\b)"
    r"|[^\W\d]\w* *=(?![^\n]*[,)] *$))",
    re.MULTILINE,
)
_OPENS_BLOCK = re.compile(
    r"(?:part|steps|finally|results|every|repeat|for|if|else|otherwise)(?!\w)(?! *[=.,])"
)
_SPACES = re.compile(" *")


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
    joiner = _Joiner(text, places, problems)
    flat = joiner.lines()
    if joiner.tabs:
        _tabs(joiner.tabs, places, problems)
    return _nest(flat, places, problems, said=not joiner.tabs), places


def _tabs(tabs: list[int], places: Places, problems: Problems) -> None:
    """A file is indented with tabs all through or not at all: that is one mistake."""
    more = len(tabs) - 1
    rest = f", here and in {more} more line{'s' if more > 1 else ''}" if more else ""
    problems.error(
        "tab",
        places.span(tabs[0], tabs[0] + 1),
        f"there is a tab in the indentation{rest}; how wide it is nobody can tell",
        "indent with spaces, four for each level",
    )


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
                pending = Line("", offset + body_at, self._indent(raw[:body_at], offset), False)
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

    def _indent(self, lead: str, offset: int) -> int:
        """How far a line is indented; a tab, reported elsewhere, is taken for four spaces."""
        if "\t" in lead:
            self.tabs.append(offset + lead.index("\t"))
        return len(lead.expandtabs(4))

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
            begins_anew = _STATEMENT.match(self.text, next_offset) is not None or (
                self._is_at_level(pending, next_offset)
                and _STATEMENT_AT_LEVEL.match(self.text, next_offset) is not None
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
        if _STATEMENT.match(self.text, next_offset) is None:
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
        line.opens = line.text.endswith(":")
        self.flat.append(line)


def _nest(flat: list[Line], places: Places, problems: Problems, said: bool) -> list[Line]:
    """Lines into blocks by their indentation; what doesn't fit is reported and kept in place.

    A level that fits no block is reported once and then taken for one of its own, so that the lines
    after it say nothing new; with `said` false it isn't reported at all. Beneath a line that ought
    to end in a colon a block is taken as meant: the missing colon is found when it is parsed.
    """
    top: list[Line] = []
    blocks: list[tuple[int, list[Line]]] = [(0, top)]
    previous: Line | None = None
    for line in flat:
        if len(problems) >= MOST_PROBLEMS:
            return top
        if line.indent > blocks[-1][0]:
            if previous is not None and _opens_block(previous):
                if len(blocks) > DEEPEST_BLOCK:
                    problems.error(
                        "too-deep",
                        _first_line(line, places),
                        f"blocks are nested more than {DEEPEST_BLOCK} deep",
                        "take the inner steps out of some of the blocks",
                    )
                    previous.broken = True
                    return top
                previous.opens = True
                blocks.append((line.indent, previous.block))
            else:
                if said:
                    _indented_further(line, previous, places, problems)
                blocks.append((line.indent, blocks[-1][1]))
        else:
            inner = blocks[-1]
            while line.indent < blocks[-1][0]:
                inner = blocks.pop()
            if line.indent != blocks[-1][0]:
                if said:
                    levels = listed_levels([*(level for level, _ in blocks), inner[0]])
                    problems.error(
                        "indentation",
                        _first_line(line, places),
                        f"this line is indented by {line.indent} spaces, and no block around it is",
                        f"the blocks around it are indented by {levels} spaces",
                    )
                blocks.append((line.indent, inner[1]))
        blocks[-1][1].append(line)
        previous = line
    return top


def _opens_block(line: Line) -> bool:
    return line.opens or _OPENS_BLOCK.match(line.text) is not None


def _first_line(line: Line, places: Places) -> Span:
    return places.span(line.offset, line.offset + max(1, len(line.text.split("\n")[0])))


def _indented_further(
    line: Line, previous: Line | None, places: Places, problems: Problems
) -> None:
    if previous is None:
        problems.error(
            "indentation",
            _first_line(line, places),
            "this line is indented, and no block is open",
            "begin it at the left edge",
        )
        return
    end = previous.offset + len(previous.text)
    problems.error(
        "indentation",
        _first_line(line, places),
        "this line is indented further than the one before, which opens no block",
        "indent both alike, or end the line before with a colon",
        [Related(places.span(previous.offset, end), "the line before")],
    )


def listed_levels(levels: list[int]) -> str:
    """Levels for a sentence: "0, 4 and 8"."""
    words = [str(level) for level in levels]
    return ", ".join(words[:-1]) + " and " + words[-1]
