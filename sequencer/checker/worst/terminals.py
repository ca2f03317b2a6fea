"""A channel that sources, with its part: what is known of both, and the worst that was met there.

The worst is kept by the quantity that its rating has in a recipe, that of pulses apart where a
rating governs them alone. Works nothing out.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from drivers.kinds import KINDS, way_off_s
from sequencer.checker.facts import ChannelFacts, PartFacts
from sequencer.checker.worst import interval
from sequencer.checker.worst.abstract import ChannelState, Own, Programmed
from sequencer.checker.worst.envelope import Envelope
from sequencer.checker.worst.imposed import Imposed, Rated
from sequencer.checker.worst.interval import Interval
from sequencer.checker.worst.pulses import Train
from sequencer.checker.worst.values import Algebra, Value

if TYPE_CHECKING:
    from drivers.specification import Specification

_OTHER = {"voltage": "current", "current": "voltage"}


class Terminals:
    """One channel that sources.

    `rows` has the hulls of what is imposed by quantity ("power per pulse" where pulses have a
    rating of their own), `held` what holds voltage and current: levels, limits, the look. `pulsed`
    is the part as pulses are judged by.
    """

    def __init__(
        self,
        part: PartFacts,
        facts: ChannelFacts,
        specification: Specification | None,
        algebra: Algebra,
    ) -> None:
        self.part = part
        self.pulsed = _under_pulses(part)
        self.specification = specification
        self.envelope = Envelope(specification, algebra) if specification is not None else None
        self.rows: dict[str, Interval] = {}
        self.held: dict[str, set[str]] = {}
        self.peak = (0.0, 0.0)
        """The largest |voltage| that is imposed (V) and the largest power either way (W)."""
        self.errors = (0.0, 0.0)
        """The largest errors of what was programmed (V, A), where the instrument is known."""
        self.zero_limit = 0.0
        """How far a limit of 0 V may come out beside zero in current mode (V), where one is set."""
        self.takes_back = False
        """Whether a limit that comes late may let in what it then takes back: none of the rows."""
        self.reading_s = 0.0
        self.asked = False
        """Whether the person is asked while this output is on."""
        self.sinks = facts.can("sink")
        able = specification if specification is not None else facts
        self.looks_open = able.can("measure open") or able.can("two-sided limit")
        self.looks_on = facts.can("measure voltage")
        self.changes_on = facts.can("mode change under power")
        kind = KINDS[part.kind]
        self.switching_s = specification.switching_time if specification is not None else 0.0
        self.off_s = max(way_off_s(kind.off), way_off_s(kind.trip)) + self.switching_s
        """How long the output stays on while it is being switched off (s)."""
        self.goes_by_zero = {kind.off, kind.trip} != {"open"}
        rating = Interval(*part.ratings["voltage"])
        self.rated = Rated(KINDS[part.kind].forces, rating)
        low, high = {
            "nothing": (0.0, 0.0),
            "up to its rating": (0.0, max(rating.high, 0.0)),
            "within its rating": rating,
        }[self.rated.forces]
        self.own = _own(Value(interval.point(low)), Value(interval.point(high)))
        """What the part forces by itself where nobody has looked."""
        self._leak(Interval(low, high))

    def begins(self, aperture_s: float) -> ChannelState:
        """The channel as it is before the first step."""
        known = self.specification
        if known is None:
            return ChannelState(own=self.own, aperture_s=aperture_s)
        return ChannelState(
            own=self.own,
            aperture_s=aperture_s,
            apertures=known.most_apertures,
            waits_s=known.longest_waits_s,
        )

    def most(self, train: Train | None) -> float:
        """The most current that the instrument can push (A), in pulses what it can then."""
        known = self.specification
        if known is None:
            return math.inf
        pulsed = known.pulsed if train is not None else ()
        return max([known.largest_current, *(r.current for r in pulsed)])

    def _leak(self, forced: Interval) -> None:
        """Keep what the part drives through an output that is off, where that is stated."""
        known = self.specification
        ohms = None if known is None else known.off_leakage_resistance
        if ohms is None or forced == (0.0, 0.0):
            return
        self.keep("current", Interval(-forced.high / ohms, -forced.low / ohms))
        most = max(forced.high, -forced.low)
        self.keep("power", Interval(-most * most / ohms, 0.0))

    def looked(self, p: Programmed, possible: bool) -> Own | None:
        """What a look leaves possible before a current source: only what lies in its limit."""
        if p.mode != "current" or self.rated.forces != "within its rating" or not possible:
            return None
        return _own(p.low, p.high)

    def keep(self, row: str, found: Interval) -> None:
        """Keep what is imposed of a quantity."""
        known = self.rows.get(row)
        self.rows[row] = found if known is None else interval.hull(known, found)

    def meet(self, p: Programmed, real: Imposed, looked: bool, train: Train | None) -> None:
        """Keep what a program imposes; of a train of pulses the mean power is kept by itself."""
        by = {p.mode: "levels", _OTHER[p.mode]: "limits"}
        governed = self.part.per_pulse if train is not None else {}
        for quantity in ("voltage", "current", "power"):
            found = real.of(quantity)
            if found is None:
                continue
            row = f"{quantity} per pulse" if quantity in governed else quantity
            if row == "power" and train is not None and train.period is not None:
                continue
            self.keep(row, found)
            if quantity == "power":
                continue
            held = self.held.setdefault(row, set())
            if quantity == "voltage" or found != (0.0, 0.0):
                held.add(by[quantity])
            if looked:
                held.add("the look")
        reach = real.voltage.reach if real.voltage is not None else 0.0
        self.peak = max(self.peak[0], reach), max(self.peak[1], real.into, real.out)


def _own(low: Value, high: Value) -> Own:
    return Own((low,), (high,))


def _under_pulses(part: PartFacts) -> PartFacts:
    """The part with the ratings that govern pulses in place of the plain ones."""
    if not part.per_pulse:
        return part
    places = dict(part.places)
    for quantity in part.per_pulse:
        places[quantity] = part.places[f"{quantity} per pulse"]
    return PartFacts(
        part.name,
        part.kind,
        part.channel,
        part.not_pushed,
        {**part.ratings, **part.per_pulse},
        places,
        part.span,
        part.may_be_destroyed,
        part.per_pulse,
        part.watched_by,
        part.facts,
    )
