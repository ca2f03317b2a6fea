"""Random recipes over the constructs of steps, as text: right in their units and in their order.

What is generated is on a coarse grid of values, so that ends meet, and short in time, so that a run
is quick. Whether a rating can be left is nobody's concern here.
"""

from __future__ import annotations

import random

KINDS = ("capacitor", "cell", "resistor", "diode", "solar cell", "motor", "coil", "other")
VOLTS = ("-2 V", "-0.5 V", "0 V", "0.5 V", "1 V", "2 V", "3 V")
AMPERES = ("-2 A", "-0.5 A", "0 A", "0.5 A", "1 A", "2 A")
LIMITS = {
    "voltage": ("1 A", "2 A", "within 1.5 A", "-1 A to 2 A", "0 A to 1 A", "-2 A to 0 A"),
    "current": ("2 V", "4 V", "within 5 V", "0 V to 3 V", "-1 V to 4 V", "0.5 V to 2 V"),
}


class Names:
    """The names in reach, by their unit: V, A, s or none; `set`table ones apart."""

    def __init__(self) -> None:
        self.known: list[tuple[str, str]] = []
        self.settable: list[tuple[str, str]] = []

    def of(self, unit: str) -> list[str]:
        return [name for name, u in self.known if u == unit]


class Program:
    """One random recipe; `text` is what it reads."""

    def __init__(self, dice: random.Random) -> None:
        self.dice = dice
        self.names = Names()
        self.lines: list[str] = []
        self.count = 0
        self.on = False
        self.mode = ""
        self.measured = False
        self.loops = 0
        self.final = False
        self.steps_left = dice.randint(4, 18)
        kind = dice.choice(KINDS)
        low, high = dice.choice([(-6, 6), (-3, 8), (-0.5, 4), (1, 4), (0, 3), (-10, 10)])
        amps = dice.choice([2, 4, 10])
        able = ["source", "sink", "measure", "mode change under power"]
        able += [c for c in ("measure open", "two-sided limit") if dice.random() < 0.9]
        self.head = [
            'recipe "Random"',
            f"channel smu: {', '.join(able)}",
            f"part dut is {kind} on smu:",
            f"    voltage {low} V to {high} V",
            f"    current within {amps} A",
        ]
        self._settings()
        self._block(0, dice.randint(3, 7), first=True)
        body, self.lines = self.lines, []
        self.final, self.on, self.measured, self.mode = True, False, False, ""
        self.names.known = [n for n in self.names.known if n[0].startswith("set_")]
        self.names.settable = []
        if dice.random() < 0.4:
            self.steps_left = 4
            self._block(0, 3, first=True)
        tail = ["finally:", *self.lines] if self.lines else []
        self.text = "\n".join([*self.head, "steps:", *body, *tail]) + "\n"

    def _settings(self) -> None:
        dice = self.dice
        for k, (unit, spans) in enumerate(
            (
                ("V", [("1", "0.5", "3"), ("0", "-2", "2"), ("2", "1", "2")]),
                ("A", [("1", "0.5", "2"), ("0.5", "-1", "1"), ("2", "1", "2")]),
                ("s", [("0.5", "0.1", "1"), ("0.2", "0.2", "0.4")]),
            )
        ):
            if dice.random() < 0.6:
                value, low, high = dice.choice(spans)
                name = f"set_{k}"
                span = f" in {low} {unit} to {high} {unit}" if dice.random() < 0.85 else ""
                self.head.append(f"setting {name} = {value} {unit}{span}")
                self.names.known.append((name, unit))
        if dice.random() < 0.3 and self.names.of("V"):
            self.head.append(f"require {self.names.of('V')[0]} <= 2.5 V")
        if dice.random() < 0.5 and self.names.of("V") and self.names.of("A"):
            self.head.append("require set_0 * set_1 <= 3 W")
        if dice.random() < 0.3:
            self.head.append(f"guard smu.voltage {dice.choice(['<= 2 V', '>= -1 V', '<= 3.5 V'])}")

    # Expressions

    def value(self, unit: str, depth: int = 2) -> str:
        """An expression of a unit: V or A."""
        dice = self.dice
        grid = VOLTS if unit == "V" else AMPERES
        choices = ["literal"] * 3 + ["name"] * 3
        if self.measured:
            choices += ["reading"] * 2
        if depth:
            choices += ["sum", "difference", "scaled", "chain", "correlated"]
        match dice.choice(choices):
            case "name":
                names = self.names.of(unit)
                return dice.choice(names) if names else dice.choice(grid)
            case "reading":
                return "smu.voltage" if unit == "V" else "smu.current"
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
                names = [n for n in self.names.of(unit) if n.startswith("set_")]
                if names:
                    name = dice.choice(names)
                    other = self.value(unit, 0)
                    forms = [f"({name} - {other} - {name})", f"{name} * {other} / {name}"]
                    if {"set_0", "set_1"} <= {n for n, _ in self.names.known}:
                        forms += [f"(set_0 * set_1 / 1 {'A' if unit == 'V' else 'V'})"] * 2
                    return dice.choice(forms)
        return dice.choice(grid)

    def condition(self, depth: int = 1) -> str:
        dice = self.dice
        unit = dice.choice("VA")
        kind = dice.choice(["compare", "compare", "inside", "and", "or", "not"])
        if depth and kind in ("and", "or"):
            return f"({self.condition(0)}) {kind} ({self.condition(0)})"
        if depth and kind == "not":
            return f"not ({self.condition(0)})"
        if kind == "inside":
            span = {"V": "-0.5 V to 1.5 V", "A": "0 A to 1 A"}[unit]
            return f"{self.value(unit, 1)} in {span}"
        return f"{self.value(unit, 1)} {dice.choice(['<', '<=', '>', '>='])} {self.value(unit, 1)}"

    def time(self) -> str:
        names = self.names.of("s")
        return self.dice.choice(["0.1 s", "0.3 s", "1 s", *names, *names])

    def _limit(self, mode: str) -> str:
        dice = self.dice
        unit = "A" if mode == "voltage" else "V"
        low = "0 A" if mode == "voltage" else "-1 V"
        return dice.choice(
            [
                dice.choice(LIMITS[mode]),
                dice.choice(LIMITS[mode]),
                f"{self.value(unit, 1)}",
                f"{low} to abs({self.value(unit, 1)})",
                "dut",
            ]
        )

    # Steps

    def _put(self, depth: int, text: str) -> None:
        self.lines.append("    " * (depth + 1) + text)

    def _new(self, unit: str) -> str:
        self.count += 1
        return f"x_{self.count}"

    def _block(self, depth: int, size: int, first: bool = False) -> None:
        """A block; what it makes known goes with it, what it changes is no longer certain."""
        known, settable = list(self.names.known), list(self.names.settable)
        if first:
            self._source(depth)
            if self.dice.random() < 0.9:
                self._put(depth, "output smu on")
                self.on = True
        for _ in range(size):
            self.steps_left -= 1
            if self.steps_left < 0:
                break
            if self._step(depth):
                break
        self.names.known, self.names.settable = known, settable

    def _inner(self, depth: int) -> None:
        """A block within a step, which may not be run at all."""
        before = len(self.lines)
        on, mode, measured = self.on, self.mode, self.measured
        self._block(depth + 1, self.dice.randint(1, 4))
        if len(self.lines) == before:
            self._put(depth + 1, "wait 0.1 s")
        self.on = self.on and on
        self.mode = mode if mode == self.mode else ""
        self.measured = measured

    def _source(self, depth: int) -> None:
        mode = self.dice.choice(["voltage", "current"])
        level = self.value("V" if mode == "voltage" else "A")
        self._put(depth, f"source smu {mode} {level}, limit {self._limit(mode)}")
        self.mode = mode

    def _step(self, depth: int) -> bool:
        """One step; True where the block ends with it."""
        dice = self.dice
        steps = ["source"] * 4 + ["output"] * 2 + ["measure"] * 3 + ["wait", "let", "let", "set"]
        steps += ["setup", "sweep", "sweep"]
        if depth < 3:
            steps += ["if", "if", "every", "until", "until", "repeat", "for", "for"]
        if self.loops:
            steps += ["leave"]
        if depth:
            steps += ["end"]
        step = dice.choice(steps)
        match step:
            case "source":
                self._source(depth)
            case "output":
                self.on = dice.random() < 0.6
                self._put(depth, f"output smu {'on' if self.on else 'off'}")
            case "measure":
                self._measure(depth)
            case "wait":
                self._put(depth, f"wait {self.time()}")
            case "let":
                unit = dice.choice("VA")
                name = self._new(unit)
                self._put(depth, f"let {name} = {self.value(unit)}")
                self.names.known.append((name, unit))
                self.names.settable.append((name, unit))
            case "set":
                if self.names.settable:
                    name, unit = dice.choice(self.names.settable)
                    self._put(depth, f"set {name} = {self.value(unit)}")
            case "setup":
                what = dice.choice(["aperture = 1 PLC", "aperture = 5 ms", "average = 2"])
                self._put(depth, f"setup smu: {what}")
            case "sweep":
                self._sweep(depth)
            case "leave" | "end":
                self._put(depth, "leave" if step == "leave" else dice.choice(["stop", 'fail "x"']))
                return True
            case _:
                self._branch(depth, step)
        return False

    def _measure(self, depth: int) -> None:
        if "measure open" in self.head[1] or self.on:
            self._put(depth, "measure smu")
            self.measured = True

    def _sweep(self, depth: int) -> None:
        if not (self.on and self.mode):
            return
        mode, dice = self.mode, self.dice
        unit = "V" if mode == "voltage" else "A"
        ends = f"from {self.value(unit, 1)} to {self.value(unit, 1)} in {dice.randint(2, 4)} points"
        if dice.random() < 0.2:
            ends = f"from 0.5 {unit} to 2 {unit} in 3 points, logarithmic"
        limit = f", limit {self._limit(mode)}" if dice.random() < 0.4 else ""
        settle = f", settle {self.time()}" if dice.random() < 0.4 else ""
        until = ", until smu.current >= 1 A" if dice.random() < 0.4 else ""
        trace = f"t_{len(self.lines)}_{'f' if self.final else 's'}"
        self._put(depth, f"sweep smu {mode} {ends}{limit}{settle}{until}, into {trace}")
        self.measured = True

    def _branch(self, depth: int, step: str) -> None:
        dice = self.dice
        if step == "if":
            self._put(depth, f"if {self.condition()}:")
            self._inner(depth)
            if dice.random() < 0.3:
                self._put(depth, f"else if {self.condition()}:")
                self._inner(depth)
            if dice.random() < 0.5:
                self._put(depth, "else:")
                self._inner(depth)
            return
        self.loops += 1
        known = list(self.names.known)
        otherwise = False
        period = dice.choice(["0.2 s", "0.5 s"])
        match step:
            case "every":
                self._put(depth, f"every {period} for {self.time()}:")
            case "until":
                condition = f"smu.voltage {dice.choice(['<', '>='])} {self.value('V', 1)}"
                self._put(depth, f"every {period} until {condition}, at most {self.time()}:")
                otherwise = dice.random() < 0.4
            case "repeat":
                self._put(depth, f"repeat {dice.randint(0, 4)} times:")
            case _:
                self._for(depth)
        if step == "until":
            # The condition is on a reading, which the body must take on every path.
            reading = "measure open" in self.head[1] or self.on
            self._put(depth + 1, "measure smu" if reading else "output smu on")
            if not reading:
                self._put(depth + 1, "measure smu")
            self.measured, self.on = True, self.on
        measured = self.measured
        self._inner(depth)
        self.measured = measured
        self.names.known = known
        self.loops -= 1
        if otherwise:
            self._put(depth, "otherwise:")
            self._inner(depth)

    def _for(self, depth: int) -> None:
        dice = self.dice
        unit = dice.choice("VA")
        name = self._new(unit)
        kind = dice.choice(["values", "linear", "count"])
        if kind == "values":
            values = ", ".join(self.value(unit, 1) for _ in range(dice.randint(1, 3)))
            self._put(depth, f"for {name} in values({values}):")
        elif kind == "linear":
            ends = f"{self.value(unit, 0)}, {self.value(unit, 0)}"
            self._put(depth, f"for {name} in linear({ends}, {dice.randint(2, 5)}):")
        else:
            self._put(depth, f"for {name} in {dice.randint(0, 2)} to {dice.randint(0, 4)}:")
            unit = ""
        self.names.known.append((name, unit))
