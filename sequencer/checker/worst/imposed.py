"""What a level under a limit imposes on a part: voltage, current, power, either way.

The rules by mode and by what the kind of part forces by itself. In voltage mode at a level the part
comes to lie between its own voltage and the level, and the current flows towards the level as far
as the limit lets it. In current mode the level flows, and the voltage goes as far as the limit on
its side; where the part's own voltage lies outside the limit, the limit takes over and the current
is the most that the instrument can push. Sign: positive is into the part. Knows no step.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, NamedTuple

from sequencer.checker.worst import interval
from sequencer.checker.worst.abstract import Own, Programmed
from sequencer.checker.worst.accounts import Sums
from sequencer.checker.worst.instrument import Error, Errors
from sequencer.checker.worst.interval import Interval, product
from sequencer.checker.worst.values import Algebra, Value

if TYPE_CHECKING:
    from drivers.kinds import Forces

ROOM = 1e-9
"""Share by which a value may pass a bound before it counts: rounding, in the run and here."""


class Imposed(NamedTuple):
    """What is imposed: `voltage` None where it is none; `into` and `out` in W, neither negative."""

    voltage: Interval | None
    current: Interval
    into: float
    out: float

    def of(self, quantity: str) -> Interval | None:
        """What is imposed of a quantity; power in and out of the part is one span."""
        if quantity == "power":
            return Interval(-self.out, self.into)
        return self.voltage if quantity == "voltage" else self.current

    @property
    def rates(self) -> Sums:
        """What it can come to each second."""
        return (1.0, self.into, self.out, max(self.current.high, 0.0), max(-self.current.low, 0.0))


class Rated(NamedTuple):
    """What matters of a part: what its kind forces, and its voltage rating (V)."""

    forces: Forces
    voltage: Interval


def passes(value: float, bound: float) -> bool:
    """Whether a value lies above a bound by more than rounding."""
    return value > bound + ROOM * abs(bound) + 1e-15


def imposed(
    part: Rated, p: Programmed, own: Own, pushed: float, algebra: Algebra, errors: Errors
) -> Imposed:
    """What a program imposes on a part.

    `own` is what the part may force by itself; `pushed` the current (A) that a limit which has
    taken over pushes either way, 0 where the limit holds the part.
    """
    # What an earlier step has brought it to beyond its rating, it may still hold.
    holds = interval.hull(part.voltage, own.interval)
    if p.mode == "voltage":
        return _voltage(part, p, holds, algebra, errors)
    return _current(part, p, own, holds, pushed, algebra, errors)


def products(p: Programmed, algebra: Algebra) -> list[Value]:
    """What can go in (W), each as it hangs on the settings: a level times the limit on its side.

    Between two levels under one limit it is no more than at the larger of them.
    """
    found = []
    for level in p.levels:
        if level.high > 0:
            found.append(algebra.narrowest(algebra.binary("*", level, p.high)))
        if level.low < 0:
            found.append(algebra.narrowest(algebra.binary("*", level, p.low)))
    return [value for value in found if value.high > 0]


def _voltage(
    part: Rated, p: Programmed, holds: Interval, algebra: Algebra, errors: Errors
) -> Imposed:
    level = p.level.interval
    limit = errors.current.of_limit(Interval(min(p.low.low, 0.0), max(p.high.high, 0.0)))
    passive = part.forces == "nothing"
    # A side that no current can flow on has no error either: nothing drives it.
    zero = errors.current.accuracy(0.0) + errors.current.overshoot
    high = low = 0.0
    if level.high > 0 or not passive:
        high = limit.high if p.high.high > 0 else zero
    if level.low < 0 or not passive:
        low = limit.low if p.low.low < 0 else -zero
    into = max((value.high for value in products(p, algebra)), default=0.0)
    if into > 0 or low < 0 or high > 0:
        into += _off(level.reach, max(p.high.high, -p.low.low), errors.voltage, errors.current)
    out = 0.0
    if not passive:
        if holds.high > max(level.low, 0.0):
            out = max(out, product(holds.high, -low))
        if holds.low < min(level.high, 0.0):
            out = max(out, product(-holds.low, high))
    return Imposed(errors.voltage.of_level(level), Interval(low, high), into, out)


def _off(level: float, limit: float, of_level: Error, of_limit: Error) -> float:
    """What the errors of both add to the product of a level and a limit (W)."""
    first = of_level.accuracy(level) + of_level.overshoot
    second = of_limit.accuracy(limit) + of_limit.overshoot
    return product(level, second) + product(limit, first) + product(first, second)


def _current(
    part: Rated,
    p: Programmed,
    own: Own,
    holds: Interval,
    pushed: float,
    algebra: Algebra,
    errors: Errors,
) -> Imposed:
    level = p.level.interval
    current = errors.current.of_level(interval.hull(level, interval.point(0.0)))
    if level != (0.0, 0.0):
        # Only a level that its own error exceeds may come out the other way round.
        real = errors.current.of_level(level)
        current = Interval(min(real.low, 0.0), max(real.high, 0.0))
    limit = errors.voltage.of_limit(Interval(p.low.low, p.high.high))
    voltage: Interval | None = None
    if level.high > 0:
        least = p.high.low - errors.voltage.accuracy(p.high.low)
        voltage = Interval(least, limit.high)
    if level.low < 0:
        down = Interval(limit.low, p.low.high + errors.voltage.accuracy(p.low.high))
        voltage = interval.hull(voltage, down) if voltage is not None else down
    into = max((value.high for value in products(p, algebra)), default=0.0)
    if level != (0.0, 0.0):
        reach = max(abs(p.low.low), abs(p.high.high))
        into += _off(level.reach, reach, errors.current, errors.voltage)
    held = own.interval
    if pushed > 0:
        current = interval.hull(current, Interval(-pushed, pushed))
        voltage = limit if voltage is None else interval.hull(voltage, limit)
        into = max(into, product(max(holds.reach, limit.reach), pushed))
    out = 0.0
    if part.forces != "nothing":
        if held.high > 0:
            out = max(out, product(holds.high, -current.low))
        if held.low < 0:
            out = max(out, product(-holds.low, current.high))
    return Imposed(voltage, current, into, out)


def takes_over(p: Programmed, own: Own, algebra: Algebra) -> bool:
    """Whether what a part forces by itself may lie outside the limit of a current source."""
    return any(beyond(p, own, algebra))


def beyond(p: Programmed, own: Own, algebra: Algebra) -> tuple[bool, bool]:
    """Whether what a part forces by itself may lie below its limit, and whether above it."""
    return (
        any(_below(low, p.low, algebra) for low in own.lows),
        any(_below(p.high, high, algebra) for high in own.highs),
    )


def _below(value: Value, bound: Value, algebra: Algebra) -> bool:
    """Whether a value may lie below a bound that hangs on the same settings."""
    if value is bound:
        return False
    least = algebra.narrowest(algebra.binary("-", value, bound)).low
    if math.isinf(least):
        return least < 0
    reach = min(value.interval.reach, bound.interval.reach)
    return least < -ROOM * reach - 1e-15
