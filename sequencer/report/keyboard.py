"""What a person types, line by line, and the questions that it answers, while nobody waits here.

A thread reads the descriptor itself: a thread that hangs in Python's own buffered input would keep
the program from ending. Knows no run and draws nothing.
"""

from __future__ import annotations

import os
import queue
import threading
from collections.abc import Callable
from contextlib import suppress

_PIECE = 4096
LONGEST_LINE = 100_000


class Keyboard:
    """The lines of a descriptor. What is typed ahead waits in its order."""

    def __init__(self, descriptor: int, encoding: str = "utf-8") -> None:
        self._lines: queue.SimpleQueue[str | None] = queue.SimpleQueue()
        self._descriptor, self._encoding = descriptor, encoding
        self._started = False
        self._over = False

    def start(self) -> None:
        """Begin to read; from now on nobody else reads that descriptor."""
        if not self._started:
            self._started = True
            threading.Thread(target=self._read, daemon=True).start()

    def line(self, wait_s: float = 0.0) -> str | None:
        """The next line without its end, None where none comes within the wait.

        Raises EOFError where no line can come any more.
        """
        self.start()
        if self._over:
            raise EOFError
        try:
            found = self._lines.get(timeout=wait_s) if wait_s else self._lines.get_nowait()
        except queue.Empty:
            return None
        if found is None:
            self._over = True
            raise EOFError
        return found

    def forget(self) -> None:
        """What was typed so far answers nothing that is asked from now on."""
        with suppress(EOFError):
            while self.line() is not None:
                pass

    def _read(self) -> None:
        rest = b""
        with suppress(OSError):
            while piece := os.read(self._descriptor, _PIECE):
                *lines, rest = (rest + piece).split(b"\n")
                for line in lines:
                    self._put(line)
                if len(rest) > LONGEST_LINE:
                    break  # of no person's making
        if rest:
            self._put(rest)
        self._lines.put(None)

    def _put(self, line: bytes) -> None:
        self._lines.put(line.decode(self._encoding, errors="replace").rstrip("\r"))


class Asking:
    """A run's questions, shown by what is handed in, answered by the keyboard.

    `show` shows a question; `over` is told that none is open any more. Where lines are typed ahead
    on purpose, as through a pipe, they are answers too; else only what follows the question is.
    """

    def __init__(
        self,
        keyboard: Keyboard,
        show: Callable[[str], None],
        over: Callable[[], None] = lambda: None,
        *,
        typed_ahead: bool = False,
    ) -> None:
        self._keyboard, self._show, self._over = keyboard, show, over
        self._typed_ahead = typed_ahead

    def ask(self, text: str) -> None:
        """Show a question and begin to wait for its answer."""
        if not self._typed_ahead:
            self._keyboard.forget()
        self._show(text)

    def answer(self) -> str | None:
        """The line that was typed, None while there is none. Raises EOFError if none can come."""
        line = self._keyboard.line()
        if line is not None:
            self._over()
        return line

    def withdraw(self) -> None:
        """The question is over without an answer."""
        self._over()
