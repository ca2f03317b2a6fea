"""Steps that decide which others run, and how often: branches, calls and loops.

They hold compiled steps and conditions, and ask the run for everything that takes time.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

from sequencer.engine.ending import Failed, LeaveLoop
from sequencer.engine.expressions import Condition, Number
from sequencer.engine.steps import Step, all_steps, lasting, only_measures

if TYPE_CHECKING:
    from sequencer.engine.blocks import Blocks
    from sequencer.engine.forms import ColumnCondition
    from sequencer.engine.run import Run


def run_all(steps: Sequence[Step], run: Run) -> None:
    """Run steps in their order and count them."""
    for step in steps:
        step.run(run)
        step.count += 1


def run_out(otherwise: Sequence[Step] | None, reason: str, run: Run) -> None:
    """A step's time has run out: its `otherwise`, or the run fails with the reason."""
    if otherwise is None:
        raise Failed(reason, "recipe")
    run_all(otherwise, run)


class Loop(Step):
    """What all loops share: a body, and `leave`."""

    takes_time = True

    def __init__(self, line: int, text: str, body: Sequence[Step]) -> None:
        super().__init__(line, text)
        self.body = tuple(body)

    def inner(self) -> Sequence[Step]:
        """The steps within this one."""
        return self.body

    def turn(self, run: Run) -> None:
        """One turn of the body."""
        run_all(self.body, run)


class Every(Loop):
    """A body on a time grid that does not drift: ticks at t0 + k·P.

    A tick that has passed is *skipped* where the body loops or waits, since it may take longer than
    a period on purpose; otherwise it is *late*, and runs.
    """

    def __init__(
        self,
        line: int,
        text: str,
        body: Sequence[Step],
        period: Number,
        duration: Number,
        until: Condition | None,
        otherwise: Sequence[Step] | None,
        over_columns: ColumnCondition | None = None,
    ) -> None:
        super().__init__(line, text, body)
        self.period, self.duration, self.until = period, duration, until
        self.over_columns = over_columns
        self.otherwise = tuple(otherwise) if otherwise is not None else None
        self.may_skip = any(step.takes_time for step in all_steps(body))

    def inner(self) -> Sequence[Step]:
        """The steps within this one."""
        return (*self.body, *(self.otherwise or ()))

    def run(self, run: Run) -> None:
        """Do it."""
        period = lasting(self.period(), self.line)
        duration, start = lasting(self.duration(), self.line), run.now()
        # The shaved nanosecond keeps floor(D/P) whole where D is a multiple of P in decimal.
        last = math.floor(duration / period * (1 + 1e-12))
        run.begin_grid(start, period)
        try:
            met = self._turns(run, start, period, last)
        finally:
            run.end_grid(self.line)
        if met is None:
            return
        if self.until is None:
            run.wait_until(start + duration)
        elif not met:
            reason = (
                f"line {self.line}: the time ran out before the condition of `{self.text}` held"
            )
            run_out(self.otherwise, reason, run)

    def _turns(self, run: Run, start: float, period: float, last: int) -> bool | None:
        """The ticks; True where the condition came, False where time ran out, None on `leave`."""
        until, body, tick = self.until, self.body, run.tick
        blocks = self._blocks(run)
        k = 0
        try:
            while True:
                for step in body:
                    step.run(run)
                    step.count += 1
                if until is not None and until():
                    return True
                k += 1
                if self.may_skip:
                    passed = math.ceil((run.now() - start) / period - 1e-9)
                    if passed > k:
                        passed = min(passed, last + 1)
                        run.skipped(passed - k)
                        k = passed
                if blocks is not None and blocks.next <= k <= last:
                    k += blocks.take(k, last)
                if k > last:
                    return False
                tick(k)
        except LeaveLoop:
            return None

    def _blocks(self, run: Run) -> Blocks | None:
        """What takes ticks many at a time; None where each has to run by itself.

        In real time a reading is acted upon before the next one comes.
        """
        judged_at_once = self.until is None or self.over_columns is not None
        measures = only_measures(self.body)
        if run.real_time or not judged_at_once or measures is None:
            return None
        # Only where there are channels to foresee are there columns to reckon with.
        from sequencer.engine.blocks import Blocks

        return Blocks(run, measures, self.over_columns)


class Repeat(Loop):
    """A body a number of times; with a name for the count where there is one."""

    def __init__(
        self,
        line: int,
        text: str,
        body: Sequence[Step],
        place: int | None,
        turns: Callable[[], Sequence[float]],
    ) -> None:
        super().__init__(line, text, body)
        self.place, self.turns = place, turns

    def run(self, run: Run) -> None:
        """Do it."""
        memory, values = run.memory, self.turns()
        blocks, last = self._blocks(run), len(values) - 1
        k = 0
        try:
            while k <= last:
                if blocks is not None and k and blocks.next <= k:
                    k += blocks.take(k, last)
                    if k > last:
                        return
                if self.place is not None:
                    memory[self.place] = values[k]
                run.attend()
                run.look_round()
                self.turn(run)
                k += 1
        except LeaveLoop:
            return

    def _blocks(self, run: Run) -> Blocks | None:
        """As `Every`'s; turns that are counted by name may differ in what comes with a reading."""
        measures = only_measures(self.body)
        if run.real_time or self.place is not None or measures is None:
            return None
        from sequencer.engine.blocks import Turns

        return Turns(run, measures)


class Leave(Step):
    """Out of the innermost loop."""

    def run(self, run: Run) -> None:
        """Do it."""
        raise LeaveLoop


class If(Step):
    """The first arm whose condition holds, or the last without one."""

    def __init__(
        self,
        line: int,
        text: str,
        arms: Sequence[tuple[Condition, Sequence[Step]]],
        otherwise: Sequence[Step],
        takes_time: bool = False,
    ) -> None:
        super().__init__(line, text)
        self.takes_time = takes_time
        self.arms = tuple((condition, tuple(body)) for condition, body in arms)
        self.otherwise = tuple(otherwise)

    def inner(self) -> Sequence[Step]:
        """The steps within this one."""
        return (*(step for _, body in self.arms for step in body), *self.otherwise)

    def branch(self, run: Run) -> Sequence[Step]:
        """The steps of the arm whose condition holds."""
        for condition, body in self.arms:
            if condition():
                return body
        return self.otherwise

    def run(self, run: Run) -> None:
        """Do it."""
        run_all(self.branch(run), run)


class Called(Step):
    """A procedure's steps in the place of its call."""

    def __init__(self, line: int, text: str, body: Sequence[Step]) -> None:
        super().__init__(line, text)
        self.body = tuple(body)

    def inner(self) -> Sequence[Step]:
        """The steps within this one."""
        return self.body

    def branch(self, run: Run) -> Sequence[Step]:
        """The procedure's steps."""
        return self.body

    def run(self, run: Run) -> None:
        """Do it."""
        run_all(self.body, run)
