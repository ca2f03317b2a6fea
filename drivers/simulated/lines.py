"""A simulated digital line: an input follows its profile, an output what was written to it.

The module knows the bench's clock; it knows no instrument and no recipe.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence

from drivers.clock import Clock
from drivers.faults import BenchFileError


class SimulatedLine:
    """One line. `profile` has the states (high) that the outside gives it from times (s) on.

    Without a profile it is driven from the bench: `written` is every write with its time (s).
    """

    def __init__(self, name: str, clock: Clock, profile: Sequence[tuple[float, bool]]) -> None:
        self.name = name
        self.written: list[tuple[float, bool]] = []
        self._clock = clock
        self._times = [at_s for at_s, _ in profile]
        self._states = [high for _, high in profile]

    def read(self) -> bool:
        """Whether it is high now."""
        if self._states:
            return self._states[bisect_right(self._times, self._clock.now()) - 1]
        if not self.written:
            raise BenchFileError(
                f"digital line “{self.name}” is read, and nothing says what it reads in a dry run",
                f"Describe an input under [digital.{self.name}], as in "
                'simulated = [ { at = "0 s", state = "high" } ].',
            )
        return self.written[-1][1]

    def write(self, high: bool) -> None:
        """Drive it; a line that is driven from outside can't be."""
        if self._states:
            raise BenchFileError(
                f"digital line “{self.name}” is written to, and the bench file has it driven from "
                "outside",
                f"Leave out “simulated” under [digital.{self.name}]: an output needs none.",
            )
        self.written.append((self._clock.now(), high))

    def close(self) -> None:
        """There is no link to let go of."""
