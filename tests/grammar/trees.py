"""Random recipes: whole trees over all nodes of the language, and untidy ways to write them.

`recipe(random)` makes a tree such as the parser makes one, so that `parse(recipe_text(tree))` gives
it again; what it says need not make sense to the checker. `untidy(random, text)` writes a canonical
text as a person might: spaces, broken lines, comments, empty lines, other indentation; its tree is
the same. Both draw from a `random.Random` alone, so that a seed says all, and hypothesis can shrink
them (`st.randoms(use_true_random=False)`).
"""

from __future__ import annotations

import re
from collections.abc import Callable
from random import Random
from typing import Any

from grammar import tree
from grammar.lines import begins_statement
from grammar.quantity import read

# Words of the language that are not reserved are names like all others.
NAMES = (
    *("smu", "meter", "bank", "rated", "rate", "curve", "soak", "lid", "x", "V", "I_0", "R47"),
    *("k", "Größe", "α_1", "andb", "limitrate", "points", "source", "output", "limit", "voltage"),
    *("with", "as", "every", "otherwise", "wait", "do", "pulse", "logarithmic", "by", "is", "on"),
)
UNITS = (
    *("", "", "V", "mV", "A", "uA", "µA", "μA", "ohm", "mΩ", "k\u2126", "F", "s", "ms", "min", "h"),
    *("°C", "degC", "%", "ppm", "PLC", "W/m²", "W/m^2", "V*s", "V·s", "kg*m/s^2", "s^-1", "m³/h"),
    *("nV/√Hz", "fA/Hz^0.5", "V^1.5"),
)
CODED = ("4k7 ohm", "4K7ohm", "R47 Ω", "2n2 F", "4µ7F", "10R ohm", "p33 F", "1M ohm")
CAPABILITIES = (
    *("source", "sink", "measure", "measure temperature", "measure open", "pulse", "capture"),
    *("two-sided limit", "mode change under power", "remote sense"),
)
KINDS = ("capacitor", "cell", "solar cell", "resettable fuse", "laser diode", "LED", "other")
RATINGS = ("voltage", "current", "power", "energy", "charge", "temperature", "torque")
SETUP = ("aperture", "average", "voltage range", "current range")
WORDS = (
    *(
        "It is done.",
        "Ridge weather station",
        "{",
        "}",
        '"',
        "\\",
        "# no comment",
        "a, b",
        "(",
        "°C",
    ),
    *("  ", "\t", "電圧", "e\u0301", "\u00a0", "end:", "{{", "'"),
)
COMMENTS = (
    "#",
    "# why",
    "#! so",
    "#tight",
    "# (",
    '# "',
    "# a, b:",
    "## twice",
    "# {x} # y",
    "#電",
)
DEEPEST = 3


def recipe(random: Random) -> tree.Recipe:
    """A whole recipe of a few lines a block."""
    return _Maker(random).recipe()


def untidy(random: Random, text: str) -> str:
    """A canonical text with the same tree, as a person might have written it."""
    width = random.choice((1, 2, 3, 4, 8))
    lines = []
    for line in text.split("\n")[:-1]:
        if random.random() < 0.1:
            lines.append(" " * random.randrange(12) + random.choice(("", "", *COMMENTS)))
        level = (len(line) - len(line.lstrip())) // 4
        lines.append(_untidy_line(random, line.strip(), " " * width * level))
    return "\n" * random.randrange(3) + random.choice(("\n", "\r\n")).join(lines)


def _untidy_line(random: Random, line: str, margin: str) -> str:
    """One line with spaces, breaks and comments put in."""
    written, depth = margin, 0
    bits = re.findall(r'"(?:[^"\\]|\\.)*"|\s+|[(),]|[^\s"(),]+', line)
    for index, bit in enumerate(bits):
        depth += (bit == "(") - (bit == ")")
        before = bits[index - 1] if index else ""
        rest = "".join(bits[index + 1 :])
        # A number and its unit stand in one line, and no other word is parted in two.
        in_brackets = depth > 0 and not re.search(r"\d\w*$|p33$|up$|at$|is$", before)
        may_break = rest and (before == "," or in_brackets) and not begins_statement(rest)
        if not bit.isspace():
            written += bit
        elif may_break and random.random() < 0.2:
            comment = random.choice(("", "", "", *COMMENTS))
            inner = random.choice(("", "", "\n", f"\n {random.choice(COMMENTS)}"))
            written += f" {comment}{inner}\n{margin}{' ' * random.randrange(1, 12)}"
        else:
            written += " " * random.choice((1, 1, 1, 2, 5))
    return written + random.choice(("", "", "", "", "  ", f" {random.choice(COMMENTS)}"))


