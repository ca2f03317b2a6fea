"""What surrounds the parts of a simulated bench: a profile in time of each quantity that is sensed.

The module knows no part and no sensor.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from typing import NamedTuple

from drivers.faults import BenchFileError
from grammar.quantity import TIME, write


class Profile(NamedTuple):
    """A quantity that goes in straight lines from one point in time to the next (s, SI).

    It stays as its last point has it; but one with several points says nothing of that time.
    `place` is where it ends in the bench file, as "FILE:LINE".
    """

    times_s: tuple[float, ...]
    values: tuple[float, ...]
    place: str = ""

    @classmethod
    def constant(cls, value: float) -> Profile:
        """The same at all times."""
        return cls((0.0,), (value,))

    @property
    def is_constant(self) -> bool:
        """Whether it never changes and never ends."""
        return len(self.times_s) == 1

    def at(self, time_s: float) -> float:
        """The value at a time (s)."""
        times, values = self.times_s, self.values
        after = bisect_right(times, time_s)
        if after in (0, len(times)):
            return values[max(0, after - 1)]
        before = after - 1
        share = (time_s - times[before]) / (times[after] - times[before])
        return values[before] + share * (values[after] - values[before])


class Conditions(NamedTuple):
    """The conditions of a bench, in SI: of the air, and of the light that falls on it.

    Temperature (K), irradiance (W/m²), pressure (Pa), humidity (1), illuminance (lx), and the speed
    that something turns at (Hz). What no bench file names is that of a dark room.
    """

    temperature: Profile = Profile.constant(296.15)
    irradiance: Profile = Profile.constant(0.0)
    pressure: Profile = Profile.constant(101_325.0)
    humidity: Profile = Profile.constant(0.5)
    illuminance: Profile = Profile.constant(0.0)
    speed: Profile = Profile.constant(0.0)

    @property
    def kinks(self) -> tuple[float, ...]:
        """The times (s) at which any of them bends."""
        return tuple(sorted({t for p in self if not p.is_constant for t in p.times_s}))

    @property
    def ends_s(self) -> float:
        """The time (s) from which on one of them says nothing; infinite where none ends."""
        return min((p.times_s[-1] for p in self if not p.is_constant), default=math.inf)

    def held(self) -> Conditions:
        """The same, going on for ever as the last points have it."""
        return Conditions(
            *(
                p if p.is_constant else Profile((*p.times_s, math.inf), (*p.values, p.values[-1]))
                for p in self
            )
        )

    def accept(self, time_s: float) -> None:
        """Raise BenchFileError where a profile has ended before a time (s)."""
        for name, profile in zip(self._fields, self, strict=True):
            end_s = profile.times_s[-1]
            if time_s > end_s and not profile.is_constant:
                place = f"{profile.place}: " if profile.place else ""
                raise BenchFileError(
                    f"{place}[conditions] {name} ends at {write(end_s, TIME)}, and the dry run "
                    f"goes on after that, to {write(time_s, TIME)}",
                    "Add a point to it: what it is to be at the end of the run.",
                )
