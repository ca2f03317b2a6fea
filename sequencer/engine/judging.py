"""What the readings of one channel are held against, and what is said where one doesn't pass.

The bounds are worked out when something changes and kept as plain floats, so that a reading costs
comparisons; what follows a reading that has left one is found out only then. Takes no reading and
switches nothing.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from functools import lru_cache
from typing import TYPE_CHECKING, NamedTuple

from drivers.channel import Setpoint
from sequencer.engine.ending import Failed, Tripped
from sequencer.engine.guards import EXACT, LARGEST, UNITS, Condition, Uncertainty

if TYPE_CHECKING:
    from sequencer.engine.counting import Flow
    from sequencer.engine.tally import Tally

READ = ("voltage", "current", "power")


class Rated(NamedTuple):
    """A rating of a part. `by` is the second channel that watches it, empty where its own does."""

    part: str
    quantity: str
    low: float
    high: float
    per_pulse: bool = False
    by: str = ""

    @property
    def name(self) -> str:
        """Its name among the guards of a run."""
        pulse = " per pulse" if self.per_pulse else ""
        return f"{self.part} {self.quantity}{pulse}" + (f" by {self.by}" if self.by else "")


class Bounds:
    """The readings at which a rating has surely been passed: of voltage, current and power."""

    __slots__ = (
        "_widened",
        "current_high",
        "current_low",
        "power_high",
        "power_low",
        "rated",
        "voltage_high",
        "voltage_low",
    )

    voltage_low: float
    voltage_high: float
    current_low: float
    current_high: float
    power_low: float
    power_high: float

    def __init__(self, rated: Iterable[Rated]) -> None:
        self.rated = tuple(r for r in rated if r.quantity in READ)
        self.work_out(EXACT, EXACT)

    def work_out(self, volts: Uncertainty, amperes: Uncertainty) -> None:
        """Widen the ratings by the uncertainty of a reading in the ranges in force."""
        self._widened, lows, highs = _widened(self.rated, volts, amperes)
        self.voltage_low, self.current_low, self.power_low = lows
        self.voltage_high, self.current_high, self.power_high = highs

    def hold(self, voltage: float, current: float, power: float) -> bool:
        """Whether a reading lies inside all of them."""
        return (
            self.voltage_low <= voltage <= self.voltage_high
            and self.current_low <= current <= self.current_high
            and self.power_low <= power <= self.power_high
        )

    def left(self, quantity: str, value: float) -> tuple[Rated, str] | None:
        """The rating that a value has left, and on which side."""
        for rated, (low, high) in zip(self.rated, self._widened, strict=True):
            if rated.quantity == quantity and not low <= value <= high:
                return rated, "above" if value > high else "below"
        return None


@lru_cache(maxsize=1024)
def _widened(
    rated: tuple[Rated, ...], volts: Uncertainty, amperes: Uncertainty
) -> tuple[list[tuple[float, float]], list[float], list[float]]:
    """The ratings, widened, and their lows and highs by what is `READ`.

    Many runs of one recipe ask for the same.
    """

    def reach(quantity: str) -> float:
        ends = [max(abs(r.low), abs(r.high)) for r in rated if r.quantity == quantity]
        return max(ends, default=0.0)

    power = Uncertainty(
        volts.of_value + amperes.of_value,
        volts.plus * reach("current") + amperes.plus * reach("voltage"),
    )
    uncertain = {"voltage": volts, "current": amperes, "power": power}
    widened = [uncertain[r.quantity].widen(r.low, r.high) for r in rated]
    lows, highs = dict.fromkeys(READ, -LARGEST), dict.fromkeys(READ, LARGEST)
    for r, (low, high) in zip(rated, widened, strict=True):
        lows[r.quantity] = max(low, lows[r.quantity])
        highs[r.quantity] = min(high, highs[r.quantity])
    return widened, list(lows.values()), list(highs.values())


class Judge:
    """Judges the readings of one channel; every method that does raises Tripped.

    `rated` are the ratings that this channel watches, `per_pulse` those that govern pulses in place
    of them; what else the recipe guards is added to `conditions`. Its own plain `power` is the mean
    of a train of pulses.
    """

    def __init__(
        self,
        channel: str,
        rated: Iterable[Rated],
        per_pulse: Iterable[Rated],
        memory: list[float],
        base: int,
    ) -> None:
        self.channel = channel
        self._memory = memory
        self._base = base
        rated, per_pulse = tuple(rated), tuple(per_pulse)
        governed = {r.quantity for r in per_pulse}
        self.plain = Bounds(rated)
        self.per_pulse = Bounds(
            [*per_pulse, *(r for r in rated if r.quantity not in governed and not r.by)]
        )
        self.in_train = Bounds(
            [*per_pulse, *(r for r in rated if r.quantity not in (*governed, "power") and not r.by)]
        )
        self.mean = Bounds(r for r in rated if r.quantity == "power" and not r.by)
        self.amounts = {r.quantity: r for r in per_pulse if r.quantity not in READ}
        self.conditions: list[Condition] = []
        self.in_final = False
        self._reached: dict[str, float] = {}

    def work_out(self, volts: Uncertainty, amperes: Uncertainty) -> None:
        """Work all bounds out anew for readings of these uncertainties."""
        for bounds in (self.plain, self.per_pulse, self.in_train, self.mean):
            if bounds.rated or bounds is self.plain:
                bounds.work_out(volts, amperes)

    def reading(
        self, bounds: Bounds, voltage: float, current: float, power: float, held: Setpoint | None
    ) -> None:
        """A reading left a bound, or is none: find which, and trip.

        An overflow that can't hide a rating, since what is programmed (`held`, None where the
        output is off) keeps within it, is no trip; a power that it makes unknown says nothing by
        itself.
        """
        for quantity, value in (("voltage", voltage), ("current", current), ("power", power)):
            if not math.isfinite(value):
                if quantity == "power":
                    continue
                rated = next((r for r in bounds.rated if r.quantity == quantity), None)
                name = rated.name if rated else f"{self.channel} {quantity}"
                if math.isnan(value):
                    self._trip(name, quantity, value, "the reading is not a number")
                if rated is not None and _hides(rated, held):
                    self._trip(name, quantity, value, "over range, which can hide the rating")
                continue
            found = bounds.left(quantity, value)
            if found is not None:
                rated, side = found
                self._trip_beyond(rated.name, rated, value, side, "")

    def mean_power(self, power: float) -> None:
        """The mean power (W) of a train of pulses, by one of its pulses."""
        found = self.mean.left("power", power)
        if found is not None:
            rated, side = found
            self._trip_beyond(rated.name, rated, power, side, "the mean of the pulses")

    def tallies(self, part: str, tallies: Iterable[tuple[Tally, bool]]) -> None:
        """A tally has come near its rating: trip while there is time."""
        for tally, _ in tallies:
            if tally.total > tally.trip:
                note = "counted from above, with the most that flows until the output is open"
                self._trip_tally(part, tally, tally.total, note)

    def before_pulse(
        self, part: str, flow: Flow, width_s: float, tallies: Iterable[tuple[Tally, bool]]
    ) -> None:
        """A pulse of that flow is about to be made. Raises Failed or Tripped where it may not."""
        for rated in self.amounts.values():
            into, out = flow.energy if rated.quantity == "energy" else flow.charge
            if into * width_s > rated.high or -out * width_s < rated.low:
                most = max(into, out) * width_s
                unit = UNITS[rated.quantity]
                raise Failed(
                    f"{self.channel}: a pulse may carry {most:.6g} {unit}, and the {rated.quantity}"
                    f" of {rated.part} may be {rated.low:.6g} to {rated.high:.6g} {unit} per "
                    "pulse: not fired",
                    "recipe",
                )
        for tally, _ in tallies:
            with_it = tally.total + tally.most(flow.along(tally) * width_s)
            if with_it > tally.trip:
                self._trip_tally(part, tally, with_it, "with the next pulse, which is not fired")

    def unseen(self, part: str) -> None:
        """A capture has kept the channel from being read for as long as a rating allows."""
        name = f"{part or self.channel} during a capture"
        raise Tripped(
            f"{name}: it has lasted so long that a rating of energy or charge could have been "
            "passed unseen",
            name,
            self.channel,
        )

    def hold_conditions(self, reading: tuple[float, ...]) -> None:
        """The recipe's own guards, on this very reading, before any step sees it.

        They look at a place of their own in the memory, where the runner's readings count too:
        voltage, current, limited, level, charge, energy.
        """
        self._memory[self._base : self._base + 6] = reading
        for condition in self.conditions:
            condition.unread.discard(self.channel)
            if condition.unread:
                continue
            if condition.nearest:
                condition.look()
            if condition.holds():
                condition.spent = False
            elif not (condition.spent and self.in_final):
                # In `finally` one that has tripped does so again only after it has held again.
                condition.spent = True
                why = f": {condition.why}" if condition.why else ""
                raise Tripped(
                    f"guard `{condition.text}` no longer holds{why}", condition.text, self.channel
                )

    def held(self, reading: tuple[float, ...]) -> None:
        """The recipe's own guards were judged over columns, and hold up to this reading."""
        self._memory[self._base : self._base + 6] = reading
        for condition in self.conditions:
            if not condition.unread:
                condition.spent = False

    def _trip_tally(self, part: str, tally: Tally, total: float, note: str) -> None:
        ends = (-math.inf, tally.bound) if tally.sign > 0 else (-tally.bound, math.inf)
        rated = Rated(part or self.channel, tally.quantity, *ends)
        side = "above" if tally.sign > 0 else "below"
        self._trip_beyond(rated.name, rated, tally.sign * total, side, note)

    def _trip_beyond(self, name: str, rated: Rated, value: float, side: str, note: str) -> None:
        unit, bound = UNITS[rated.quantity], rated.high if side == "above" else rated.low
        text = f"{value:.6g} {unit} is {side} the rating of {bound:.6g} {unit}"
        self._trip(name, rated.quantity, value, text + (f" ({note})" if note else ""), side)

    def _trip(self, name: str, quantity: str, value: float, text: str, side: str = "") -> None:
        if self.in_final and not self._further_out(name, value, side):
            return
        self._reached[name] = value
        raise Tripped(f"{name}{' ' if side else ': '}{text}", name, self.channel)

    def _further_out(self, name: str, value: float, side: str) -> bool:
        """In `finally` a tripped guard trips again only if its quantity moves further out."""
        if name not in self._reached:
            return True
        before = self._reached[name]
        if math.isnan(value) or math.isnan(before):
            return True
        return value > before if side == "above" else value < before


def _hides(rated: Rated, held: Setpoint | None) -> bool:
    """Whether an overflow may hide a value past a rating: not while level or limit keeps it."""
    if held is None or rated.by:
        return True
    low, high = (held.level, held.level) if held.mode == rated.quantity else (held.low, held.high)
    return not rated.low <= low <= high <= rated.high
