"""The digital lines of a run: read when somebody asks, switched by steps, at rest at every end.

What was switched and seen is on record. Guards that look at lines alone are judged with every
reading, and once more before an output goes on. Knows no instrument and no way to wait.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING

from sequencer.engine.ending import Failed
from sequencer.engine.guards import Condition

if TYPE_CHECKING:
    from drivers.channel import DigitalLine
    from sequencer.engine.port import Port

STATES = {True: "high", False: "low"}


class Lines:
    """The lines that a recipe declares, by name; `rests` has the outputs' states of rest."""

    def __init__(self, lines: Mapping[str, DigitalLine], rests: Mapping[str, bool]) -> None:
        self._lines = lines
        self._rests = rests
        self._conditions: list[Condition] = []

    def guard(self, condition: Condition) -> None:
        """A guard that names no channel, to be judged before an output goes on."""
        self._conditions.append(condition)

    def judge(self, port: Port) -> None:
        """A port is about to go on. Raises Failed where a guard on lines alone doesn't hold."""
        for condition in self._conditions:
            if not condition.holds():
                why = f": {condition.why}" if condition.why else ""
                raise Failed(
                    f"{port.name} is not switched on: guard `{condition.text}` doesn't hold{why}",
                    "person",
                )

    def reader(self, name: str) -> Callable[[], bool]:
        """What tells whether a line is high now. Raises BenchError."""
        return self._lines[name].read

    def read(self, name: str) -> bool:
        """Whether a line is high now. Raises BenchError."""
        return self._lines[name].read()

    def write(self, name: str, high: bool) -> None:
        """Drive an output line. Raises BenchError."""
        self._lines[name].write(high)

    def rest(self, told: Callable[[str, str], None]) -> tuple[str, ...]:
        """Every output to its state of rest; those that could not be brought there.

        `told` hears what was done, or not, as the kind and the text of an event.
        """
        unknown = []
        for name, high in self._rests.items():
            try:
                self._lines[name].write(high)
                told("line", f"{name} {STATES[high]}, at rest")
            except Exception as error:  # the others have to come to rest whatever it was
                told("rest failed", f"{name}: {error}")
                unknown.append(name)
        return tuple(unknown)
