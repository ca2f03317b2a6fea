"""What a link asks of the wire beneath it: bytes out, one line back, by a deadline.

Two kinds of session meet it, the plain socket and whatever PyVISA opens. A session knows bytes and
deadlines; it knows no SCPI and keeps no judgement about whether it may be trusted: its link does.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Protocol

from drivers.clock import MonotonicClock

# Deadlines are kept in real time whatever clock the bench has: a dead peer is dead in real time.
DEADLINE_CLOCK = MonotonicClock()

# An answer line longer than this is no answer of any instrument that is asked one question.
LONGEST_LINE = 65536

# An instrument that was asked a few questions in vain owes no more late lines than this.
MOST_LATE_LINES = 64


class SessionError(Exception):
    """The wire did not do what was asked; `advice` says what the person can do about it."""

    def __init__(self, message: str, advice: str = "") -> None:
        super().__init__(message)
        self.message = message
        self.advice = advice

    def within(self, timeout_s: float) -> str:
        """The message, with the time that it speaks of where it ends in one."""
        return (
            f"{self.message} {timeout_s:g} s" if self.message.endswith("within") else self.message
        )


class Silence(SessionError):
    """Nothing, or only the beginning of a line, came before the deadline.

    `received` is None where the library doesn't tell what came: it loses the beginning of a line.
    """

    def __init__(self, received: bytes | None) -> None:
        if received is None:
            text = "no complete answer came within"
        elif received:
            text = f"only {shown(received)} came, without an end of line, within"
        else:
            text = "no answer came within"
        super().__init__(
            text,
            "Check that the instrument is on and that its dialect is the right one: an instrument "
            "that doesn't know a query stays silent.",
        )


class Closed(SessionError):
    """The peer has closed the connection, or the connection is gone."""

    def __init__(self, reason: str = "") -> None:
        super().__init__(
            "the instrument closed the connection" + (f" ({reason})" if reason else ""),
            "Check the cable, the instrument's power, and that no other program holds it.",
        )


class Absent(SessionError):
    """Nobody took the connection that was asked for."""

    def __init__(self, place: str, reason: str) -> None:
        super().__init__(
            f"nobody answers at {place} ({reason})",
            "See that the instrument is on and connected, that this is its address and port, and "
            "that no other program holds it.",
        )


class Babble(SessionError):
    """The peer sends what nobody asked for."""

    def __init__(self, received: bytes) -> None:
        super().__init__(
            "the instrument sends what it wasn't asked for"
            + (f": {shown(received)}" if received else ""),
            "Check that no other program talks to it and that it isn't set to talk by itself.",
        )


class Deaf(SessionError):
    """The peer takes no more bytes."""

    def __init__(self) -> None:
        super().__init__(
            "the instrument took no more data within",
            "It is hung, or flow control holds the line: switch it off and on again.",
        )


class Session(Protocol):
    """One open wire. Every method ends by its deadline (s, of DEADLINE_CLOCK) or soon after it."""

    def tell(self, data: bytes, deadline: float) -> None:
        """Send all of it."""
        ...

    def ask(self, data: bytes, deadline: float) -> bytes:
        """Send all of it and give back the one line that answers it, without its end."""
        ...

    def fence(self, data: bytes, is_echo: Callable[[bytes], bool], deadline: float) -> None:
        """Send a question whose answer can't be mistaken, and throw away all that comes before it.

        Raises Babble where lines go on coming without it, or anything follows it.
        """
        ...

    def renew(self, deadline: float) -> None:
        """Throw away what is under way in both directions, opening the wire anew where needed."""
        ...

    def close(self) -> None:
        """Let go of the wire."""
        ...


def shown(data: bytes) -> str:
    """The beginning of some bytes, fit to be printed in a message."""
    text = data[:60].decode("latin-1").encode("unicode_escape").decode("ascii")
    return f"“{text}{'…' if len(data) > 60 else ''}”"
