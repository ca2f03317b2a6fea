"""How a served instrument can be told to misbehave, so that what guards against it can be tried.

Each way is what links and instruments do in earnest: silence, lateness, nonsense, a lost
connection, a restart, a relay that sticks. The module knows messages and answers, no sockets.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, get_args

from drivers.faults import BenchFileError
from drivers.located import suggestion

Way = Literal[
    "silence",
    "delay",
    "late",
    "garbage",
    "half",
    "babble",
    "close",
    "deaf",
    "power-cycle",
    "stuck-output",
    "false-read-back",
]
WAYS: tuple[Way, ...] = get_args(Way)

DELAY_S = 5.0


@dataclass
class Misbehaviour:
    """One way, from the message after `after` on, `times` times (for good where it is None).

    - silence: a message is taken and nothing comes back
    - delay: the answer comes after `delay_s` of real time
    - late: the answer comes just when the next question is asked
    - garbage: something else comes back
    - half: the first half of the answer comes, without an end
    - babble: the answer is followed by lines that nobody asked for
    - close: the connection is closed in the place of an answer
    - deaf: messages are no longer taken from the line
    - power-cycle: the instrument restarts before it does the message
    - stuck-output: the output no longer switches
    - false-read-back: levels are read back wrong
    """

    way: Way
    after: int = 0
    times: int | None = 1
    delay_s: float = DELAY_S
    seen: int = 0

    @classmethod
    def parse(cls, text: str) -> Misbehaviour:
        """From `NAME` or `NAME@N`; then for good. Raises BenchFileError with what is known."""
        name, _, count = text.partition("@")
        if name not in WAYS or not (count.isdecimal() or count == text[len(name) :]):
            raise BenchFileError(
                f"“{text}” is no way to misbehave",
                f"{suggestion(name, list(WAYS))} After N messages it is NAME@N.",
            )
        return cls(name, int(count or 0), None)

    def strikes(self) -> bool:
        """Count a message; whether it is one to misbehave at."""
        self.seen += 1
        past = self.seen - self.after
        return past > 0 and (self.times is None or past <= self.times)


GARBAGE = b"\x00#?overrun~\xff,;1.2.3\n"
BABBLE = b"+1.000000E+00\n" * 3
