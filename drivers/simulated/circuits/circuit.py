"""A source, its leads and a part as one circuit with a time of its own, solved exactly.

What the source does at its terminals is a staircase: falling currents and rising voltages by turns.
In voltage mode it is *limit high, level, limit low*; in current mode *most that it can push, low
limit, level, high limit, most that it can take*; an open output is the one current 0. Each tread is
a *stretch* in which one current or one voltage is in control. The part's voltage without its own
resistance, y = c·x, decides which: the corners of the staircase, seen from there, are thresholds in
y, and between two thresholds a network moves linearly under a constant drive.

A circuit is lazy: it moves only when it is measured or switched. It knows no instrument, no range
and no noise.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, NamedTuple, Protocol

from drivers.simulated.circuits.flow import Array, Integers
from drivers.simulated.circuits.motion import Motion

if TYPE_CHECKING:
    from drivers.simulated.circuits.approach import Arrival


class Source(NamedTuple):
    """A source's staircase and the resistances between it and the part.

    `currents` (A) fall and are one more than `voltages` (V), which rise; stretch 2j has current j
    in control, stretch 2j + 1 voltage j. `level` is the stretch in which the programmed level
    holds. `series_resistance` (ohm) lies between the regulated voltage and the part,
    `sensed_resistance` is the piece of it that the voltmeter sees beside the part.
    """

    currents: tuple[float, ...]
    voltages: tuple[float, ...]
    level: int
    series_resistance: float
    sensed_resistance: float


NEVER_NS = 1 << 100
"""Later than any time."""
OPEN = Source((0.0,), (), 0, 0.0, 0.0)


def corners_of(source: Source, resistance: float) -> list[float]:
    """The corners of the staircase as thresholds in y = c·x, ascending (V)."""
    total = resistance + source.series_resistance
    return [
        voltage - total * current
        for j, voltage in enumerate(source.voltages)
        for current in source.currents[j : j + 2]
    ]


class Change(NamedTuple):
    """Control passed from one stretch of the staircase to another at an exact time (s)."""

    time_s: float
    stretch: int


class Means(NamedTuple):
    """Mean voltage (V) and current (A) of windows to come, as many as can be foreseen.

    `limited` is 1.0 where the level isn't in control, else 0.0: the same for all of them.
    """

    voltage: Array
    current: Array
    limited: float


class Happening(NamedTuple):
    """A part has given way at an exact time (s); `damage` where it isn't made for that."""

    time_s: float
    text: str
    damage: bool = True


Watcher = Callable[[Motion], None]
"""Is told of every motion as it begins, which is when the one before it ends."""


class Circuit(Protocol):
    """What an instrument asks of what hangs on it."""

    changes: list[Change]
    happened: list[Happening]
    watchers: list[Watcher]

    @property
    def stretch(self) -> int:
        """The stretch of the staircase that is in control."""
        ...

    @property
    def ends_ns(self) -> int:
        """Until when the present motion lasts, in whole nanoseconds before its end."""
        ...

    def connect(self, source: Source, at_ns: int, arrival: Arrival = ...) -> None:
        """Put another source before the part at that time, which arrives in its manner."""
        ...

    def advance(self, to_ns: int) -> None:
        """Let the time up to then pass."""
        ...

    def look(self, now_ns: int) -> None:
        """As `advance`, but only where control has changed on the way."""
        ...

    def motion(self) -> Motion:
        """What the terminals do at present, exact at every time until control passes."""
        ...

    def mean(self, start_ns: int, end_ns: int) -> tuple[float, float, float]:
        """Mean voltage (V) and current (A), and 1.0 where the level wasn't in control throughout.

        Times never run back.
        """
        ...

    def means(self, starts_ns: Integers, aperture_ns: int) -> Means:
        """The means of the next windows of one aperture, had nothing else happened meanwhile.

        Spends nothing: time goes on with the next `mean`, `advance`, `look` or `connect`. There are
        as many as lie wholly within the present stretch, each the very floats that `mean` gives
        where it is asked for one window after the other. No window begins before the last is over.
        """
        ...
