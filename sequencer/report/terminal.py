"""A stream that a person reads: its width, its colours, and texts laid out for it.

Respects NO_COLOR, dumb terminals, pipes and consoles. Knows no recipe and no record, and loads
nothing heavy, since `check` is to start at once.
"""

from __future__ import annotations

import os
import re
import shutil
import sys
from collections.abc import Mapping, Sequence
from typing import IO, ClassVar

PLAIN_WIDTH = 80  # of a pipe or a file
NARROWEST, WIDEST = 40, 120
BELL = "\a"
_STYLES = {
    "bold": "1",
    "dim": "2",
    "red": "1;31",
    "yellow": "33",
    "green": "32",
    "blue": "34",
    "alarm": "1;7;31",
}
# Plots in characters have curves in plain colours.
_COLOURS = [str(code) for code in range(30, 38)]
_OWN = "|".join(re.escape(f"\x1b[{code}m") for code in ("0", *_STYLES.values(), *_COLOURS))
# Titles, notes and answers of instruments come from anywhere: what could steer the terminal is
# taken out of all that is shown, only the styles above are left.
_STEERING = re.compile(rf"({_OWN})|[\x00-\x08\x0b-\x1f\x7f-\x9f\u202a-\u202e\u2066-\u2069]")


def printable(text: str) -> str:
    """A text of strangers without anything that could steer a terminal."""
    return _STEERING.sub("", text)


def _columns(cell: str) -> int:
    return len(printable(cell))


class Terminal:
    """Where talk goes. `live` says whether a line may be drawn over, `width` is in columns.

    `lost` is why something could not be shown on any of them, a reader gone away apart.
    """

    lost: ClassVar[str] = ""

    def __init__(self, stream: IO[str], environment: Mapping[str, str] = os.environ) -> None:
        self.stream = stream
        dumb = environment.get("TERM", "") in ("dumb", "unknown")
        self.live = stream.isatty() and not dumb
        console = sys.platform == "win32" and not (
            environment.get("WT_SESSION") or environment.get("ANSICON")
        )
        self.coloured = self.live and not environment.get("NO_COLOR") and not console
        columns = shutil.get_terminal_size().columns if stream.isatty() else PLAIN_WIDTH
        self.width = max(NARROWEST, min(columns, WIDEST))
        self.gone = False

    def say(self, text: str = "") -> None:
        """Show a text. A reader that has gone away is no reason to end a run: it is noted only."""
        if self.gone:
            return
        shown = _STEERING.sub(r"\1" if self.coloured else "", text)
        try:
            self.stream.write(shown + "\n")
            self.stream.flush()
        except (OSError, ValueError) as error:
            self.gone = True
            if isinstance(error, OSError) and not isinstance(error, BrokenPipeError):
                Terminal.lost = error.strerror or str(error)

    def bell(self) -> None:
        """Sound the bell, where there is one."""
        if self.live and not self.gone:
            self.stream.write(BELL)
            self.stream.flush()

    def paint(self, text: str, style: str) -> str:
        """A text in a style, where there are colours."""
        return f"\x1b[{_STYLES[style]}m{text}\x1b[0m" if self.coloured and text else text

    def paragraph(self, text: str, indent: str = "", first: str | None = None) -> str:
        """A text folded at words; `first` takes the indent's place on its first line."""
        import textwrap

        return "\n".join(
            textwrap.fill(
                line,
                self.width,
                initial_indent=indent if first is None or k else first,
                subsequent_indent=indent,
                break_long_words=False,
                break_on_hyphens=False,
            )
            for k, line in enumerate(text.split("\n"))
        )

    def heading(self, text: str) -> str:
        """A line above a table."""
        return self.paint(text, "bold")

    def table(self, rows: Sequence[Sequence[str]], indent: int = 2, gap: int = 2) -> str:
        """Rows in columns; the last column is folded where it does not fit.

        Where the others leave it no room, it goes beneath them.
        """
        if not rows:
            return ""
        count = max(len(row) for row in rows)
        widths = [
            max((_columns(row[k]) for row in rows if k < len(row)), default=0)
            for k in range(count - 1)
        ]
        lead = " " * indent
        start = indent + sum(w + gap for w in widths)
        below = start > self.width - 20
        lines = []
        for row in rows:
            cells = [
                cell + " " * (width - _columns(cell))
                for cell, width in zip(row, widths, strict=False)
            ]
            front = lead + (" " * gap).join(cells)
            last = row[count - 1] if len(row) == count else ""
            if not last:
                lines.append(front.rstrip())
            elif below:
                lines.append(front.rstrip())
                lines.append(self.paragraph(last, " " * (indent + 4)))
            else:
                front = front + " " * gap if cells else lead
                lines.append(self.paragraph(last, " " * start, front))
        return "\n".join(lines)
