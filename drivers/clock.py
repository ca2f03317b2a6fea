"""Time as the bench has it: the computer's monotonic clock, or a virtual one that only waits move.

A clock belongs to its bench, and everything that takes time on that bench asks it. Times are
seconds from the clock's own start. The virtual clock counts whole nanoseconds, so that equal waits
are equal to the bit however long the run has lasted, and a driver may precompute its step for them.
No other module reads a wall clock or sleeps.
"""

from __future__ import annotations

import math
import time
from datetime import datetime
from typing import TYPE_CHECKING, Protocol

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt

NANOSECONDS = 1_000_000_000


class Clock(Protocol):
    """What the runner and the drivers ask of time."""

    def now(self) -> float:
        """Seconds since the clock's start."""
        ...

    def wait_until(self, moment: float) -> None:
        """Return at that moment (s), at once where it has passed."""
        ...

    def begin_grid(self, start: float, period: float) -> None:
        """Announce that ticks come at start + k·period, so that drivers may precompute."""
        ...

    def tick(self, k: int) -> float:
        """Wait for tick k of the announced grid; return how late it is (s, 0 where on time)."""
        ...

    def end_grid(self) -> None:
        """The innermost announced grid is over; an outer one holds again."""
        ...


class ForeseeingClock(Clock, Protocol):
    """A clock that says beforehand, to the nanosecond, when ticks come: the place for blocks."""

    now_ns: int

    def ticks(self, first: int, count: int) -> npt.NDArray[np.int64]:
        """When ticks of the innermost grid come, from the first on (ns since the clock's start)."""
        ...


class VirtualClock:
    """Time that passes only where somebody waits, or where an instrument takes its time."""

    def __init__(self) -> None:
        self.now_ns = 0
        self.grids: list[tuple[int, float]] = []

    def now(self) -> float:
        """Seconds since the clock's start."""
        return self.now_ns / NANOSECONDS

    def wait_until(self, moment: float) -> None:
        """Move to that moment; a moment that has passed moves nothing."""
        moment_ns = round(moment * NANOSECONDS)
        if moment_ns > self.now_ns:
            self.now_ns = moment_ns

    def spend_ns(self, duration_ns: int) -> None:
        """Let whole nanoseconds pass: an aperture, a switching time."""
        self.now_ns += duration_ns

    def begin_grid(self, start: float, period: float) -> None:
        """Announce that ticks come at start + k·period."""
        self.grids.append((round(start * NANOSECONDS), period * NANOSECONDS))

    def tick(self, k: int) -> float:
        """Move to tick k of the innermost grid; return how late it is (s)."""
        start_ns, period_ns = self.grids[-1]
        tick_ns = start_ns + round(k * period_ns)
        if tick_ns >= self.now_ns:
            self.now_ns = tick_ns
            return 0.0
        return (self.now_ns - tick_ns) / NANOSECONDS

    def ticks(self, first: int, count: int) -> npt.NDArray[np.int64]:
        """When ticks of the innermost grid come, from the first on (ns since the clock's start)."""
        import numpy as np

        start_ns, period_ns = self.grids[-1]
        ticks_ns: npt.NDArray[np.int64] = start_ns + np.rint(
            np.arange(first, first + count) * period_ns
        ).astype(np.int64)
        return ticks_ns

    def end_grid(self) -> None:
        """The innermost grid is over."""
        self.grids.pop()


class MonotonicClock:
    """The computer's monotonic clock, counted from its making."""

    def __init__(self) -> None:
        self._start = time.monotonic()
        self._grids: list[tuple[float, float]] = []

    def now(self) -> float:
        """Seconds since the clock was made."""
        return time.monotonic() - self._start

    def wait_until(self, moment: float) -> None:
        """Sleep until that moment; never returns early."""
        while True:
            left = moment - self.now()
            if left <= 0 or math.isnan(left):
                return
            time.sleep(left)

    def begin_grid(self, start: float, period: float) -> None:
        """Announce that ticks come at start + k·period."""
        self._grids.append((start, period))

    def tick(self, k: int) -> float:
        """Sleep until tick k of the innermost grid; return how late it is (s)."""
        start, period = self._grids[-1]
        moment = start + k * period
        late = self.now() - moment
        if late <= 0:
            self.wait_until(moment)
            return 0.0
        return late

    def end_grid(self) -> None:
        """The innermost grid is over."""
        self._grids.pop()


def wall_time() -> datetime:
    """The date and time of day, local and with its offset: a label for people, never a measure."""
    return datetime.now().astimezone()
