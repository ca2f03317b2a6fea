"""Ctrl-C and what else ends a process, turned into what a run heeds by itself."""

from __future__ import annotations

import os
import signal
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from sequencer.engine.run import Person

FIRST_CTRL_C = (
    "Stopping: outputs go off, then `finally`. Ctrl-C once more switches off at once and skips it."
)
SECOND_CTRL_C = "Stopping at once: outputs go off."


@contextmanager
def signals(
    person: Person, say: Callable[[str], None], first: str = FIRST_CTRL_C
) -> Iterator[None]:
    """Ctrl-C stops, the second one at once; being told to end is like the second one."""

    def interrupted(number: int, frame: object) -> None:
        if person.stop:
            person.stop_at_once = True
            say(SECOND_CTRL_C)
        else:
            person.stop = True
            say(first)

    def told_to_end(number: int, frame: object) -> None:
        person.stop = person.stop_at_once = True
        say(SECOND_CTRL_C)

    ways: dict[signal.Signals, Any] = {signal.SIGINT: interrupted, signal.SIGTERM: told_to_end}
    if os.name == "posix" and signal.getsignal(signal.SIGHUP) != signal.SIG_IGN:
        # A terminal that goes away; `nohup` has said beforehand that this doesn't matter.
        ways[signal.SIGHUP] = told_to_end
    before = {number: signal.signal(number, way) for number, way in ways.items()}
    try:
        yield
    finally:
        for number, way in before.items():
            signal.signal(number, way)
