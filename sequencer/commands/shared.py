"""What several commands need: where data and talk go, settings from the command line, the store.

Loads nothing heavy, since `check` is to start at once.
"""

from __future__ import annotations

import math
import sys
from argparse import Namespace
from collections.abc import Iterable, Mapping
from enum import IntEnum
from pathlib import Path
from typing import TYPE_CHECKING, Any

from grammar.quantity import UnitError, read
from sequencer.report.terminal import Terminal

if TYPE_CHECKING:
    from grammar.quantity import Quantity
    from sequencer.record import Run, Store


class Exit(IntEnum):
    """The exit codes; the text is for the help."""

    MET = 0
    UNMET = 1
    BAD_INPUT = 2
    TRIPPED = 3
    FAILED = 4
    STOPPED = 5

    @property
    def text(self) -> str:
        """What it stands for."""
        return _EXITS[self]


_EXITS = {
    Exit.MET: "finished, and every expectation met; nothing to complain of",
    Exit.UNMET: "finished, but an expectation is not met or can't be decided",
    Exit.BAD_INPUT: "a mistake in the recipe, the bench file or the command line",
    Exit.TRIPPED: "tripped: a guard switched off",
    Exit.FAILED: "failed: instrument, link, program, wiring, a time that ran out, or `fail`",
    Exit.STOPPED: "stopped by you",
}


class Mistake(Exception):
    """What was asked for can't be done; `advice` says what to do now."""

    def __init__(self, message: str, advice: str = "", code: Exit = Exit.BAD_INPUT) -> None:
        super().__init__(message)
        self.message = message
        self.advice = advice
        self.code = code


def talk(arguments: Namespace) -> Terminal:
    """Where words for the person go: standard output, or standard error beside data."""
    return Terminal(sys.stderr if getattr(arguments, "json", False) else sys.stdout)


def put_data(data: Any) -> None:
    """Data on standard output, as JSON; a number that is none, or infinite, is null there."""
    import json

    json.dump(_finite(data), sys.stdout, ensure_ascii=False, indent=2, allow_nan=False)
    sys.stdout.write("\n")


def _finite(data: Any) -> Any:
    if isinstance(data, float):
        return data if math.isfinite(data) else None
    if isinstance(data, Mapping):
        return {key: _finite(value) for key, value in data.items()}
    if isinstance(data, list | tuple):
        return [_finite(value) for value in data]
    return data


def settings_of(given: Iterable[str]) -> dict[str, Quantity]:
    """The values of `--set NAME=VALUE`. Raises Mistake."""
    return _named_values("--set", "setting", given)


def answers_of(given: Iterable[str]) -> dict[str, Quantity]:
    """The values of `--answer NAME=VALUE`. Raises Mistake."""
    return _named_values("--answer", "answer", given)


def _named_values(option: str, what: str, given: Iterable[str]) -> dict[str, Quantity]:
    values: dict[str, Quantity] = {}
    for text in given:
        name, equals, value = (piece.strip() for piece in text.partition("="))
        if not (name and equals and value):
            raise Mistake(
                f"{option} {text}: this is no {what}",
                f"write it as in {option} rate=2A, or {option} 'rate = 2 A'",
            )
        if name in values:
            raise Mistake(f"{option} {name} is given twice", "keep one of them")
        try:
            values[name] = read(value)
        except UnitError as error:
            raise Mistake(f"{option} {text}: {error}", f"write it as in {option} rate=2A") from None
    return values


def store_path(arguments: Namespace) -> Path:
    """The store that the command line names, else the user's own."""
    if arguments.record:
        return Path(arguments.record)
    from sequencer.record import default_path

    return default_path()


def tell_of_the_past(terminal: Terminal, store: Store) -> None:
    """Runs that were cut off, and what watchdogs did since the last start: told once."""
    from sequencer.engine.watch import take_reports

    for row in store.recover():
        terminal.say(
            terminal.paragraph(
                f"{row.id} ({row.title or row.recipe_name}) was cut off: the program that ran it "
                f"is gone. Its {row.readings} readings are kept: `fusewire show {row.id}`.",
                "  ",
                "",
            )
        )
    for line in take_reports(store.path):
        style = "alarm" if "is unknown" in line else "yellow"
        terminal.say(terminal.paint(terminal.paragraph(line, "  ", ""), style))


def open_to_look(arguments: Namespace, terminal: Terminal) -> Store:
    """The store, to look at; what was cut off is told first. Raises Mistake where there is none."""
    from sequencer.record import Store

    path = store_path(arguments)
    if not path.is_file():
        raise Mistake(
            f"no run is on record yet: there is no file {path}",
            "`fusewire dry-run` and `fusewire run` make one; --record names another",
        )
    store = Store.open(path)
    tell_of_the_past(terminal, store)
    return store


def out_path(asked: str | None, otherwise: str) -> Path:
    """The file that `--out` names, else one of that name, which is to be new. Raises Mistake."""
    path = Path(asked or otherwise)
    if path.exists() and not asked:
        raise Mistake(
            f"{path} is there already, and nothing is overwritten unasked",
            f"--out {path} replaces it, --out ANOTHER writes beside it",
        )
    return path


def find_run(store: Store, given: str) -> Run:
    """A run by its id, a unique beginning of one, or `last`. Raises StoreError."""
    return store.find(given)
