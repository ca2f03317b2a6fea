"""What the instrument sees at its terminals, in four quadrants, against what it bears.

A corner is a voltage with a current. Those of level and limit are what it is asked to hold; beside
them it stands the voltage that the part brings while it takes current back. Continuously it bears
the rectangles of its continuous envelope, in pulses those of the pulsed one as well, as long, as
often and as many as that allows. Knows no rating of a part.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from typing import TYPE_CHECKING, NamedTuple

from sequencer.checker.worst.abstract import Own, Programmed
from sequencer.checker.worst.imposed import Rated, passes
from sequencer.checker.worst.interval import Interval, hull
from sequencer.checker.worst.pulses import Train
from sequencer.checker.worst.values import Algebra, Value

if TYPE_CHECKING:
    from drivers.figures import PulsedRectangle, Rectangle
    from drivers.specification import Specification

MOST_PULSES = 1_000_000_000


class Corner(NamedTuple):
    """A voltage (V) with a current (A) as signed at the part, and where power goes.

    `way` is "source" where it goes into the part and "sink" where it comes back; `factors` are both
    as they hang on the settings, where they do. `brought` says that the part brings the voltage.
    """

    volts: float
    amperes: float
    way: str
    factors: tuple[Value, Value] | None = None
    brought: bool = False


class Beyond(NamedTuple):
    """A corner that the instrument doesn't bear; `why` is "range", "continuous" or a sentence."""

    corner: Corner
    why: str


class Met(NamedTuple):
    """A corner with the rectangle that holds it best, and the share of it that it takes."""

    corner: Corner
    rectangle: Rectangle
    share: float
    train: Train | None

    @property
    def quadrant(self) -> tuple[bool, bool, bool]:
        """Whether it is of pulses, of negative voltage, of negative current."""
        return self.train is not None, self.corner.volts < 0, self.corner.amperes < 0


class Envelope:
    """One instrument, and the corner of each quadrant that comes nearest to its envelope."""

    def __init__(self, specification: Specification, algebra: Algebra) -> None:
        self.specification = specification
        self.algebra = algebra
        self.met: dict[tuple[bool, bool, bool], Met] = {}
        self.single_pulses = False
        """Whether pulses without a period were met that only the pulsed envelope holds."""
        self._ways = {
            way
            for way in ("source", "sink")
            if any(r.direction in (way, "both") for r in specification.continuous)
        }

    def meet(self, part: Rated, p: Programmed, own: Own, train: Train | None) -> Iterator[Beyond]:
        """Keep what the instrument sees of a program, and give what it doesn't bear of it."""
        seen = list(_seen(part, p, own)) if "sink" in self._ways else list(_sourced(p))
        for corner in seen:
            self._keep(corner, train)
        for corner in (*_programmed(p), *seen):
            if corner.volts * corner.amperes != 0 and corner.way not in self._ways:
                # One that can't go that way at all takes no current back, or gives none.
                continue
            why = self._beyond(corner, train)
            if why:
                yield Beyond(corner, why)

    def _beyond(self, corner: Corner, train: Train | None) -> str:
        """What of a corner the instrument doesn't bear, empty where it bears it."""
        known = self.specification
        volts, amperes = abs(corner.volts), abs(corner.amperes)
        if not math.isfinite(volts) or not math.isfinite(amperes):
            # That nothing bounds it is said of the part's rating.
            return ""
        if passes(volts, known.voltage_ranges[-1].full_scale) or passes(
            amperes, known.current_ranges[-1].full_scale
        ):
            return "range"
        if self._held(corner, known.continuous):
            return ""
        if train is None or not known.pulsed:
            return "continuous"
        excess = {r: self._excess(r, train) for r in known.pulsed}
        if self._held(corner, [*known.continuous, *(r for r, why in excess.items() if not why)]):
            self.single_pulses |= train.period is None
            return ""
        reasons = [why for r, why in excess.items() if why and self._held(corner, [r])]
        return reasons[0] if reasons else "pulsed"

    def _held(self, corner: Corner, rectangles: Iterable[Rectangle]) -> bool:
        """Whether the rectangles of its way hold a corner, whatever the settings are."""
        # A corner without power is borne by whatever bears its size.
        powerless = corner.volts * corner.amperes == 0
        known = [r for r in rectangles if powerless or r.direction in (corner.way, "both")]

        def held(volts: Interval, amperes: Interval) -> bool:
            return any(
                not passes(volts.reach, r.voltage) and not passes(amperes.reach, r.current)
                for r in known
            )

        ends = (corner.volts, corner.amperes)
        if held(*(Interval(end, end) for end in ends)):
            return True
        if corner.factors is None:
            return False
        return self.algebra.everywhere(corner.factors, held)

    def _excess(self, rectangle: PulsedRectangle, train: Train) -> str:
        period_s = train.period.low if train.period is not None else math.inf
        count = int(min(max(train.most, 1.0), MOST_PULSES))
        return rectangle.excess(train.width.high, period_s, count)

    def _keep(self, corner: Corner, train: Train | None) -> None:
        known = self.specification
        pulsed = train is not None and not self._held(corner, known.continuous)
        rectangles = known.pulsed if pulsed else known.continuous
        mine = [r for r in rectangles if r.direction in (corner.way, "both")]
        if not mine or not math.isfinite(corner.volts) or not math.isfinite(corner.amperes):
            return
        shares = [max(abs(corner.volts) / r.voltage, abs(corner.amperes) / r.current) for r in mine]
        best = min(range(len(mine)), key=shares.__getitem__)
        found = Met(corner, mine[best], shares[best], train if pulsed else None)
        before = self.met.get(found.quadrant)
        if before is None or _rank(found) > _rank(before):
            self.met[found.quadrant] = found


