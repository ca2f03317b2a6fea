"""Pulses: what one of them carries, and the mean of a train of them.

A pulse imposes what its level and limit impose, for its width; what that means for the part is
worked out elsewhere. Knows no rating and no instrument.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import NamedTuple

from sequencer.checker.worst.abstract import Programmed
from sequencer.checker.worst.imposed import Imposed, products
from sequencer.checker.worst.interval import Interval, product
from sequencer.checker.worst.values import Algebra, Value


class Train(NamedTuple):
    """Pulses of a width (s), one each period (s), `most` of them and no fewer than `fewest`.

    A single one may have no period.
    """

    width: Value
    period: Value | None
    most: float
    fewest: float = 0.0


def amounts(p: Programmed, real: Imposed, train: Train, algebra: Algebra) -> dict[str, Interval]:
    """The energy (J) and charge (C) of one pulse: level times limit times width, with errors.

    `real` is what the pulse imposes with the instrument's errors.
    """
    width = train.width
    longest = width.high
    if p.mode == "current":
        into, out = p.levels, tuple(algebra.negative(level) for level in p.levels)
    else:
        into, out = (p.high,), (algebra.negative(p.low),)
    current = real.current
    return {
        "energy": Interval(
            -product(real.out, longest),
            _carried(products(p, algebra), real.into, width, algebra),
        ),
        "charge": Interval(
            -_carried(out, -current.low, width, algebra),
            _carried(into, current.high, width, algebra),
        ),
    }


def _carried(planned: Iterable[Value], real: float, width: Value, algebra: Algebra) -> float:
    """The most that flows in a pulse: as planned where that is known to be less, and the errors."""
    if real <= 0:
        return 0.0
    values = [value for value in planned if value.high > 0]
    flowing = max((value.high for value in values), default=0.0)
    whole = [algebra.narrowest(algebra.binary("*", value, width)) for value in values]
    carried = max((value.high for value in whole), default=0.0)
    most = product(real, width.high)
    return min(most, carried + product(max(real - flowing, 0.0), width.high))


def mean(p: Programmed, real: Imposed, base: Interval, train: Train, algebra: Algebra) -> Interval:
    """The mean power of a train (W): that of its pulses and of what flows between them.

    `base` is the power that flows between the pulses.
    """
    assert train.period is not None
    share = algebra.binary("/", train.width, train.period)
    ends = [min(max(end, 0.0), 1.0) for end in share.interval]

    def most(pulse: float, between: float) -> float:
        return max(product(pulse, s) + product(between, 1 - s) for s in ends)

    into = most(real.into, base.high)
    planned = products(p, algebra)
    if planned and share.low > 0:
        flowing = max(value.high for value in planned)
        whole = [algebra.narrowest(algebra.binary("*", value, share)) for value in planned]
        least = max(value.high for value in whole)
        into = min(into, least + product(max(real.into - flowing, 0.0), ends[1]) + base.high)
    return Interval(-most(real.out, -base.low), into)
