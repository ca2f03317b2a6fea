"""The bounds of a form over the spans of its settings, by dividing the spans where that tells more.

Branch and bound: the box of spans whose bound is the worst is divided at its longest side, until a
value in it is as bad as its bound, or enough boxes were looked at. A box is bounded by interval
arithmetic and by the mean value theorem, whichever is narrower; where a form rises or falls in a
setting over a whole box, the box is as good as its one side (R. E. Moore, R. B. Kearfott, M. J.
Cloud: Introduction to Interval Analysis, SIAM 2009, chapters 6 and 8; from memory). All sums and
products are rounded outward. Knows no recipe.
"""

from __future__ import annotations

import heapq
import math
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from itertools import count

from sequencer.checker.worst import interval
from sequencer.checker.worst.forms import Form, Function, factors, key_of, settings_of
from sequencer.checker.worst.interval import EVERYTHING, Interval, outward

MOST_BOXES = 256
"""How many boxes are looked at for one bound."""
MOST_OF_ALL = 4000
"""How many for one recipe; after that bounds are those of interval arithmetic alone."""
SHARE = 1e-10
"""A bound is good enough when it is this near, as a share, to a value that is taken."""

Box = Mapping[str, Interval]
Gradient = dict[str, Interval]
ZERO = interval.point(0.0)


class NoValue(Exception):
    """A form has no value anywhere in a box: no run computes it there."""


