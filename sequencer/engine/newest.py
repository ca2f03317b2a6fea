"""The newest part of a trace while it is being measured, as functions in steps look at it.

Rows are kept as long as some function may ask for them and no longer; what is worked out is what
the calculations of the same names work out of a whole trace. Knows no recipe and no record.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Callable

from sequencer.engine.ending import Failed

Number = Callable[[], float]
MOST_ROWS = 100_000
FUNCTIONS = ("mean", "slope", "minimum", "maximum")


class Part:
    """One column over a span of time (s) back from its newest row."""

    def __init__(self, value: Number | None, span: Number | None) -> None:
        self._value = value
        """What gives the column's present value; None is the time itself."""
        self._span = span
        self._rows: deque[tuple[float, float]] = deque()

    def add(self, moment: float) -> None:
        """A row has been measured at a moment (s)."""
        self._rows.append((moment, moment if self._value is None else self._value()))
        self._forget()
        if len(self._rows) > MOST_ROWS:
            raise Failed(
                f"the newest part of a trace has more than {MOST_ROWS} readings: look at a shorter "
                "part, or measure more seldom",
                "recipe",
            )

    def _forget(self) -> None:
        span = math.inf if self._span is None else self._span()
        # A span that isn't known yet keeps everything; a nanosecond is the clock's own step.
        while self._rows and self._rows[-1][0] - self._rows[0][0] > span + 1e-9:
            self._rows.popleft()

    def mean(self) -> float:
        """The mean of its readings, each alike; NaN where there is none."""
        self._forget()
        rows = self._rows
        return math.fsum(value for _, value in rows) / len(rows) if rows else math.nan

    def minimum(self) -> float:
        """Its smallest reading; NaN where there is none."""
        self._forget()
        return min((value for _, value in self._rows), default=math.nan)

    def maximum(self) -> float:
        """Its largest reading; NaN where there is none."""
        self._forget()
        return max((value for _, value in self._rows), default=math.nan)

    def slope(self) -> float:
        """Its slope against time (1/s) by least squares; NaN with less than two readings."""
        self._forget()
        rows = self._rows
        if len(rows) < 2:
            return math.nan
        middle = math.fsum(moment for moment, _ in rows) / len(rows)
        level = math.fsum(value for _, value in rows) / len(rows)
        spread = math.fsum((moment - middle) ** 2 for moment, _ in rows)
        if spread == 0:
            return math.nan
        return math.fsum((moment - middle) * (value - level) for moment, value in rows) / spread


class Newest:
    """The parts of one trace that some step or guard looks at."""

    def __init__(self) -> None:
        self.parts: list[Part] = []

    def add(self, moment: float) -> None:
        """A row of the trace has been measured."""
        for part in self.parts:
            part.add(moment)
