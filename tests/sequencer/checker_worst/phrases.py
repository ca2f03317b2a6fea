"""Random values, conditions, limits and times as text, right in their units.

What is generated is on a coarse grid of values, so that ends meet, and short in time, so that a run
is quick. Knows which names, readings and traces are in reach, and no step.
"""

from __future__ import annotations

import random

GRID = {
    "V": ("-2 V", "-0.5 V", "0 V", "0.5 V", "1 V", "2 V", "3 V"),
    "A": ("-2 A", "-0.5 A", "0 A", "0.5 A", "1 A", "2 A"),
}
LIMITS = {
    "voltage": ("1 A", "2 A", "within 1.5 A", "-1 A to 2 A", "0 A to 1 A", "-2 A to 0 A"),
    "current": (
        "2 V",
        "4 V",
        "within 5 V",
        "0 V to 3 V",
        "-1 V to 4 V",
        "2 V ± 1 V",
        "0.5 V to 2 V",
    ),
}
UNIT = {"voltage": "V", "current": "A"}
QUANTITY = {"V": "voltage", "A": "current"}


class Scope:
    """What is in reach at one place: names by their unit, readings and traces by channel.

    `settable` are names that `set` may change; `read` channels that have a reading on every path;
    `traces` those that have a row on every path, with their channel.
    """

    def __init__(self) -> None:
        self.names: list[tuple[str, str]] = []
        self.settable: list[tuple[str, str]] = []
        self.read: set[str] = set()
        self.traces: dict[str, str] = {}

    def copy(self) -> Scope:
        """The same things in reach."""
        found = Scope()
        found.names, found.settable = list(self.names), list(self.settable)
        found.read, found.traces = set(self.read), dict(self.traces)
        return found

    def of(self, unit: str) -> list[str]:
        """The names of a unit."""
        return [name for name, own in self.names if own == unit]


class Phrases:
    """Says random things of what is in `scope`."""

    def __init__(self, dice: random.Random) -> None:
        self.dice = dice
        self.scope = Scope()
        self.lines: tuple[str, ...] = ()
        """The digital lines."""
        self.capacity = False
        """Whether `dut.capacity` is stated."""
        self.part = "dut"

    def value(self, unit: str, depth: int = 2) -> str:
        """An expression of a unit: V or A."""
        dice, scope = self.dice, self.scope
        read = sorted(scope.read & {"smu", "aux", "meter"})
        traces = [t for t, channel in scope.traces.items() if channel in ("smu", "aux", "meter")]
        choices = ["literal"] * 3 + ["name"] * 3 + ["reading"] * 2 * bool(read)
        choices += ["trace"] * 3 * bool(traces) + ["fact"] * self.capacity
        if depth:
            choices += ["sum", "difference", "scaled", "chain", "correlated"]
        match dice.choice(choices):
            case "name":
                names = scope.of(unit)
                return dice.choice(names) if names else dice.choice(GRID[unit])
            case "reading":
                return f"{dice.choice(read)}.{QUANTITY[unit]}"
            case "trace":
                function = dice.choice(["mean", "minimum", "maximum"])
                return f"{function}({dice.choice(traces)}, {QUANTITY[unit]}, 0.5 s)"
            case "fact":
                # 2 Ah in an hour are 2 A, as many volts at an ohm.
                return f"({self.part}.capacity / (1 h){' * (1 ohm)' if unit == 'V' else ''})"
            case "sum":
                return f"({self.value(unit, depth - 1)} + {self.value(unit, depth - 1)})"
            case "difference":
                return f"({self.value(unit, depth - 1)} - {self.value(unit, depth - 1)})"
            case "scaled":
                return f"{dice.choice(['0.5', '2', '-1', '50 %'])} * {self.value(unit, depth - 1)}"
            case "chain":
                function = dice.choice(["min", "max", "abs"])
                first = self.value(unit, depth - 1)
                second = "" if function == "abs" else f", {self.value(unit, depth - 1)}"
                return f"{function}({first}{second})"
            case "correlated":
                return self._correlated(unit)
        return dice.choice(GRID[unit])

    def _correlated(self, unit: str) -> str:
        """A setting more than once, in forms that cancel or that have an end within the span."""
        dice = self.dice
        names = [name for name in self.scope.of(unit) if name.startswith("set_")]
        if not names:
            return dice.choice(GRID[unit])
        name, other = dice.choice(names), self.value(unit, 0)
        forms = [
            f"({name} - {other} - {name})",
            f"{name} * {other} / {name}",
            f"({name} * (2 {unit} - {name}) / (1 {unit}))",
            f"min({name}, 2 {unit} - {name})",
            f"(1 {unit}) * exp(-abs({name}) / (1 {unit}))",
            f"sqrt(abs({name}) * 1 {unit})",
        ]
        if {"set_0", "set_1"} <= {known for known, _ in self.scope.names}:
            forms += [f"(set_0 * set_1 / (1 {'A' if unit == 'V' else 'V'}))"] * 2
        return dice.choice(forms)

    def condition(self, depth: int = 1) -> str:
        """A condition."""
        dice = self.dice
        unit = dice.choice("VA")
        kinds = ["compare"] * 3 + ["inside"] + ["and", "or", "not"] * bool(depth)
        kinds += ["line"] * bool(self.lines) + ["warm"] * ("warmth" in self.scope.read)
        match dice.choice(kinds):
            case "and":
                return f"({self.condition(0)}) and ({self.condition(0)})"
            case "or":
                return f"({self.condition(0)}) or ({self.condition(0)})"
            case "not":
                return f"not ({self.condition(0)})"
            case "inside":
                span = {"V": "-0.5 V to 1.5 V", "A": "0 A to 1 A"}[unit]
                return f"{self.value(unit, 1)} in {span}"
            case "line":
                return f"{dice.choice(self.lines)} is {dice.choice(['high', 'low'])}"
            case "warm":
                return f"warmth.temperature > {dice.choice(['0', '40', '100'])} degC"
        sign = dice.choice(["<", "<=", ">", ">="])
        return f"{self.value(unit, 1)} {sign} {self.value(unit, 1)}"

    def time(self) -> str:
        """A time of a second at most."""
        names = self.scope.of("s")
        return self.dice.choice(["0.1 s", "0.3 s", "1 s", *names, *names])

    def limit(self, mode: str) -> str:
        """A limit of a source's mode."""
        dice = self.dice
        unit = "A" if mode == "voltage" else "V"
        low = "0 A" if mode == "voltage" else "-1 V"
        found = dice.choice(
            [
                dice.choice(LIMITS[mode]),
                dice.choice(LIMITS[mode]),
                f"abs({self.value(unit, 1)})",
                f"{low} to abs({self.value(unit, 1)})",
                "power",
                self.part,
            ]
        )
        names = [name for name in self.scope.of(UNIT[mode]) if name == "set_0"]
        if found == "power":
            # A power over a setting that is never zero: a hyperbola.
            return f"2 W / max(abs({names[0]}), 0.5 V)" if names and unit == "A" else "1 " + unit
        return found