def _rank(met: Met) -> tuple[float, float]:
    return met.share, abs(met.corner.volts * met.corner.amperes)


def _sides(p: Programmed) -> tuple[tuple[float, Value], tuple[float, Value]]:
    """The ends of a limit, each with what it is made of."""
    return (p.low.low, p.low), (p.high.high, p.high)


def _corner(
    p: Programmed, level: float, side: float, way: str, factors: tuple[Value, Value] | None
) -> Corner:
    if p.mode == "voltage":
        return Corner(level, side, way, factors)
    turned = (factors[1], factors[0]) if factors is not None else None
    return Corner(side, level, way, turned)


def _programmed(p: Programmed) -> Iterator[Corner]:
    """The corners of level and limit, which an instrument must be able to hold to take them."""
    for end in dict.fromkeys(p.level.interval):
        for side, value in _sides(p):
            way = "source" if end * side >= 0 else "sink"
            yield _corner(p, end, side, way, (p.level, value))


def _sourced(p: Programmed) -> Iterator[Corner]:
    """The corners in which power goes into the part: a level with the limit on its side."""
    for level in p.levels:
        for end in dict.fromkeys(level.interval):
            for side, value in _sides(p):
                if end * side > 0 and (end > 0) == (value is p.high):
                    yield _corner(p, end, side, "source", (level, value))


def _seen(part: Rated, p: Programmed, own: Own) -> Iterator[Corner]:
    """The corners that are met: sourced ones, and those in which the part gives power back."""
    yield from _sourced(p)
    if part.forces == "nothing":
        return
    level = p.level.interval
    if p.mode == "voltage":
        holds = hull(part.voltage, own.interval)
        if holds.high > max(level.low, 0.0) and p.low.low < 0:
            yield Corner(holds.high, p.low.low, "sink", brought=True)
        if holds.low < min(level.high, 0.0) and p.high.high > 0:
            yield Corner(holds.low, p.high.high, "sink", brought=True)
        return
    holds = own.interval
    if holds.high > 0 and level.low < 0:
        yield Corner(holds.high, level.low, "sink", brought=True)
    if holds.low < 0 and level.high > 0:
        yield Corner(holds.low, level.high, "sink", brought=True)
