"""Logical lines into blocks, by their indentation. No grammar of a line.

A line that ends in a colon opens a block of lines that are indented further. A line that fits no
block is reported once, and put where its first word says that it belongs, so that the mistake costs
nothing more.
"""

from __future__ import annotations

from typing import NamedTuple

from grammar.characters import Places
from grammar.diagnostic import Problems, Related, Span
from grammar.first_words import kind_beneath, kind_of, may_be_joined, opens_block
from grammar.lines import MOST_PROBLEMS, Line, logical_lines

LONGEST_TEXT = 1_000_000
DEEPEST_BLOCK = 40


def split(text: str, problems: Problems) -> tuple[list[Line], Places]:
    """The lines of a text, nested into blocks, and the map of its offsets.

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
    flat, tabs = logical_lines(text, places, problems)
    if tabs:
        _tabs(tabs, places, problems)
    # How deep a tab is nobody can tell: with tabs about, the other lines' depth isn't judged.
    return _Nest(places, problems, judged=not tabs).nested(flat), places


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


class _Block(NamedTuple):
    """An open block: how far it is indented, the kind of its lines, the lines."""

    indent: int
    kind: str
    lines: list[Line]


class _Nest:
    """The blocks that are open while the lines are gone through."""

    def __init__(self, places: Places, problems: Problems, judged: bool) -> None:
        self.places = places
        self.problems = problems
        self.judged = judged
        self.open = [_Block(0, "declaration", [])]
        self.flat: list[Line] = []
        self.unwritten: list[Line] = []

    def nested(self, flat: list[Line]) -> list[Line]:
        """The lines at the left edge, with the others in their blocks."""
        self.flat = flat
        top = self.open[0].lines
        previous: Line | None = None
        for line in flat:
            if len(self.problems) >= MOST_PROBLEMS:
                break
            line.opens = line.text.endswith(":")
            if line.indent > self.open[-1].indent:
                if previous is not None and self._is_rest_of_opening(line, previous):
                    previous.goes_on = previous.goes_on or line
                    previous.broken |= line.broken
                    continue
                if previous is not None and opens_block(previous.text):
                    if len(self.open) > DEEPEST_BLOCK:
                        self._too_deep(line)
                        previous.broken = True
                        break
                    # Without its colon too: that is found missing when the line is parsed.
                    previous.opens = True
                    kind = kind_beneath(previous.text)
                    self.open.append(_Block(line.indent, kind, previous.block))
                elif previous is not None and self._is_rest(line):
                    previous.goes_on = previous.goes_on or line
                    previous.broken |= line.broken
                    continue
                else:
                    self._indented_further(line, previous)
            else:
                self._outward(line)
            self.open[-1].lines.append(line)
            previous = line
        return top

    def _is_rest(self, line: Line) -> bool:
        """Whether a line that is indented further looks like the rest of the one before."""
        kind = kind_of(line.text)
        if kind == "result" and line.text.count(")") > line.text.count("("):
            return True  # a named argument of a call whose bracket was closed too early
        return kind is None or (kind in ("rating", "result") and self.open[-1].kind == "step")

    def _is_rest_of_opening(self, line: Line, previous: Line) -> bool:
        """Whether a line brings the colon that one before it, which opens a block, goes without."""
        return (
            line.text.endswith(":")
            and not previous.text.endswith(":")
            and opens_block(previous.text)
            and kind_of(line.text) is None
        )

    def _outward(self, line: Line) -> None:
        """Close the blocks that are indented further than the line."""
        inner = self.open[-1]
        while line.indent < self.open[-1].indent:
            inner = self.open.pop()
        if line.indent != self.open[-1].indent:
            if self.judged:
                levels = _listed([*(block.indent for block in self.open), inner.indent])
                self.problems.error(
                    "indentation",
                    self._first_line(line),
                    f"this line is indented by {line.indent} spaces, and no block around it is",
                    f"the blocks around it are indented by {levels} spaces",
                )
            self._place(line, self._home(line, [inner, *self.open[::-1]]))
        elif line.tabbed and kind_of(line.text) not in (None, self.open[-1].kind):
            self._place(line, self._home(line, self.open[::-1]))

    def _home(self, line: Line, candidates: list[_Block]) -> _Block | None:
        """The innermost block in which a line makes sense."""
        kind = kind_of(line.text)
        joins = line.text.startswith(("else", "otherwise"))
        for block in candidates:
            joined = bool(block.lines) and may_be_joined(block.lines[-1].text)
            if kind in (None, block.kind) and (joined or not joins):
                return block
        return None

    def _place(self, line: Line, home: _Block | None) -> None:
        """Open a block for a line that fits none: of its own level, so that those after it fit.

        Its lines are those of the block where it is at home. Where there is none they stand beneath
        a line that was never written.
        """
        if home is None:
            word = _OPENED_BY.get(kind_of(line.text) or "", "")
            lines = (*self.flat, *self.unwritten)
            stands = any(other.text.startswith(word) for other in lines)
            once = bool(word) and self.open[-1].kind == "declaration" and not stands
            text = f"{word}:" if once else ""
            unwritten = Line(text, line.offset, line.indent, opens=True, broken=not once)
            self.open[-1].lines.append(unwritten)
            self.unwritten.append(unwritten)
            home = _Block(line.indent, kind_of(line.text) or "step", unwritten.block)
        elif not self.judged:
            line.indent = home.indent
            while self.open[-1].indent > line.indent:
                self.open.pop()
        self.open.append(_Block(line.indent, home.kind, home.lines))

    def _first_line(self, line: Line) -> Span:
        first = line.text.partition("\n")[0]
        return self.places.span(line.offset, line.offset + max(1, len(first)))

    def _too_deep(self, line: Line) -> None:
        self.problems.error(
            "too-deep",
            self._first_line(line),
            f"blocks are nested more than {DEEPEST_BLOCK} deep",
            "take the inner steps out of some of the blocks",
        )

    def _indented_further(self, line: Line, previous: Line | None) -> None:
        home = self._home(line, self.open[::-1])
        if self.judged:
            self._say_further(line, previous, home)
        self._place(line, home)

    def _say_further(self, line: Line, previous: Line | None, home: _Block | None) -> None:
        word = _OPENED_BY.get(kind_of(line.text) or "")
        missing = f"`{word}:`" if word else "the line of its part, `part … :`,"
        if home is None:
            self.problems.error(
                "indentation",
                self._first_line(line),
                "this line is indented, and no block that it belongs to is open",
                f"write {missing} on a line before it",
            )
        elif previous is None:
            self.problems.error(
                "indentation",
                self._first_line(line),
                "this line is indented, and no block is open",
                "begin it at the left edge",
            )
        else:
            end = previous.offset + len(previous.text)
            self.problems.error(
                "indentation",
                self._first_line(line),
                "this line is indented further than the one before, which opens no block",
                "indent both alike, or end the line before with a colon",
                [Related(self.places.span(previous.offset, end), "the line before")],
            )


_OPENED_BY = {"step": "steps", "result": "results"}


def _listed(levels: list[int]) -> str:
    """Levels for a sentence: "0, 4 and 8"."""
    words = [str(level) for level in levels]
    return ", ".join(words[:-1]) + " and " + words[-1]