class _Maker:
    """Nodes of each kind, at random."""

    def __init__(self, random: Random) -> None:
        self.random = random

    def maybe(self, make: Callable[[], Any], chance: float = 0.4) -> Any:
        return make() if self.random.random() < chance else None

    def some(self, make: Callable[[], Any], least: int = 1, most: int = 3) -> tuple[Any, ...]:
        return tuple(make() for _ in range(self.random.randint(least, most)))

    def chance(self) -> bool:
        return self.random.random() < 0.5

    def recipe(self) -> tree.Recipe:
        return tree.Recipe(
            self.plain(),
            self.some(self.plain, 0),
            self.some(self.channel, 0),
            self.some(self.digital, 0),
            self.some(self.part, 0, 2),
            self.some(self.setting, 0),
            self.some(lambda: tree.Require(self.truth(), self.title()), 0, 2),
            self.some(lambda: tree.Guard(self.truth(), self.title()), 0, 2),
            self.some(self.procedure, 0, 1),
            self.block(0, most=5),
            self.maybe(lambda: self.block(1)) or (),
            self.some(self.result, 0),
        )

    def name(self) -> tree.Name:
        return tree.Name(self.random.choice(NAMES))

    def plain(self) -> str:
        return " ".join(self.some(lambda: self.random.choice(WORDS), 0, 4))

    def title(self) -> str:
        return self.plain() if self.chance() else ""

    def channel(self) -> tree.Channel:
        return tree.Channel(
            self.name(), self.some(lambda: tree.Capability(self.random.choice(CAPABILITIES)), 1, 4)
        )

    def digital(self) -> tree.Digital:
        output = self.chance()
        return tree.Digital(self.name(), output, self.maybe(self.chance) if output else None)

    def part(self) -> tree.Part:
        return tree.Part(
            self.name(),
            tree.Name(self.random.choice(KINDS)),
            self.name(),
            self.chance(),
            self.chance(),
            self.some(self.rating),
            self.some(self.fact, 0, 2),
        )

    def rating(self) -> tree.Rating:
        per_pulse = self.chance()
        by = None if per_pulse else self.maybe(self.name)
        name = tree.Name(self.random.choice(RATINGS))
        return tree.Rating(name, self.span_or_amount(), per_pulse, by)

    def fact(self) -> tree.Fact:
        name = self.random.choice(("chemistry", "in series", "capacity", "own protection"))
        word = tree.Name(self.random.choice(("lithium ion", "primary", "nickel metal hydride")))
        value = name in ("in series", "capacity")
        return tree.Fact(
            tree.Name(name),
            word if name == "chemistry" else None,
            self.amount() if value else None,
        )

    def setting(self) -> tree.Setting:
        bounds = self.maybe(self.span_or_amount)
        return tree.Setting(self.name(), self.amount(), bounds, self.title())

    def procedure(self) -> tree.Procedure:
        return tree.Procedure(self.name(), self.some(self.name, 0), self.block(1))

    # Values

    def number(self) -> tree.Number:
        digits = self.random.choice(("0", "1", "2.70", ".5", "1e-3", "1.5E+3", "100"))
        space = self.random.choice(("", " ", "  "))
        unit = self.random.choice(UNITS)
        text = digits + space + unit if unit else digits
        if unit in ("°C", "degC") and self.chance():
            text = "-" + text
        if self.random.random() < 0.1:
            text = self.random.choice(CODED)
        return tree.Number(read(text), text)

    def member(self) -> tree.Member:
        return tree.Member(self.name(), self.name())

    def value(self, depth: int = 0) -> tree.Expression:
        """Any expression, spans and questions left out."""
        if depth >= DEEPEST or self.random.random() < 0.4:
            return self.random.choice((self.number, self.name, self.member))()
        kind = self.random.randrange(9)
        inner = depth + 1
        if kind < 3:
            operator = self.random.choice("+-*/^")
            return tree.Binary(operator, self.value(inner), self.value(inner))
        if kind == 3:
            operand = self.value(inner)
            point = isinstance(operand, tree.Number) and operand.quantity.dimension.point
            return operand if point else tree.Negative(operand)
        if kind == 4:
            return tree.Compare(
                self.random.choice(("<", "<=", ">", ">=")), self.value(inner), self.value(inner)
            )
        if kind == 5:
            return tree.Inside(self.value(inner), self.span_or_amount(inner))
        if kind == 6:
            return tree.Logic(
                self.random.choice(("and", "or")), self.value(inner), self.value(inner)
            )
        if kind == 7:
            return self.random.choice(
                (tree.Not(self.value(inner)), tree.IsState(self.name(), self.chance()))
            )
        return tree.Call(self.name(), self.some(lambda: self.argument(inner), 0))

    amount = value
    truth = value

    def argument(self, depth: int) -> tree.Argument:
        name = self.random.choice(NAMES) if self.chance() else None
        return tree.Argument(self.span_or_amount(depth), name)

    def span_or_amount(self, depth: int = 1) -> tree.Expression:
        low, high = self.value(depth), self.value(depth)
        return self.random.choice(
            (
                low,
                tree.Range(low, high),
                tree.Range(None, high),
                tree.Range(low, None),
                tree.Within(high),
                tree.Tolerance(low, high),
            )
        )

    def text(self) -> tree.Text:
        parts: list[Any] = []
        for _ in range(self.random.randrange(4)):
            if self.chance():
                parts.append(self.value(1))
            elif not (parts and isinstance(parts[-1], str)):
                parts.append(self.plain() or "x")
        return tree.Text(tuple(parts) or ("",))

    # Steps

    def block(self, depth: int, most: int = 3) -> tree.Block:
        return self.some(lambda: self.step(depth), 1, most)

    def step(self, depth: int) -> tree.Step:
        makers = self._leaves if depth >= DEEPEST else (*self._leaves, *self._blocks)
        made: tree.Step = self.random.choice(makers)(self, depth)
        return made

    def mode(self) -> str:
        return self.random.choice(("voltage", "current"))

    def reading(self) -> tuple[tree.Name, ...]:
        return self.some(self.name, 0, 2)

    def otherwise(self, depth: int) -> tree.Block | None:
        return self.maybe(lambda: self.block(depth + 1))  # type: ignore[no-any-return]

    def setup(self, depth: int) -> tree.Setup:
        def item() -> tree.SetupItem:
            return tree.SetupItem(tree.Name(self.random.choice(SETUP)), self.amount())

        return tree.Setup(self.name(), self.some(item))

    def source(self, depth: int) -> tree.SourceStep:
        return tree.SourceStep(
            self.name(), self.mode(), self.amount(), self.maybe(self.span_or_amount, 0.8)
        )

    def measure(self, depth: int) -> tree.Measure:
        into = self.maybe(self.name)
        columns = self.some(self.name, 0) if into is not None else ()
        return tree.Measure(self.some(self.name), into, columns)

    def sweep(self, depth: int) -> tree.Sweep:
        return tree.Sweep(
            self.name(), self.mode(), self.amount(), self.amount(), self.amount(), self.chance(),
            self.chance(), self.maybe(self.amount), self.maybe(self.amount),
            self.maybe(self.span_or_amount), self.maybe(self.amount), self.maybe(self.truth),
            self.reading(), self.name(),
        )  # fmt: skip

    def ramp(self, depth: int) -> tree.Ramp:
        over = self.chance()
        return tree.Ramp(
            self.name(), self.mode(), self.amount(), None if over else self.amount(),
            self.amount() if over else None, self.maybe(self.amount), self.maybe(self.truth),
            self.reading(), self.maybe(self.name),
        )  # fmt: skip

    def pulse(self, depth: int) -> tree.PulseStep:
        return tree.PulseStep(
            self.name(), self.mode(), self.amount(), self.maybe(self.span_or_amount),
            self.maybe(self.amount), self.maybe(self.amount), self.maybe(self.amount),
            self.maybe(self.amount), self.maybe(self.name),
        )  # fmt: skip

    def settle(self, depth: int) -> tree.Settle:
        return tree.Settle(
            self.member(), self.amount(), self.amount(), self.maybe(self.amount),
            self.maybe(self.amount), self.maybe(self.name), self.otherwise(depth),
        )  # fmt: skip

    def wait_for(self, depth: int) -> tree.WaitFor:
        return tree.WaitFor(
            self.name(), self.chance(), self.maybe(self.amount), self.otherwise(depth)
        )

    def ask(self, depth: int) -> tree.Ask:
        typed = self.chance()
        name, bounds = (self.name(), self.span_or_amount()) if typed else (None, None)
        return tree.Ask(self.text(), name, bounds)

    def do(self, depth: int) -> tree.Do:
        return tree.Do(self.name(), self.some(lambda: self.argument(1), 0))

    def every(self, depth: int) -> tree.Every:
        period, body = self.amount(), self.block(depth + 1)
        if self.chance():
            return tree.Every(period, self.amount(), None, None, body)
        at_most, otherwise = self.maybe(self.amount, 0.8), self.otherwise(depth)
        return tree.Every(period, None, self.truth(), at_most, body, otherwise)

    def capture(self, depth: int) -> tree.CaptureStep:
        return tree.CaptureStep(
            self.name(), self.amount(), self.amount(), self.maybe(self.truth),
            self.maybe(self.amount), self.maybe(self.name), self.block(depth + 1),
        )  # fmt: skip

    def if_(self, depth: int) -> tree.If:
        def arm() -> tree.Arm:
            question = self.random.random() < 0.2
            condition = tree.Confirm(self.text()) if question else self.truth()
            return tree.Arm(condition, self.block(depth + 1))

        return tree.If(self.some(arm), self.otherwise(depth))

    _leaves = (
        setup,
        source,
        lambda self, _: tree.Output(self.name(), self.chance()),
        measure,
        lambda self, _: tree.Wait(self.amount()),
        lambda self, _: tree.Leave(),
        sweep,
        ramp,
        pulse,
        settle,
        lambda self, _: tree.Switch(self.name(), self.chance()),
        wait_for,
        ask,
        lambda self, _: tree.ConfirmStep(self.text()),
        do,
        lambda self, _: tree.Let(self.name(), self.value()),
        lambda self, _: tree.Set(self.name(), self.value()),
        lambda self, _: tree.Reset(self.member()),
        lambda self, _: tree.Say(self.text()),
        lambda self, _: tree.Note(self.text()),
        lambda self, _: tree.Stop(self.maybe(self.text)),
        lambda self, _: tree.Fail(self.text()),
    )
    _blocks = (
        every,
        lambda self, depth: tree.Repeat(self.maybe(self.amount, 0.7), self.block(depth + 1)),
        lambda self, depth: tree.ForIn(self.name(), self.amount(), self.block(depth + 1)),
        lambda self, depth: tree.ForCount(
            self.name(), self.amount(), self.amount(), self.block(depth + 1)
        ),
        capture,
        if_,
    )

    # Results

    def column(self) -> tree.Name | tree.Member:
        return self.name() if self.chance() else self.member()

    def result(self) -> tree.Result | tree.Expect | tree.Plot:
        kind = self.random.randrange(4)
        if kind == 0:
            return tree.Expect(self.truth())
        if kind == 1:
            return tree.Plot(
                self.some(self.name), self.column(), self.chance(), self.column(), self.chance()
            )
        unit = self.maybe(lambda: self.random.choice(("mohm", "W/m^2", "°C", "%", "uA")))
        return tree.Result(self.name(), self.value(), self.maybe(self.column), unit, self.title())
