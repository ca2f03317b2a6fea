"""The steps of a recipe, compiled: what each does when it runs. No units, no tree, no parsing.

A step holds its source line, resolved places in the memory and compiled expressions, and asks the
run for everything that takes time, switches or records.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

from drivers.channel import Mode, Setpoint
from sequencer.engine.ending import Failed, LeaveLoop, Stopped
from sequencer.engine.expressions import Condition, Number

if TYPE_CHECKING:
    from sequencer.engine.port import Port
    from sequencer.engine.run import Run

Bounds = Callable[[], tuple[float, float]]


class Step:
    """One step; `count` is how often it ran since its outermost loop began."""

    def __init__(self, line: int, text: str) -> None:
        self.line = line
        self.text = text
        self.count = 0

    def run(self, run: Run) -> None:
        """Do it."""
        raise NotImplementedError

    def inner(self) -> Sequence[Step]:
        """The steps within this one."""
        return ()


def lasting(seconds: float, line: int) -> float:
    """A length of time (s) that was worked out. Raises Failed where it never ends or is none."""
    if math.isfinite(seconds):
        return seconds
    raise Failed(
        f"line {line}: the time to wait comes out as {seconds:g} s: a reading that is over range "
        f"or none went into it",
        "recipe",
    )


class Setup(Step):
    """Sets how a channel measures; ranges stay as they are until the output goes on anew."""

    def __init__(self, line: int, text: str, port: Port, values: dict[str, Number | None]) -> None:
        super().__init__(line, text)
        self.port, self.values = port, values

    def run(self, run: Run) -> None:
        """Do it."""
        given = {
            name: value() if value is not None else None for name, value in self.values.items()
        }
        run.configure(self.port, given)


class Source(Step):
    """Programs level and limit; remembered for the next `output on`."""

    def __init__(
        self, line: int, text: str, port: Port, mode: Mode, level: Number, limit: Bounds
    ) -> None:
        super().__init__(line, text)
        self.port, self.mode, self.level, self.limit = port, mode, level, limit

    def run(self, run: Run) -> None:
        """Do it."""
        low, high = self.limit()
        setpoint = Setpoint(self.mode, self.level(), low, high)
        run.sourced[self.port.name] = setpoint
        run.program(self.port, setpoint)


class Output(Step):
    """Switches an output."""

    def __init__(
        self, line: int, text: str, port: Port, on: bool, forced: tuple[float, float]
    ) -> None:
        super().__init__(line, text)
        self.port, self.on, self.forced = port, on, forced

    def run(self, run: Run) -> None:
        """Do it."""
        if self.on:
            run.switch_on(self.port, self.forced)
        else:
            run.switch_off(self.port)


class Measure(Step):
    """One reading of each channel, in the order written, perhaps into a trace."""

    def __init__(
        self,
        line: int,
        text: str,
        ports: Sequence[Port],
        trace: int,
        extras: Callable[[float], None] | None,
    ) -> None:
        super().__init__(line, text)
        self.ports, self.trace, self.extras = tuple(ports), trace, extras

    def run(self, run: Run) -> None:
        """Do it."""
        if run.several:
            run.look_round(sum(port.aperture_s for port in self.ports), self.ports)
        for port in self.ports:
            port.measure(self.trace, self.line)
        if self.extras is not None:
            self.extras(self.ports[0].last_time)


class Wait(Step):
    """Lets time pass; guards keep watching."""

    def __init__(self, line: int, text: str, duration: Number) -> None:
        super().__init__(line, text)
        self.duration = duration

    def run(self, run: Run) -> None:
        """Do it."""
        run.wait_until(run.now() + lasting(self.duration(), self.line))


class Loop(Step):
    """What all loops share: a body, and `leave`."""

    def __init__(self, line: int, text: str, body: Sequence[Step]) -> None:
        super().__init__(line, text)
        self.body = tuple(body)

    def inner(self) -> Sequence[Step]:
        """The steps within this one."""
        return self.body

    def turn(self, run: Run) -> None:
        """One turn of the body."""
        for step in self.body:
            step.run(run)
            step.count += 1


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
    ) -> None:
        super().__init__(line, text, body)
        self.period, self.duration, self.until = period, duration, until
        self.otherwise = tuple(otherwise) if otherwise is not None else None
        self.may_skip = any(isinstance(s, Loop | Wait) for s in all_steps(body))

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
        elif not met and self.otherwise is not None:
            for step in self.otherwise:
                step.run(run)
                step.count += 1
        elif not met:
            raise Failed(
                f"line {self.line}: the time ran out before the condition of `{self.text}` held",
                "recipe",
            )

    def _turns(self, run: Run, start: float, period: float, last: int) -> bool | None:
        """The ticks; True where the condition came, False where time ran out, None on `leave`."""
        until, body, tick = self.until, self.body, run.tick
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
                if k > last:
                    return False
                tick(k)
        except LeaveLoop:
            return None


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
        memory = run.memory
        try:
            for value in self.turns():
                if self.place is not None:
                    memory[self.place] = value
                run.attend()
                run.look_round()
                self.turn(run)
        except LeaveLoop:
            return


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
    ) -> None:
        super().__init__(line, text)
        self.arms = tuple((condition, tuple(body)) for condition, body in arms)
        self.otherwise = tuple(otherwise)

    def inner(self) -> Sequence[Step]:
        """The steps within this one."""
        return (*(step for _, body in self.arms for step in body), *self.otherwise)

    def run(self, run: Run) -> None:
        """Do it."""
        for condition, body in self.arms:
            if condition():
                chosen = body
                break
        else:
            chosen = self.otherwise
        for step in chosen:
            step.run(run)
            step.count += 1


class Sweep(Step):
    """A measured series of levels under one limit; stays at its last level."""

    def __init__(
        self,
        line: int,
        text: str,
        ports: Sequence[Port],
        mode: Mode,
        levels: Callable[[], Sequence[float]],
        limit: Bounds | None,
        settle: Number | None,
        until: Condition | None,
        trace: int,
        extras: Callable[[float], None] | None,
    ) -> None:
        super().__init__(line, text)
        self.ports, self.mode, self.levels, self.limit = tuple(ports), mode, levels, limit
        self.settle, self.until, self.trace, self.extras = settle, until, trace, extras

    def run(self, run: Run) -> None:
        """Do it."""
        source = self.ports[0]
        sourced = run.sourced[source.name]
        low, high = self.limit() if self.limit is not None else (sourced.low, sourced.high)
        for level in self.levels():
            run.attend()
            run.program(source, Setpoint(self.mode, level, low, high))
            if self.settle is not None:
                run.wait_until(run.now() + lasting(self.settle(), self.line))
            else:
                run.look_round()
            for port in self.ports:
                port.measure(self.trace, self.line)
            if self.extras is not None:
                self.extras(source.last_time)
            if self.until is not None and self.until():
                break


class Assign(Step):
    """`let` and `set`: a value into its place."""

    def __init__(self, line: int, text: str, place: int, value: Number) -> None:
        super().__init__(line, text)
        self.place, self.value = place, value

    def run(self, run: Run) -> None:
        """Do it."""
        run.memory[self.place] = self.value()


class Reset(Step):
    """Restarts a counter."""

    def __init__(self, line: int, text: str, port: Port, counter: str) -> None:
        super().__init__(line, text)
        self.port, self.counter = port, counter

    def run(self, run: Run) -> None:
        """Do it."""
        self.port.reset(self.counter)


class Say(Step):
    """Tells the person, or only the record."""

    def __init__(self, line: int, text: str, words: Callable[[], str], aloud: bool) -> None:
        super().__init__(line, text)
        self.words, self.aloud = words, aloud

    def run(self, run: Run) -> None:
        """Do it."""
        run.say(self.words(), self.aloud)


class Stop(Step):
    """Ends the run, well or badly."""

    def __init__(self, line: int, text: str, words: Callable[[], str], well: bool) -> None:
        super().__init__(line, text)
        self.words, self.well = words, well

    def run(self, run: Run) -> None:
        """Do it."""
        raise (Stopped if self.well else Failed)(self.words(), "" if self.well else "recipe")


def all_steps(steps: Sequence[Step]) -> list[Step]:
    """Steps and all that stand within them."""
    found: list[Step] = []
    for step in steps:
        found.append(step)
        found += all_steps(step.inner())
    return found
