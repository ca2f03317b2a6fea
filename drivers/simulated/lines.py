"""A simulated digital line: an input follows its profile, an output what was written to it.

A box takes its time to switch and between two writes, where its specification says so; a part that
feels the line is moved at that very nanosecond. The module knows the bench's clock; it knows no
instrument and no recipe.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Callable, Sequence

from drivers.clock import NANOSECONDS, VirtualClock
from drivers.digital_box import DigitalBox
from drivers.faults import BenchFileError

Follower = Callable[[bool, int], None]
"""Is told of a line's new state (high) and since when (ns of the bench clock)."""


class SimulatedLine:
    """One line. `profile` has the states (high) that the outside gives it from times (s) on.

    Without a profile it is driven from the bench: `written` is every write with its time (s), at
    which the line had switched, and `followers` are the parts that feel it. It is low until then.
    """

    def __init__(
        self,
        name: str,
        clock: VirtualClock,
        profile: Sequence[tuple[float, bool]],
        box: DigitalBox | None = None,
    ) -> None:
        self.name = name
        self.written: list[tuple[float, bool]] = []
        self.followers: list[Follower] = []
        self._clock = clock
        self._times = [at_s for at_s, _ in profile]
        self._states = [high for _, high in profile]
        self._switching_ns = self._interval_ns = 0
        if box is not None:
            self._switching_ns = round(box.switching_time * NANOSECONDS)
            self._interval_ns = round(box.shortest_interval * NANOSECONDS)
        self._ready_ns = 0

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
        """Drive it, as soon as the box can; a line that is driven from outside can't be."""
        if self._states:
            raise BenchFileError(
                f"digital line “{self.name}” is written to, and the bench file has it driven from "
                "outside",
                f"Leave out “simulated” under [digital.{self.name}]: an output needs none.",
            )
        clock = self._clock
        clock.spend_ns(max(0, self._ready_ns - clock.now_ns))
        self._ready_ns = clock.now_ns + self._interval_ns
        clock.spend_ns(self._switching_ns)
        self.written.append((clock.now(), high))
        for follower in self.followers:
            follower(high, clock.now_ns)

    def close(self) -> None:
        """There is no link to let go of."""
