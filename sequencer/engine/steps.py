"""Steps of a recipe, compiled: what each does when it runs. No units, no tree, no parsing.

A step holds its source line, resolved places in the memory and compiled expressions, and asks the
run for everything that takes time, switches or records.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

from drivers.channel import Mode, Setpoint
from sequencer.engine.ending import Failed, Stopped
from sequencer.engine.expressions import Number

if TYPE_CHECKING:
    from sequencer.engine.further import Further
    from sequencer.engine.port import Port
    from sequencer.engine.run import Run

Bounds = Callable[[], tuple[float, float]]


class Step:
    """One step; `count` is how often it ran since its outermost loop began.

    One that `takes_time` may keep a loop from its next tick on purpose.
    """

    takes_time = False

    def __init__(self, line: int, text: str) -> None:
        self.line = line
        self.text = text
        self.count = 0

    def run(self, run: Run) -> None:
        """Do it."""
        raise NotImplementedError

    def branch(self, run: Run) -> Sequence[Step] | None:
        """The steps that running this one comes to, where it is nothing else than running them.

        Outside of loops each of them has a row of its own on record.
        """
        return None

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
        further: Further | None,
    ) -> None:
        super().__init__(line, text)
        self.ports, self.trace, self.further = tuple(ports), trace, further

    @property
    def takes_many(self) -> bool:
        """Whether many of its readings may be taken at once."""
        alone = self.further is None or self.further.takes_many
        return alone and all(port.looks_ahead for port in self.ports)

    def run(self, run: Run) -> None:
        """Do it."""
        if run.several:
            run.look_round(sum(port.aperture_s for port in self.ports), self.ports)
        for port in self.ports:
            port.measure(self.trace, self.line)
        if self.further is not None:
            self.further.row(self.ports[0].last_time)


def only_measures(steps: Sequence[Step]) -> list[Measure] | None:
    """The steps, where all that they do is to measure channels, each once, that look ahead."""
    measures: list[Measure] = []
    for step in steps:
        if not isinstance(step, Measure) or not step.takes_many:
            return None
        measures.append(step)
    ports = [port for step in measures for port in step.ports]
    return measures if len(ports) == len({port.name for port in ports}) else None


class Wait(Step):
    """Lets time pass; guards keep watching."""

    takes_time = True

    def __init__(self, line: int, text: str, duration: Number) -> None:
        super().__init__(line, text)
        self.duration = duration

    def run(self, run: Run) -> None:
        """Do it."""
        run.wait_until(run.now() + lasting(self.duration(), self.line))


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


class Switch(Step):
    """Drives a digital output line."""

    def __init__(self, line: int, text: str, name: str, high: bool) -> None:
        super().__init__(line, text)
        self.name, self.high = name, high

    def run(self, run: Run) -> None:
        """Do it."""
        run.switch_line(self.name, self.high)


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
