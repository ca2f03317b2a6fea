"""What an instrument accepts to be programmed to, and the most that it can push or take.

Everything is judged from the specification: quadrants, ranges, the sides of its limit. The module
knows no part and no state.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from functools import lru_cache
from typing import NamedTuple

from drivers.channel import Acquisition, Setpoint
from drivers.faults import InstrumentError
from drivers.specification import Specification
from grammar.quantity import CURRENT, VOLTAGE, write

_LARGEST_AVERAGE = 10_000
# A sequence asks for the same few things over and over.
_KEPT = 1024


@lru_cache(maxsize=_KEPT)
def reach(
    specification: Specification, voltage: float, pulsed: bool = False
) -> tuple[float, float]:
    """The largest current (A) out of the instrument and into it while it regulates a voltage (V).

    Against a part at 0 V or beyond zero even current with the regulated sign is taken, not given:
    at 0 V both are the sink's. A sink is bounded by its largest current at any voltage, since the
    part's voltage, not the regulated one, is what it stands. During a pulse the pulsed envelope
    counts as well.
    """
    rectangles = (*specification.continuous, *(specification.pulsed if pulsed else ()))
    given = max(
        (r.current for r in rectangles if r.direction != "sink" and abs(voltage) <= r.voltage),
        default=0.0,
    )
    taken = max((r.current for r in rectangles if r.direction != "source"), default=0.0)
    if voltage == 0:
        return taken, taken
    return (given, taken) if voltage > 0 else (taken, given)


@lru_cache(maxsize=_KEPT)
def accept_setpoint(specification: Specification, setpoint: Setpoint) -> None:
    """Raise InstrumentError where the instrument wouldn't take a setpoint."""
    accept_form(specification, setpoint)
    for beyond in corners_beyond(specification, setpoint):
        raise InstrumentError(
            f"{beyond.written} is outside what the instrument bears continuously{beyond.way}",
            "Lower the level or the limit, or use an instrument that bears it.",
        )


def accept_form(specification: Specification, setpoint: Setpoint) -> None:
    """Raise InstrumentError for a level and limit that the instrument can't set, however short."""
    mode, level, low, high = setpoint
    if not all(map(math.isfinite, (level, low, high))):
        raise InstrumentError("a level or limit is no finite number")
    limited = CURRENT if mode == "voltage" else VOLTAGE
    if low > high:
        raise InstrumentError(
            f"the low limit {write(low, limited)} is above the high limit {write(high, limited)}"
        )
    if low != -high and not specification.can("two-sided limit"):
        raise InstrumentError(
            f"limits of {write(low, limited)} and {write(high, limited)} were asked for, but this "
            "instrument has one symmetric limit",
            "State the same magnitude for both sides.",
        )
    if mode == "voltage" and not low <= 0 <= high:
        raise InstrumentError(
            f"a current limit from {write(low, CURRENT)} to {write(high, CURRENT)} would force a "
            "current: it must hold 0 A",
        )
    _inside_ranges(specification, setpoint)


def _inside_ranges(specification: Specification, setpoint: Setpoint) -> None:
    for quantity, ranges, value in (
        (VOLTAGE, specification.voltage_ranges, _largest(setpoint, "voltage")),
        (CURRENT, specification.current_ranges, _largest(setpoint, "current")),
    ):
        if value > ranges[-1].full_scale:
            raise InstrumentError(
                f"{write(value, quantity)} is beyond the largest range of "
                f"{write(ranges[-1].full_scale, quantity)}"
            )


def _largest(setpoint: Setpoint, quantity: str) -> float:
    if setpoint.mode == quantity:
        return abs(setpoint.level)
    return max(abs(setpoint.low), abs(setpoint.high))


class Corner(NamedTuple):
    """A corner of a setpoint (V, A), and the directions of which one has to bear it."""

    voltage: float
    current: float
    directions: tuple[str, ...]

    @property
    def written(self) -> str:
        """The corner in words."""
        return f"{write(self.voltage, VOLTAGE)} with {write(self.current, CURRENT)}"

    @property
    def way(self) -> str:
        """As what the instrument would have to bear it, where that is one thing."""
        return f" as a {self.directions[0]}" if len(self.directions) == 1 else ""


def corners_beyond(specification: Specification, setpoint: Setpoint) -> Iterator[Corner]:
    """The corners of a setpoint that the continuous envelope doesn't hold.

    Where an instrument can't sink at all, its sink side takes no current: that is no corner. Nor is
    the other side of one that can't source.
    """
    ways = tuple(
        way
        for way in ("source", "sink")
        if any(r.direction in (way, "both") for r in specification.continuous)
    )
    for side in (setpoint.low, setpoint.high):
        level = setpoint.level
        voltage, current = (level, side) if setpoint.mode == "voltage" else (side, level)
        directions: tuple[str, ...] = ("source", "sink")
        if voltage * current > 0:
            directions = ("source",) if "source" in ways else ()
        elif voltage * current < 0:
            directions = ("sink",) if "sink" in ways else ()
        sizes = abs(voltage), abs(current)
        if directions and not any(specification.holds(*sizes, way) for way in directions):
            yield Corner(voltage, current, directions)


@lru_cache(maxsize=_KEPT)
def accept_acquisition(
    specification: Specification, acquisition: Acquisition, line_frequency_hz: float
) -> int:
    """The aperture of all averaged readings together (ns); raises InstrumentError where refused."""
    seconds, cycles = acquisition.aperture_s, acquisition.aperture_cycles
    if (seconds is None) == (cycles is None):
        raise InstrumentError("an aperture is given either in seconds or in line cycles")
    aperture_s = seconds if seconds is not None else (cycles or 0.0) / line_frequency_hz
    shortest, longest = specification.shortest_aperture, specification.longest_aperture
    if not shortest <= aperture_s <= longest:
        raise InstrumentError(
            f"an aperture of {aperture_s:g} s is outside the instrument's "
            f"{shortest:g} s to {longest:g} s"
        )
    if not 1 <= acquisition.average <= _LARGEST_AVERAGE:
        raise InstrumentError(
            f"an average of {acquisition.average} readings: 1 to {_LARGEST_AVERAGE} are possible"
        )
    if acquisition.remote_sense and not specification.can("remote sense"):
        raise InstrumentError("the instrument has no remote sense")
    return round(aperture_s * 1e9) * acquisition.average