class Subdivision:
    """Bounds forms over one box; `required` are forms that no setting takes above their room."""

    def __init__(self, box: Box, required: Sequence[tuple[Form, float]]) -> None:
        self.box = box
        self.required = required
        self._left = MOST_OF_ALL
        self._known: dict[object, tuple[Interval, float]] = {}

    def bounds(self, form: Form) -> Interval:
        """The bounds of a form over the whole box, rounded outward."""
        try:
            found = _bounded(form, self.box)[0]
        except NoValue:
            return EVERYTHING
        # Interval arithmetic is exact where each setting stands once and nothing relates them.
        names = _settings(form) if self._related(dict.fromkeys(_settings(form))) else _several(form)
        names = [n for n in names if self.box[n].low < self.box[n].high]
        if not names or not all(self.box[name].bounded for name in names):
            return found
        inner = {name: self.box[name] for name in _settings(form)}
        high = self._highest(form, inner, found.high)
        low = -self._highest({m: -c for m, c in form.items()}, inner, -found.low)
        return Interval(max(low, found.low), min(high, found.high)) if low <= high else found

    def everywhere(self, a: Form, b: Form, holds: Callable[[Interval, Interval], bool]) -> bool:
        """Whether something holds of the bounds of two forms in every part of the box.

        False also where that takes too many parts to tell.
        """
        names = {*_settings(a), *_settings(b)}
        whole = {name: self.box[name] for name in names}
        related = self._related(whole)
        boxes = [whole]
        looked = 0
        while boxes:
            looked += 1
            self._left -= 1
            if looked > MOST_BOXES or self._left < 0:
                return False
            box = boxes.pop()
            if not self._allowed(box, related):
                continue
            try:
                if holds(_bounded(a, box)[0], _bounded(b, box)[0]):
                    continue
            except NoValue:
                continue
            side = _longest(box, dict.fromkeys(box, interval.point(1.0)))
            if side is None or not box[side].bounded:
                return False
            cut = _middle(box[side])
            boxes.append({**box, side: Interval(box[side].low, cut)})
            boxes.append({**box, side: Interval(cut, box[side].high)})
        return True

    def plainly(self, form: Form) -> tuple[Interval, float]:
        """The bounds of a form over the whole box by interval arithmetic alone, and its size.

        That is the sum of what its terms may be at most, each as often as it is rounded.
        """
        key = key_of(form)
        found = self._known.get(key)
        if found is None:
            try:
                found = _bounded(form, self.box)[0], self._size(form)
            except NoValue:
                found = EVERYTHING, math.inf
            self._known[key] = found
        return found

    def _size(self, form: Form) -> float:
        found = 0.0
        for monomial, coefficient in form.items():
            term = interval.point(coefficient)
            for factor, exponent in monomial:
                term = interval.multiply(term, _power(_factor(factor, self.box)[0], exponent))
            found += term.reach * (2 + len(monomial))
        return found

    def _highest(self, form: Form, whole: dict[str, Interval], bound: float) -> float:
        """A bound from above: near the highest value, and never below it."""
        related = self._related(whole)
        order = count()
        boxes = [(-bound, next(order), whole)]
        taken = -math.inf
        looked = 0
        while boxes and self._left > 0 and looked < MOST_BOXES:
            worst = -boxes[0][0]
            if worst <= taken + SHARE * abs(taken):
                break
            _, _, box = heapq.heappop(boxes)
            looked += 1
            self._left -= 1
            if not self._allowed(box, related):
                continue
            try:
                bound, box, gradient = self._bound(form, box, bool(related))
            except NoValue:
                continue
            middle = {name: interval.point(_middle(side)) for name, side in box.items()}
            if self._allowed(middle, related, surely=True):
                with suppress(NoValue):
                    taken = max(taken, _bounded(form, middle)[0].low)
            if bound <= taken:
                continue
            side = _longest(box, gradient)
            if side is None:
                taken = bound
                continue
            cut = _middle(box[side])
            for half in (Interval(box[side].low, cut), Interval(cut, box[side].high)):
                heapq.heappush(boxes, (-bound, next(order), {**box, side: half}))
        return max(-boxes[0][0] if boxes else -math.inf, taken)

    def _bound(
        self, form: Form, box: dict[str, Interval], related: bool
    ) -> tuple[float, dict[str, Interval], Gradient]:
        """A bound from above of one box, and the part of the box that it is taken in."""
        natural, gradient = _bounded(form, box)
        if not related:
            pressed = {name: _side(side, gradient.get(name, ZERO)) for name, side in box.items()}
            # At that end a root or a quotient may have no value, beside which it has one.
            with suppress(NoValue):
                natural, gradient = _bounded(form, pressed)
                box = pressed
        middle = {name: interval.point(_middle(side)) for name, side in box.items()}
        try:
            best = _bounded(form, middle)[0].high
        except NoValue:
            best = math.inf
        for name, side in box.items():
            reach = math.nextafter(max(side.high - _middle(side), _middle(side) - side.low), 1e308)
            if side.low < side.high:
                best = _up(best + _up(interval.product(gradient.get(name, ZERO).reach, reach)))
        return min(natural.high, best), box, gradient

    def _related(self, box: Mapping[str, object]) -> list[tuple[Form, float]]:
        """What is required of the settings of a box, beside others that it doesn't have."""
        return [
            (form, room)
            for form, room in self.required
            if any(settings_of(factor) & box.keys() for factor in factors(form))
        ]

    def _allowed(
        self, box: Box, required: Sequence[tuple[Form, float]], surely: bool = False
    ) -> bool:
        """Whether something in a box meets what is required, or, `surely`, all of it."""
        whole = {**self.box, **box} if required else box
        for form, room in required:
            try:
                found = _bounded(form, whole)[0]
            except NoValue:
                return False
            if (found.high if surely else found.low) > (0.0 if surely else room):
                return False
        return True


def _settings(form: Form) -> list[str]:
    return sorted({name for factor in factors(form) for name in settings_of(factor)})


def _several(form: Form) -> list[str]:
    """The settings that stand in more than one place of a form: others are bounded exactly."""
    places: dict[str, int] = {}

    def walk(form: Form) -> None:
        for factor in factors(form):
            if isinstance(factor, str):
                places[factor] = places.get(factor, 0) + 1
            else:
                for argument in factor.arguments:
                    walk(argument)

    walk(form)
    return [name for name, times in places.items() if times > 1]


def _middle(side: Interval) -> float:
    return side.low + (side.high - side.low) / 2


def _side(side: Interval, slope: Interval) -> Interval:
    """The end of a side where a form is highest, if it only rises or only falls along it."""
    if slope.low >= 0:
        return interval.point(side.high)
    return interval.point(side.low) if slope.high <= 0 else side


def _longest(box: Box, gradient: Gradient) -> str | None:
    """The side along which a form may change most, None where all sides are points."""
    best, found = 0.0, None
    for name, side in box.items():
        wide = side.high - side.low
        if wide <= 0 or not side.low < _middle(side) < side.high:
            continue
        change = wide * min(gradient.get(name, ZERO).reach, 1e300) + wide * 1e-9
        if change > best:
            best, found = change, name
    return found


