"""The progress of a dry run that takes longer than a moment, on a terminal; elsewhere nothing.

Drawn by a thread that reads the record, since the run itself has no time to look up.
"""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

from sequencer.report.terminal import Terminal, printable

if TYPE_CHECKING:
    from rich.console import Console

FIRST_AFTER_S = 1.0
EVERY_S = 0.25


class Waiting:
    """What the run tells meanwhile: its id, and words for the person."""

    def __init__(self, terminal: Terminal) -> None:
        self._terminal = terminal
        self.run_id = ""
        self.console: Console | None = None

    def begun(self, run_id: str) -> None:
        """The run has an id now."""
        self.run_id = run_id

    def say(self, words: str) -> None:
        """Words for the person, above the progress where there is one."""
        if self.console is None:
            self._terminal.say(words)
            return
        from rich.text import Text

        self.console.print(Text(printable(words)))


@contextmanager
def waiting(terminal: Terminal, store: Path, *, wanted: bool) -> Iterator[Waiting]:
    """Show progress as long as the `with` lasts."""
    told = Waiting(terminal)
    if not (wanted and terminal.live):
        yield told
        return
    ended = threading.Event()
    thread = threading.Thread(target=_show, args=(terminal, store, told, ended), daemon=True)
    thread.start()
    try:
        yield told
    finally:
        ended.set()
        thread.join()


def _show(terminal: Terminal, store: Path, told: Waiting, ended: threading.Event) -> None:
    if ended.wait(FIRST_AFTER_S) or not told.run_id:
        return
    from rich.console import Console
    from rich.live import Live
    from rich.text import Text

    from sequencer.record import StoreError, open_record
    from sequencer.report.following import Elapsed
    from sequencer.report.words import elapsed

    console = Console(file=terminal.stream, no_color=not terminal.coloured)
    try:
        with open_record(store) as opened:
            far = Elapsed(opened.run(told.run_id))
            with Live(console=console, auto_refresh=False, transient=True) as live:
                told.console = console
                while not ended.wait(EVERY_S):
                    live.update(Text(f"{elapsed(far.look(), far.at_most_s)} …"), refresh=True)
    except StoreError:
        return  # progress is a courtesy: the run goes on without
    finally:
        told.console = None
