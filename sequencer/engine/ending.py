"""How a run ends: the outcomes with their exit codes, and the exceptions that carry them."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum


class Outcome(Enum):
    """How a run ended. The value is (word for the person and the record, exit code)."""

    FINISHED = ("finished", 0)
    UNMET = ("finished, an expectation not met", 1)
    TRIPPED = ("tripped", 3)
    FAILED = ("failed", 4)
    STOPPED = ("stopped by the person", 5)

    @property
    def word(self) -> str:
        """The outcome in words."""
        return self.value[0]

    @property
    def exit_code(self) -> int:
        """The exit code of the command."""
        return self.value[1]


@dataclass(frozen=True)
class Ending:
    """How a run ended: outcome, reason in words, whose fault, the source line in hand.

    `unknown` names the channels whose outputs could not be shown to be off.
    """

    outcome: Outcome
    reason: str = ""
    fault: str = ""
    line: int = 0
    cause: BaseException | None = None
    unknown: tuple[str, ...] = ()


class RunEnds(Exception):
    """Ends the run from within a step; not an error of the program."""

    outcome = Outcome.FAILED

    def __init__(self, reason: str = "", fault: str = "") -> None:
        super().__init__(reason)
        self.reason = reason
        self.fault = fault


class Stopped(RunEnds):
    """`stop`: the recipe ends well."""

    outcome = Outcome.FINISHED


class Failed(RunEnds):
    """`fail`, a time that ran out, a refused look: the run ends badly."""


class Destroyed(Failed):
    """A part gave way that may not: what happened in words, and when (s from the run's start)."""

    def __init__(self, part: str, text: str, time_s: float) -> None:
        super().__init__(f"{part}: {text}", "part")
        self.time_s = time_s


class Tripped(RunEnds):
    """A guard switched off. `guard` is its name, `channel` where it was seen."""

    outcome = Outcome.TRIPPED

    def __init__(self, reason: str, guard: str, channel: str) -> None:
        super().__init__(reason, "part")
        self.guard = guard
        self.channel = channel


class Interrupted(RunEnds):
    """The person asked to stop; `at_once` skips everything but switching off."""

    outcome = Outcome.STOPPED

    def __init__(self, at_once: bool = False, reason: str = "stopped by the person") -> None:
        super().__init__(reason, "person")
        self.at_once = at_once


class LeaveLoop(Exception):
    """`leave`: out of the innermost loop."""
