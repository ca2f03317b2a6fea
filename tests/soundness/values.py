"""Random expressions, each with the span that it can't leave whatever the settings are.

Knows no part and no step.
"""

from __future__ import annotations

import random
from typing import NamedTuple

from tests.soundness.parts import Span


class Known(NamedTuple):
    """A name in reach, its unit, empty for a whole number, and the span that it stays in."""

    name: str
    unit: str
    span: Span


def quantity(value: float, unit: str) -> str:
    """A value to three digits as a recipe has it."""
    return f"{value:.3g} {unit}" if value else f"0 {unit}"


class Values:
    """Makes expressions of the names that are known; `reading` says whether one was taken."""

    def __init__(self, dice: random.Random, spans: dict[str, Span]) -> None:
        self.dice = dice
        self.spans = spans
        self.known: list[Known] = []
        self.settable: list[Known] = []
        self.reading = False

    def point(self, span: Span) -> float:
        """Anything in a span, the ends most often."""
        low, high = span
        choices = [low, high, high, low + (high - low) * self.dice.random()]
        if low < 0 < high:
            choices.append(0.0)
        return self.dice.choice(choices)

    def literal(self, unit: str, span: Span) -> str:
        """A number in a span."""
        return quantity(self.point(span), unit)

    def value(self, unit: str, span: Span | None = None, depth: int = 2) -> str:
        """An expression of a unit that stays in a span, by default that of its quantity."""
        low, high = span = span if span is not None else self.spans[unit]
        dice = self.dice
        fitting = [
            known
            for known in self.known
            if known.unit == unit and low <= known.span.low and known.span.high <= high
        ]
        choices = ["literal"] * 3 + (["name"] * 4 if fitting else [])
        if depth:
            choices += ["mean", "between", "clamped"]
            choices += ["clamped"] * 2 if self.reading and unit in "VA" else []
            choices += ["share"] if low <= 0 <= high else []
            choices += ["turned"]
            choices += ["correlated"] * 2 if self._positive(unit) and low < high else []
            choices += ["counted"] if any(not known.unit for known in self.known) else []
        made = getattr(self, f"_{dice.choice(choices)}")
        return str(made(unit, span, fitting, depth - 1))

    def _positive(self, unit: str) -> list[Known]:
        return [k for k in self.known if k.unit == unit and k.span.low > 0 and k.name[0] == "s"]

    def _literal(self, unit: str, span: Span, fitting: list[Known], depth: int) -> str:
        return self.literal(unit, span)

    def _name(self, unit: str, span: Span, fitting: list[Known], depth: int) -> str:
        return self.dice.choice(fitting).name

    def _mean(self, unit: str, span: Span, fitting: list[Known], depth: int) -> str:
        return f"({self.value(unit, span, depth)} + {self.value(unit, span, depth)}) / 2"

    def _between(self, unit: str, span: Span, fitting: list[Known], depth: int) -> str:
        first, second = self.value(unit, span, depth), self.value(unit, span, depth)
        return f"{self.dice.choice(['min', 'max'])}({first}, {second})"

    def _clamped(self, unit: str, span: Span, fitting: list[Known], depth: int) -> str:
        names = [known.name for known in self.known if known.unit == unit]
        anything = self.dice.choice(names) if names else self.literal(unit, span)
        if self.reading and unit in ("V", "A") and self.dice.random() < 0.7:
            anything = "smu.voltage" if unit == "V" else "smu.current"
        if self.dice.random() < 0.3:
            anything = f"{self.dice.choice(['2', '-1', '50 %'])} * {anything}"
        low, high = quantity(span.low, unit), quantity(span.high, unit)
        return f"min(max({anything}, {low}), {high})"

    def _share(self, unit: str, span: Span, fitting: list[Known], depth: int) -> str:
        return f"{self.dice.choice(['20 %', '50 %', '90 %'])} * {self.value(unit, span, depth)}"

    def _turned(self, unit: str, span: Span, fitting: list[Known], depth: int) -> str:
        turned = Span(-span.high, -span.low)
        if self.dice.random() < 0.5 and span.low >= 0:
            return f"abs({self.value(unit, turned, depth)})"
        return f"-1 * ({self.value(unit, turned, depth)})"

    def _correlated(self, unit: str, span: Span, fitting: list[Known], depth: int) -> str:
        name = self.dice.choice(self._positive(unit)).name
        figure = self.value(unit, span, 0)
        forms = [f"{name} * ({figure} / {name})", f"({name} + {figure} - {name})"]
        return self.dice.choice(forms)

    def _counted(self, unit: str, span: Span, fitting: list[Known], depth: int) -> str:
        known = self.dice.choice([k for k in self.known if not k.unit])
        most = max(abs(known.span.low), abs(known.span.high), 1.0)
        if span.low <= 0 <= span.high:
            return f"{known.name} * {quantity(self.point(span) / most, unit)}"
        return self.literal(unit, span)
