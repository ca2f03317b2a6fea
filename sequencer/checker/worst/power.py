"""What is in force while an output is on: each program set against its part, and what it sums to.

Here a level under a limit meets the part: what its own voltage may be (the look before power tells,
where there is one), what is imposed, in which ranges, held by what. The hulls of all of it make the
rows of the worst case. Knows no order of steps.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from drivers.kinds import KINDS
from grammar.quantity import CURRENT, VOLTAGE, write
from sequencer.checker.worst.abstract import ChannelState, Own, Programmed, Programs
from sequencer.checker.worst.accounts import NOTHING, Sums, larger
from sequencer.checker.worst.excess import Excess
from sequencer.checker.worst.imposed import Imposed, imposed, takes_over
from sequencer.checker.worst.instrument import NO_ERRORS, Errors, errors
from sequencer.checker.worst.interval import Interval, point
from sequencer.checker.worst.pulses import Train, amounts, mean
from sequencer.checker.worst.terminals import Terminals
from sequencer.checker.worst.values import Algebra, Value

Forced = Mapping[int, tuple[float, float]]
"""By the id of an `output … on`: the largest |voltage| and |current| (V, A) of level and limit."""


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
        self,
        name: str,
        channel: ChannelState,
        owns: Iterable[tuple[Programmed, Own, bool]],
        train: Train | None = None,
    ) -> ChannelState:
        """The channel with these programs in force, each with what its part may force by itself.

        The last of each says whether the runner has just looked. With a train they are pulses from
        what the channel is programmed to, whose rates it has so far.
        """
        own: Own | None = None
        rates = NOTHING
        for p, before, looked in owns:
            after, found = self._one(name, channel, p, before, looked, train)
            own = after if own is None else own.joined(after)
            rates = larger(rates, found)
            if p.mode == "current":
                rates = larger(rates, channel.hidden)
        assert own is not None
        return channel._replace(own=own, rates=rates)

    def programmed(self, name: str, p: Programmed) -> None:
        """Judge what is programmed with the output off; it makes no row of the worst case."""
        place = self.terminals[name]
        planned = imposed(place.rated, p, place.own, 0.0, self.algebra, NO_ERRORS)
        self.excess.judge(place.part, p, planned, planned, NO_ERRORS, None)

    def between(self, name: str, before: Programs, after: Iterable[Programmed]) -> None:
        """Keep what is imposed while one program takes the other's place under power.

        Old and new level each meet the narrower limit, each side for itself. In voltage mode, and
        of current and power, that is no more than one of the two programs imposes.
        """
        place = self.terminals[name]
        for p in after:
            for b in before.values():
                if p.mode != "current" or b.mode != p.mode:
                    continue
                highs = [(v.low, v.high) for v in (p.high, b.high)]
                lows = [(v.low, v.high) for v in (p.low, b.low)]
                if p.level.high > 0 or b.level.high > 0:
                    place.keep("voltage", Interval(*map(min, *highs)))
                if p.level.low < 0 or b.level.low < 0:
                    place.keep("voltage", Interval(*map(max, *lows)))

    def edges(
        self, name: str, base: ChannelState, pulses: Iterable[Programmed], train: Train
    ) -> None:
        """Keep what is imposed on the edges of pulses, where level and limit are no pair.

        A pulse comes and goes with its limit, and a level takes its time: that of the base is under
        the pulse's limit for a moment, and that of the pulse under the base's.
        """
        place = self.terminals[name]
        for p in pulses:
            error = self._error(place, base, p)
            for b in base.programmed.values():
                if p.mode != b.mode:
                    continue
                for level, limit in ((b, p), (p, b)):
                    mixed = level._replace(low=limit.low, high=limit.high)
                    found = imposed(place.rated, mixed, base.own, 0.0, self.algebra, error)
                    place.meet(mixed, found, False, train)

    def _one(
        self,
        name: str,
        channel: ChannelState,
        p: Programmed,
        own: Own,
        looked: bool,
        train: Train | None,
    ) -> tuple[Own, Sums]:
        place = self.terminals[name]
        algebra = self.algebra
        part = place.part if train is None else place.pulsed
        self._force(channel, p)
        error = self._error(place, channel, p)
        pushed = 0.0
        if p.mode == "current" and not looked and takes_over(p, own, algebra):
            pushed = place.most(train)
            self.excess.takes_over(part, p, own, pushed, place.looks_open)
            # The part is driven back to whichever side it lies beyond.
            own = own.joined(Own((p.low, p.high), (p.low, p.high)))
        if place.rated.forces == "within its rating":
            own = self._own_after(p, own)
        planned = imposed(place.rated, p, own, 0.0, algebra, NO_ERRORS)
        real = planned
        if error is not NO_ERRORS:
            real = imposed(place.rated, p, own, 0.0, algebra, error)
        # That a limit takes over has been said: the rest is judged as if it held the part.
        self.excess.judge(part, p, planned, real, error, train)
        if place.envelope is not None:
            for beyond in place.envelope.meet(place.rated, p, own, train):
                self.excess.envelope(part, p, place.envelope.specification, beyond)
        if pushed > 0:
            real = imposed(place.rated, p, own, pushed, algebra, error)
        # What only an error lets out is no power that a sink is needed for.
        if (planned.out > 0 or (pushed > 0 and real.out > 0)) and not place.sinks:
            self.excess.needs_sink(part, p)
        place.meet(p, real, looked, train)
        if place.goes_by_zero and train is None:
            # It goes off by way of zero, wherever the run ends.
            to_zero = p._replace(level=p.level.joined(Value(point(0.0))), between=())
            place.meet(
                to_zero, imposed(place.rated, to_zero, own, 0.0, algebra, error), looked, None
            )
        if train is not None:
            self._pulse(place, channel, p, real, train)
        return own, real.rates

    def _pulse(
        self,
        place: Terminals,
        channel: ChannelState,
        p: Programmed,
        real: Imposed,
        train: Train,
    ) -> None:
        """What a pulse carries, and the mean of a train: each against its own rating."""
        for quantity, span in amounts(p, real, train, self.algebra).items():
            place.keep(f"{quantity} per pulse", span)
            if quantity in place.part.per_pulse:
                self.excess.carries(place.part, p, quantity, span)
        if train.period is not None:
            base = Interval(-channel.rates[2], channel.rates[1])
            found = mean(p, real, base, train, self.algebra)
            place.keep("power", found)
            self.excess.mean(place.part, p, found)

    def _error(self, place: Terminals, channel: ChannelState, p: Programmed) -> Errors:
        """What the instrument may be off in the ranges in force, and the most of it kept."""
        if place.specification is None or self.ranges is None:
            return NO_ERRORS
        forced = [self.ranges.get(on, (0.0, 0.0)) for on in channel.on_by]
        # What the part brings by itself is on the terminals too, whatever the level is.
        brought = place.rated.voltage.reach if place.rated.forces != "nothing" else 0.0
        error = errors(
            place.specification,
            max([brought, channel.ranges[0], *(volts for volts, _ in forced)]),
            max([channel.ranges[1], *(amperes for _, amperes in forced)]),
        )
        volts, amperes = _magnitudes(p)
        place.errors = (
            max(place.errors[0], error.voltage.accuracy(volts)),
            max(place.errors[1], error.current.accuracy(amperes)),
        )
        stores = KINDS[place.part.kind].energy == "stores"
        if p.mode == "current" and stores and error.voltage.overshoot > 0:
            place.takes_back = True
        beside = error.voltage.plus
        sides = ((side.low, side.high) for side in (p.low, p.high))
        if p.mode == "current" and any(low <= beside and high >= -beside for low, high in sides):
            place.zero_limit = max(place.zero_limit, beside)
        place.reading_s = max(place.reading_s, channel.reading_s)
        return error

    def _own_after(self, p: Programmed, own: Own) -> Own:
        """What the part may force once this has been imposed, at a sweep's next point, too."""
        if p.mode == "voltage":
            return own.joined(Own(p.levels, p.levels))
        lows = (p.low,) if p.level.low < 0 else ()
        highs = (p.high,) if p.level.high > 0 else ()
        return own.joined(Own(lows, highs))

    def _force(self, channel: ChannelState, p: Programmed) -> None:
        """Keep the magnitudes that the ranges must hold, and judge ranges that were named."""
        volts, amperes = _magnitudes(p)
        for on in channel.on_by:
            known = self.forced.get(on, (0.0, 0.0))
            self.forced[on] = max(known[0], volts), max(known[1], amperes)
        for quantity, needed, named in zip(
            (VOLTAGE, CURRENT), (volts, amperes), channel.ranges, strict=True
        ):
            if 0 < named < needed < float("inf"):
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
