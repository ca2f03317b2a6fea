"""Steps that wait for something to come: a quantity that settles, a line, the person.

Guards go on all the while; each has an end, or waits for somebody who can be told to stop.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

from sequencer.engine.expressions import Number
from sequencer.engine.flow import Every, run_out
from sequencer.engine.steps import Measure, Step, lasting

if TYPE_CHECKING:
    from grammar.quantity import Dimension
    from sequencer.engine.run import Run

LOOK_S = 0.01
"""How often a digital line is looked at while the run waits for it."""


class Settle(Every):
    """A reading each period until largest minus smallest over a full window lie within a band."""

    def __init__(
        self,
        line: int,
        text: str,
        measure: Measure,
        quantity: Number,
        band: Number,
        window: Number,
        period: Number,
        at_most: Number,
        otherwise: Sequence[Step] | None,
    ) -> None:
        super().__init__(line, text, [measure], period, at_most, self._settled, otherwise)
        self.quantity, self.band, self.window = quantity, band, window
        self._seen: deque[float] = deque()
        self._readings = 0

    def inner(self) -> Sequence[Step]:
        """The steps within this one; its measurement is no step of the recipe's own."""
        return self.otherwise or ()

    def run(self, run: Run) -> None:
        """Do it."""
        self._readings = 0
        periods = lasting(self.window(), self.line) / lasting(self.period(), self.line)
        # As far apart as the window is long, and counted by the grid: it doesn't jitter.
        self._full = max(2, math.ceil(periods * (1 - 1e-12)) + 1)
        self._seen = deque(maxlen=max(2, math.floor(periods * (1 + 1e-12)) + 1))
        super().run(run)

    def _settled(self) -> bool:
        self._seen.append(self.quantity())
        self._readings += 1
        if self._readings < self._full or any(math.isnan(value) for value in self._seen):
            return False
        return max(self._seen) - min(self._seen) <= self.band()


class WaitFor(Step):
    """Waits until a digital line is in a state."""

    takes_time = True

    def __init__(
        self,
        line: int,
        text: str,
        name: str,
        high: bool,
        at_most: Number,
        otherwise: Sequence[Step] | None,
    ) -> None:
        super().__init__(line, text)
        self.name, self.high, self.at_most = name, high, at_most
        self.otherwise = tuple(otherwise) if otherwise is not None else None

    def inner(self) -> Sequence[Step]:
        """The steps within this one."""
        return self.otherwise or ()

    def run(self, run: Run) -> None:
        """Do it."""
        end = run.now() + lasting(self.at_most(), self.line)
        while run.lines.read(self.name) is not self.high:
            now = run.now()
            if now >= end - 1e-9:
                reason = f"line {self.line}: the time ran out before `{self.text}` came true"
                run_out(self.otherwise, reason, run)
                return
            run.wait_until(min(now + LOOK_S, end))
        run.saw_line(self.name, self.high)


class Ask(Step):
    """Waits for the person, and perhaps takes a value that they type."""

    takes_time = True

    def __init__(
        self,
        line: int,
        text: str,
        words: Callable[[], str],
        name: str,
        place: int,
        bounds: Callable[[], tuple[float, float]] | None,
        dimension: Dimension,
    ) -> None:
        super().__init__(line, text)
        self.words, self.name, self.place = words, name, place
        self.bounds, self.dimension = bounds, dimension

    def run(self, run: Run) -> None:
        """Do it."""
        if self.bounds is None:
            run.questions.wait(self.words())
            return
        low, high = self.bounds()
        run.memory[self.place] = run.questions.value(
            self.words(), self.name, low, high, self.dimension
        )


class Confirm(Step):
    """Goes on if the person says yes, and ends the run as stopped by the person if not."""

    takes_time = True

    def __init__(self, line: int, text: str, words: Callable[[], str]) -> None:
        super().__init__(line, text)
        self.words = words

    def run(self, run: Run) -> None:
        """Do it."""
        run.questions.confirm(self.words())
