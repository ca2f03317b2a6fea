"""The beginning of work by hand: pieces that are typed, and the declarations among them.

A piece is one line, or a block to its empty line. Opens no bench and runs nothing.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Protocol

from drivers.kinds import KINDS
from grammar.diagnostic import Problems
from grammar.first_words import opens_block
from sequencer.manual.draft import Draft, is_elsewhere, is_step

PROMPT, MORE = "> ", "... "
_PATIENCE_S = 0.1
HELP = (
    "Type the steps of a recipe, one a line: source, output, measure, wait, every, sweep, …",
    "A block ends with an empty line. Enter alone shows how the channels stand.",
    "`stop` or the end of input ends well; Ctrl-C switches off and asks.",
)


_HELPLESS = ("help", "?", "quit", "exit", "bye")


def wants_help(line: str) -> bool:
    """Whether a line asks for help, or how one leaves."""
    return line.split()[0].lower() in _HELPLESS if line.split() else False


class Console(Protocol):
    """Where somebody types and reads."""

    def prompt(self, text: str) -> None:
        """Show that a line is waited for."""
        ...

    def line(self, wait_s: float) -> str | None:
        """The next line, None where none comes within the wait. Raises EOFError at the end."""
        ...

    def say(self, words: str) -> None:
        """Show words."""
        ...

    def problems(self, found: Problems) -> None:
        """Show problems."""
        ...


def read_piece(line: Callable[[str], str]) -> list[str] | None:
    """One line, or a block to its empty line; None at the end of input."""
    try:
        piece = [line(PROMPT)]
    except EOFError:
        return None
    if not opens_block(piece[0].split("#")[0].strip()):
        return piece
    try:
        while (more := line(MORE)).strip():
            piece.append(more)
    except EOFError:
        pass
    return piece


def declare(console: Console, draft: Draft) -> list[str] | None:
    """Take declarations until the first step, which is given back; None at the end of input."""

    def line(prompt: str) -> str:
        console.prompt(prompt)
        while True:
            found = console.line(_PATIENCE_S)
            if found is not None:
                return found

    while (piece := read_piece(line)) is not None:
        first = piece[0].strip()
        if not first or wants_help(first):
            for words in HELP if first else ():
                console.say(words)
        elif is_elsewhere(first):
            console.say(f"“{first}” isn't needed by hand: type the steps themselves.")
        elif first.startswith("#"):
            draft.head += piece
        elif is_step(first):
            return piece
        else:
            found = draft.declare(piece)
            if len(found):
                console.problems(found)
    return None


def parts_wanted(draft: Draft) -> list[tuple[str, str]]:
    """Channels that still lack a part, each with the name that the bench file has for it."""
    checked = draft.checked
    assert checked is not None
    return [
        (name, entry.part or "part")
        for name, entry in draft.bench.channels.items()
        if name in checked.channels
        and checked.part_on(name) is None
        and name not in draft.bench.sensors
    ]


def kinds() -> str:
    """The kinds of parts, for a person who has to name one."""
    return ", ".join(KINDS)
