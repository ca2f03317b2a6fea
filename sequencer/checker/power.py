"""What is in force while an output is on: each program set against its part, and what it sums to.

Here a level under a limit meets the part: what its own voltage may be (the look before power tells,
where there is one), what is imposed, in which ranges, held by what. The hulls of all of it make the
rows of the worst case. Knows no order of steps.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING

from drivers.kinds import KINDS
from grammar.quantity import CURRENT, VOLTAGE, write
from sequencer.checker import interval
from sequencer.checker.abstract import ChannelState, Own, Programmed
from sequencer.checker.accounts import NOTHING, larger
from sequencer.checker.excess import Excess
from sequencer.checker.facts import ChannelFacts, PartFacts
from sequencer.checker.imposed import Rated, imposed, takes_over
from sequencer.checker.instrument import NO_ERRORS, errors
from sequencer.checker.interval import Interval
from sequencer.checker.values import Algebra, Value

if TYPE_CHECKING:
    from drivers.specification import Specification

Forced = Mapping[int, tuple[float, float]]
"""By the id of an `output … on`: the largest |voltage| and |current| (V, A) of level and limit."""


class Terminals:
    """A channel that sources, its part, and the worst that was met there.

    `voltage` and `current` are hulls of what is imposed, None where nothing is; `into` and `out`
    the largest powers (W). `held` has what holds each quantity: levels, limits, the look.
    """

    def __init__(
        self, part: PartFacts, facts: ChannelFacts, specification: Specification | None
    ) -> None:
        self.part = part
        self.specification = specification
        self.voltage: Interval | None = None
        self.current: Interval | None = None
        self.into = self.out = 0.0
        self.errors = (0.0, 0.0)
        """The largest errors of what was programmed (V, A), where the instrument is known."""
        self.reading_s = 0.0
        self.held: dict[str, set[str]] = {"voltage": set(), "current": set()}
        self.sinks = facts.can("sink")
        able = specification if specification is not None else facts
        self.looks_open = able.can("measure open") or able.can("two-sided limit")
        self.looks_on = facts.can("measure voltage")
        rating = Interval(*part.ratings["voltage"])
        self.rated = Rated(KINDS[part.kind].forces, rating)
        low, high = {
            "nothing": (0.0, 0.0),
            "up to its rating": (0.0, max(rating.high, 0.0)),
            "within its rating": rating,
        }[self.rated.forces]
        self.own = _own(Value(interval.point(low)), Value(interval.point(high)))
        """What the part forces by itself where nobody has looked."""

    @property
    def most(self) -> float:
        """The most current that the instrument can push (A)."""
        return math.inf if self.specification is None else self.specification.largest_current

    def looked(self, p: Programmed, possible: bool) -> Own | None:
        """What a look leaves possible before a current source: only what lies in its limit."""
        if p.mode != "current" or self.rated.forces != "within its rating" or not possible:
            return None
        return _own(p.low, p.high)


def _own(low: Value, high: Value) -> Own:
    return Own((low,), (high,))


class Power:
    """Every program in force, on every channel; `ranges` are what a pass before found forced.

    Which range an instrument takes hangs on all that comes between `on` and `off`, so its errors
    are known in a second pass only; the first one is made without.
    """

    def __init__(
        self,
        terminals: Mapping[str, Terminals],
        algebra: Algebra,
        excess: Excess,
        ranges: Forced | None,
    ) -> None:
        self.terminals = terminals
        self.algebra = algebra
        self.excess = excess
        self.ranges = ranges
        self.forced: dict[int, tuple[float, float]] = {}

    def in_force(
        self, name: str, channel: ChannelState, owns: Iterable[tuple[Programmed, Own, bool]]
    ) -> ChannelState:
        """The channel with these programs in force, each with what its part may force by itself.

        The last of each says whether the runner has just looked.
        """
        own: Own | None = None
        rates = NOTHING
        for p, before, looked in owns:
            after, found = self._one(name, channel, p, before, looked)
            own = after if own is None else own.joined(after)
            rates = larger(rates, found)
        assert own is not None
        return channel._replace(own=own, rates=rates)

    def _one(
        self, name: str, channel: ChannelState, p: Programmed, own: Own, looked: bool
    ) -> tuple[Own, tuple[float, float, float, float, float]]:
        place = self.terminals[name]
        part, algebra = place.part, self.algebra
        self._force(channel, p)
        error = NO_ERRORS
        if place.specification is not None and self.ranges is not None:
            forced = [self.ranges.get(on, (0.0, 0.0)) for on in channel.on_by]
            error = errors(
                place.specification,
                max([channel.ranges[0], *(volts for volts, _ in forced)]),
                max([channel.ranges[1], *(amperes for _, amperes in forced)]),
            )
        if error is not NO_ERRORS:
            volts, amperes = _magnitudes(p)
            place.errors = (
                max(place.errors[0], error.voltage.accuracy(volts)),
                max(place.errors[1], error.current.accuracy(amperes)),
            )
            place.reading_s = max(place.reading_s, channel.reading_s)
        pushed = 0.0
        if p.mode == "current" and not looked and takes_over(p, own, algebra):
            self.excess.takes_over(part, p, own, place.most, place.looks_open)
            pushed = place.most
            # The part is driven back to whichever side it lies beyond.
            own = own.joined(Own((p.low, p.high), (p.low, p.high)))
        own = self._own_after(p, own)
        planned = imposed(place.rated, p, own, 0.0, algebra, NO_ERRORS)
        real = planned
        if error is not NO_ERRORS:
            real = imposed(place.rated, p, own, 0.0, algebra, error)
        # That a limit takes over has been said: the rest is judged as if it held the part.
        self.excess.judge(part, p, planned, real, error, place.specification)
        if pushed > 0:
            real = imposed(place.rated, p, own, pushed, algebra, error)
        if real.out > 0 and not place.sinks:
            self.excess.needs_sink(part, p)
        self._keep(place, p, real.voltage, real.current, looked)
        place.into, place.out = max(place.into, real.into), max(place.out, real.out)
        return own, real.rates

    def _own_after(self, p: Programmed, own: Own) -> Own:
        """What the part may force once this has been imposed, at a sweep's next point, too."""
        if p.mode == "voltage":
            return own.joined(_own(p.level, p.level))
        lows = (p.low,) if p.level.low < 0 else ()
        highs = (p.high,) if p.level.high > 0 else ()
        return own.joined(Own(lows, highs))

    def _keep(
        self,
        place: Terminals,
        p: Programmed,
        voltage: Interval | None,
        current: Interval,
        looked: bool,
    ) -> None:
        by = {p.mode: "levels", "current" if p.mode == "voltage" else "voltage": "limits"}
        if voltage is not None:
            known = place.voltage
            place.voltage = voltage if known is None else interval.hull(known, voltage)
            place.held["voltage"].add(by["voltage"])
        known = place.current
        place.current = current if known is None else interval.hull(known, current)
        if current != (0.0, 0.0):
            place.held["current"].add(by["current"])
        if looked:
            for held in place.held.values():
                held.add("the look")

    def _force(self, channel: ChannelState, p: Programmed) -> None:
        """Keep the magnitudes that the ranges must hold, and judge ranges that were named."""
        volts, amperes = _magnitudes(p)
        for on in channel.on_by:
            known = self.forced.get(on, (0.0, 0.0))
            self.forced[on] = max(known[0], volts), max(known[1], amperes)
        for quantity, needed, named in zip(
            (VOLTAGE, CURRENT), (volts, amperes), channel.ranges, strict=True
        ):
            if 0 < named < needed < math.inf:
                own = (quantity == VOLTAGE) == (p.mode == "voltage")
                what = "level" if own else "limit"
                self.excess.plain(
                    "range-too-small",
                    p.step.span,
                    f"this {what} can be {write(needed, quantity)}, and `setup` names a "
                    f"{quantity.name} range of {write(named, quantity)}",
                    f"name a range that holds it: setup {p.step.channel.id}: {quantity.name} range "
                    f"= {write(needed, quantity)}, or none, then the smallest that holds "
                    "everything is taken",
                )


def _magnitudes(p: Programmed) -> tuple[float, float]:
    """The largest |voltage| and |current| of level and limit (V, A)."""
    level = p.level.interval.reach
    limit = max(abs(p.low.low), abs(p.high.high))
    return (level, limit) if p.mode == "voltage" else (limit, level)
