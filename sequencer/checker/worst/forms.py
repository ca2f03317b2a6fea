"""How a value hangs on the settings: sums of products of powers, and functions of such sums.

`drive * (2 A / drive)` is 2 A, whatever `drive` is: written as a sum of products of powers of
settings it is a constant. What is no such sum (a minimum, a root, a quotient by a sum) stands in it
as one factor, known by what it is made of, so that like cancels like. Knows no bounds.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator, Mapping

MOST_TERMS = 8
"""A longer form is given up: it would cost more than it tells."""
MOST_DEPTH = 6
"""How deep functions may stand in functions before a form is given up."""


class Function:
    """A function of forms as one factor; equal ones are one and the same object.

    `name` is that of the language, or "inverse"; `settings` are those that it hangs on, `depth`
    how deep functions stand within it.
    """

    __slots__ = ("arguments", "depth", "name", "serial", "settings")

    def __init__(self, name: str, arguments: tuple[Form, ...], serial: int) -> None:
        self.name, self.arguments, self.serial = name, arguments, serial
        inner = [factor for form in arguments for factor in factors(form)]
        self.settings = frozenset(s for factor in inner for s in settings_of(factor))
        within = [factor.depth for factor in inner if isinstance(factor, Function)]
        self.depth: int = 1 + max(within, default=0)


Factor = str | Function
"""A setting by its name, or a function."""
Monomial = tuple[tuple[Factor, int], ...]
"""Factors with their exponents, in a fixed order; empty for a constant."""
Form = Mapping[Monomial, float]


def factors(form: Form) -> Iterator[Factor]:
    """The factors of a form, as often as they stand in it."""
    return (factor for monomial in form for factor, _ in monomial)


def settings_of(factor: Factor) -> frozenset[str]:
    """The settings that a factor hangs on."""
    return frozenset((factor,)) if isinstance(factor, str) else factor.settings


def key_of(form: Form) -> frozenset[tuple[Monomial, float]]:
    """What tells a form from another."""
    return frozenset(form.items())


def constant(value: float) -> Form:
    """The form of a constant."""
    return {(): value}


class Functions:
    """The functions that were met, each once."""

    def __init__(self) -> None:
        self._known: dict[object, Function] = {}

    def form(self, name: str, arguments: tuple[Form, ...]) -> Form | None:
        """The form of a function of forms; None where it is nested too deep."""
        key = (name, tuple(map(key_of, arguments)))
        found = self._known.get(key)
        if found is None:
            found = Function(name, arguments, len(self._known))
            self._known[key] = found
        return {((found, 1),): 1.0} if found.depth <= MOST_DEPTH else None

    def combined(self, operator: str, a: Form, b: Form) -> Form | None:
        """The form of `a operator b` with one of + - * / ^, None where it has none."""
        found: dict[Monomial, float] = {}
        match operator:
            case "+" | "-":
                sign = 1.0 if operator == "+" else -1.0
                found = dict(a)
                for monomial, coefficient in b.items():
                    found[monomial] = found.get(monomial, 0.0) + sign * coefficient
            case "*":
                for first, x in a.items():
                    for second, y in b.items():
                        if x and y and _fades(x * y):
                            return None
                        monomial = _times(first, second, 1)
                        found[monomial] = found.get(monomial, 0.0) + x * y
            case "/":
                if len(b) != 1:
                    inverse = self.form("inverse", (b,))
                    return self.combined("*", a, inverse) if inverse is not None else None
                ((under, divisor),) = b.items()
                if divisor == 0 or any(c and _fades(c / divisor) for c in a.values()):
                    return None
                found = {_times(over, under, -1): c / divisor for over, c in a.items()}
            case "^":
                return self._power(a, b)
        found = {m: c for m, c in found.items() if c != 0} or {(): 0.0}
        return found if len(found) <= MOST_TERMS else None

    def _power(self, a: Form, b: Form) -> Form | None:
        exponent = b.get(()) if len(b) == 1 else None
        if exponent not in (1.0, 2.0, 3.0):
            return None
        found: Form | None = a
        for _ in range(int(exponent) - 1):
            found = self.combined("*", found, a) if found is not None else None
        return found


def _fades(coefficient: float) -> bool:
    """Whether a coefficient is so small that rounding may have taken any share of it."""
    return abs(coefficient) < sys.float_info.min


def _times(a: Monomial, b: Monomial, sign: int) -> Monomial:
    exponents = dict(a)
    for factor, exponent in b:
        exponents[factor] = exponents.get(factor, 0) + sign * exponent
    return tuple(sorted(((f, e) for f, e in exponents.items() if e), key=_order))


def _order(power: tuple[Factor, int]) -> tuple[bool, str, int]:
    factor = power[0]
    if isinstance(factor, str):
        return False, factor, 0
    return True, "", factor.serial
