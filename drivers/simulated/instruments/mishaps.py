"""What befalls a simulated instrument on command, at its time: sense leads, mains, the relay.

A queue, from which the instrument takes what is due whenever it is next asked for anything.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import NamedTuple

from drivers.simulated.circuits.circuit import NEVER_NS

SEES = {"sense-open": 0.0, "sense-reversed": -1.0}
"""What the sense terminals see of the part's voltage after a fault of their leads, as a factor."""
POWER_CYCLE = "power-cycle"
OUTPUT_STUCK = "output-stuck"
MISHAPS = (*SEES, POWER_CYCLE, OUTPUT_STUCK)
"""The kinds of faults that are the instrument's, not its leads'."""


class Mishap(NamedTuple):
    """One of them, and when (ns of the bench clock)."""

    at_ns: int
    kind: str


class Mishaps:
    """Those that are still to come, the next one first."""

    def __init__(self, all_of_them: Iterable[Mishap]) -> None:
        self._left = sorted(all_of_them)

    def __bool__(self) -> bool:
        return bool(self._left)

    @property
    def next_ns(self) -> int:
        """When the next one comes; later than any time where none does."""
        return self._left[0].at_ns if self._left else NEVER_NS

    def take(self) -> Mishap:
        """The next one, which is due."""
        return self._left.pop(0)