def _up(value: float) -> float:
    return math.nextafter(value, math.inf)


def _bounded(form: Form, box: Box) -> tuple[Interval, Gradient]:
    """The bounds of a form over a box and those of its slopes along each setting."""
    total, slopes = ZERO, dict[str, Interval]()
    for monomial, coefficient in form.items():
        value, slope = interval.point(coefficient), dict[str, Interval]()
        for factor, exponent in monomial:
            base, inner = _factor(factor, box)
            powered = _power(base, exponent)
            rise = _times(_power(base, exponent - 1), interval.point(float(exponent)))
            slope = {name: _times(change, powered) for name, change in slope.items()}
            for name, change in inner.items():
                added = _times(value, _times(rise, change))
                slope[name] = _plus(slope[name], added) if name in slope else added
            value = _times(value, powered)
        total = _plus(total, value)
        for name, change in slope.items():
            slopes[name] = _plus(slopes[name], change) if name in slopes else change
    return total, slopes


def _factor(factor: str | Function, box: Box) -> tuple[Interval, Gradient]:
    if isinstance(factor, str):
        return box[factor], {factor: interval.point(1.0)}
    parts = [_bounded(argument, box) for argument in factor.arguments]
    if factor.name in ("min", "max"):
        join = interval.minimum if factor.name == "min" else interval.maximum
        found, slopes = parts[0]
        for other, others in parts[1:]:
            names = slopes.keys() | others.keys()
            slopes = {n: interval.hull(slopes.get(n, ZERO), others.get(n, ZERO)) for n in names}
            if found.high < other.low or other.high < found.low:
                # Only one of the two is ever taken.
                first = (found.high < other.low) == (factor.name == "min")
                slopes = parts[0][1] if first and len(parts) == 2 else slopes
                slopes = others if not first and len(parts) == 2 else slopes
            found = join(found, other)
        return found, slopes
    inner = parts[0][1]
    value, rise = _ONE[factor.name](parts[0][0])
    return value, {name: _times(rise, change) for name, change in inner.items()}


def _absolute(a: Interval) -> tuple[Interval, Interval]:
    if a.low >= 0:
        return a, interval.point(1.0)
    if a.high <= 0:
        return interval.negative(a), interval.point(-1.0)
    return interval.absolute(a), Interval(-1.0, 1.0)


def _root(a: Interval) -> tuple[Interval, Interval]:
    inside = interval.meet(a, interval.NOT_NEGATIVE)
    if inside is None:
        raise NoValue
    value = interval.root(inside)
    value = Interval(max(value.low, 0.0), value.high)
    return value, outward(interval.divide(interval.point(0.5), value))


def _logarithm(a: Interval) -> tuple[Interval, Interval]:
    inside = interval.meet(a, interval.NOT_NEGATIVE)
    if inside is None or inside.high == 0:
        raise NoValue
    return interval.logarithm(inside), outward(interval.divide(interval.point(1.0), inside))


def _exponential(a: Interval) -> tuple[Interval, Interval]:
    value = interval.exponential(a)
    return value, value


def _inverse(a: Interval) -> tuple[Interval, Interval]:
    if a == (0.0, 0.0):
        raise NoValue
    value = outward(interval.divide(interval.point(1.0), a))
    square = _times(value, value)
    if a.low > 0 or a.high < 0:
        square = Interval(max(square.low, 0.0), square.high)
    return value, interval.negative(square)


_ONE: dict[str, Callable[[Interval], tuple[Interval, Interval]]] = {
    "abs": _absolute,
    "sqrt": _root,
    "ln": _logarithm,
    "exp": _exponential,
    "inverse": _inverse,
}


def _plus(a: Interval, b: Interval) -> Interval:
    return outward(interval.add(a, b))


def _times(a: Interval, b: Interval) -> Interval:
    found = interval.multiply(a, b)
    # A product with a whole one, as most are, is exact.
    return found if a in _EXACT or b in _EXACT else outward(found)


_EXACT = (interval.point(1.0), interval.point(-1.0), ZERO)


def _power(a: Interval, n: int) -> Interval:
    if n == 1:
        return a
    if n == 0:
        return interval.point(1.0)
    if n < 0:
        if a == (0.0, 0.0):
            raise NoValue
        return outward(interval.divide(interval.point(1.0), _power(a, -n)))
    return interval.power(a, interval.point(float(n)))
