"""What a random recipe is made from: its parts and settings, values within what they bear.

Knows no step; what is known while the steps are made is kept here.
"""

from __future__ import annotations

import random
from typing import NamedTuple

from drivers.kinds import KINDS
from tests.soundness.parts import STORING, Rated, Span, any_kind, rated
from tests.soundness.recipe_text import Block, Recipe
from tests.soundness.values import Known, Values, quantity

MOST_DEPTH = 3
LARGER, SMALLER = "demo-source-measure", "demo-symmetric-source"
"""The instruments: one that can do everything, one with a symmetric limit that can do little."""
TIME = Span(0.02, 1.2)


class Made(NamedTuple):
    """A recipe, its parts by channel, and what its channels are declared to be able to do."""

    recipe: Recipe
    parts: dict[str, Rated]
    specifications: dict[str, str]
    asks: tuple[Known, ...]
    settings: tuple[Known, ...]


class Procedure(NamedTuple):
    """A procedure: its parameters, whether the last one is a trace, and what it may be called in.

    `fits` is what it begins and ends with: outputs, mode, captures under way.
    """

    name: str
    parameters: tuple[Known, ...]
    trace: bool
    fits: tuple[object, ...]


class Making:
    """One random recipe while it is made: what is declared, and what is so at this place.

    `on`, `mode` and `aux_on` are how the outputs are; `loops` is how many blocks can be left here,
    `capturing` and `aux_busy` whether a capture is under way.
    """

    depth = 0

    def __init__(self, dice: random.Random) -> None:
        self.dice = dice
        self.two_sided = dice.random() < 0.85
        kind = any_kind(dice)
        if KINDS[kind].forces == "within its rating":
            # Nobody could look at what it holds.
            self.two_sided = True
        self.specification = LARGER if self.two_sided else SMALLER
        able = ["source", "sink", "measure"]
        if self.two_sided:
            able += ["two-sided limit", "pulse", "capture"]
            able += [
                more
                for more, share in (
                    ("measure open", 0.85),
                    ("remote sense", 0.4),
                    ("mode change under power", 0.7),
                )
                if dice.random() < share
            ]
        self.pulses = "pulse" in able
        self.opens = "measure open" in able
        self.part = rated(dice, "dut", kind, self.pulses, 4.2 if self.two_sided else 0.95)
        self.aux = dice.random() < 0.4
        self.parts = {"smu": self.part}
        head = ['recipe "Random"', f"channel smu: {', '.join(able)}"]
        if self.aux:
            self.load = Rated("load", "resistor", Span(-6, 6), Span(-0.8, 0.8), ())
            self.parts["aux"] = self.load
            self.aux_pulses = dice.random() < 0.6
            more = ", pulse, capture, two-sided limit" if self.aux_pulses else ""
            head.append(f"channel aux: source, sink, measure{more}")
        head += ["digital lid: input", "digital lamp: output, rests low"]
        head += self.part.declared("smu")
        if self.aux:
            head += self.load.declared("aux")
        self.volts = self.part.voltage.shrunk(0.03, 0.08)
        self.amps = self.part.current.shrunk(0.03, 0.05)
        self.values = Values(dice, {"V": self.volts, "A": self.amps})
        head += self._settings()
        self.settings = tuple(self.values.known)
        self.asks: list[Known] = []
        self.procedures: list[tuple[str, Block]] = []
        self.callable: list[Procedure] = []
        self.ending: set[str] = set()
        self.count = 0
        self.on, self.mode = False, ""
        self.aux_on = self.aux_busy = False
        self.loops = 0
        self.capturing = False
        self.traces: list[str] = []
        self.head = tuple(head)

    def _forget(self) -> None:
        """What `finally` may not rest upon."""
        self.on, self.mode, self.aux_on = False, "", False
        self.values.reading = False
        self.traces = []
        self.values.known = [k for k in self.values.known if k.name.startswith("set_")]
        self.values.settable = []
        self.loops, self.capturing = 0, False

    def _settings(self) -> list[str]:
        """Settings within what the part bears, with what is required of them."""
        dice, head = self.dice, []
        ends = {"V": self.volts, "A": self.amps, "s": TIME}
        for k, unit in enumerate("VVAAs"):
            if dice.random() < 0.55:
                span = ends[unit]
                low, high = sorted(self.values.point(span) for _ in range(2))
                if dice.random() < 0.6:
                    low, high = span.high * 0.25, span.high * dice.choice([0.5, 0.95])
                low, high = float(f"{low:.3g}"), float(f"{high:.3g}")
                if low == high:
                    continue
                name, value = f"set_{k}", dice.choice([low, high, (low + high) / 2])
                head.append(
                    f"setting {name} = {quantity(value, unit)} "
                    f"in {quantity(low, unit)} to {quantity(high, unit)}"
                )
                self.values.known.append(Known(name, unit, Span(low, high)))
        names = [known.name for known in self.values.known]
        if {"set_0", "set_2"} <= set(names) and dice.random() < 0.3:
            watts = self.volts.high * self.amps.high * 0.95
            head.append(f"require set_0 * set_2 <= {watts:.3g} W")
        if dice.random() < 0.15:
            head.append(f"guard smu.voltage <= {quantity(self.volts.high * 0.9, 'V')}")
        return head

    def _new(self, prefix: str) -> str:
        self.count += 1
        return f"{prefix}_{self.count}"

    def _level(self, mode: str, pulsed: bool = False) -> str:
        low, high = self._ends_of(mode, pulsed)
        if (
            mode == "current"
            and not self.two_sided
            and self._ends_of("voltage", pulsed).low > -0.02
        ):
            # A symmetric limit would let it be reversed.
            low = 0.0
        return self.values.value("V" if mode == "voltage" else "A", Span(low, high))

    def _ends_of(self, quantity_: str, pulsed: bool) -> Span:
        """What the part bears of a quantity, less what an instrument may be off."""
        if quantity_ == "voltage":
            known = self.part.pulse_voltage if pulsed else None
            return known.shrunk(0.03, 0.1) if known is not None else self.volts
        known = self.part.pulse_current if pulsed else None
        return known.shrunk(0.04, 0.1) if known is not None else self.amps

    def _limit(self, mode: str, pulsed: bool = False) -> str:
        """A limit on the other quantity that holds 0 and, for a current source, the part."""
        other = "current" if mode == "voltage" else "voltage"
        unit = "A" if mode == "voltage" else "V"
        low, high = self._ends_of(other, pulsed)
        dice, value = self.dice, self.values.value
        both = min(-low, high)
        choices = []
        storing = mode == "current" and self.part.kind in STORING and self.two_sided
        if storing and dice.random() < 0.92:
            # What it may have been brought to has to lie within.
            return f"{quantity(low, unit)} to {quantity(high, unit)}"
        if both > 0.02:
            room = Span(0.3 * both, both)
            choices += [lambda: value(unit, room), lambda: f"within {value(unit, room)}"]
        if self.two_sided:
            least = f"{quantity(low, unit)}"
            most = Span(0.3 * high, high)
            choices += [lambda: f"{least} to {value(unit, most)}"]
            if mode == "voltage":
                choices += [lambda: f"{value(unit, Span(low, 0.0))} to {value(unit, most)}"]
            else:
                choices = choices[-1:] * 2 + choices[:1]
                choices += [lambda: f"{least} to {quantity(high, unit)}"] * 3
            if not pulsed:
                choices.append(lambda: "dut")
        if not choices:
            choices = [lambda: value(unit, Span(0.3 * high, high))]
        return dice.choice(choices)()

    def _time(self, span: Span = TIME) -> str:
        return self.values.value("s", span, 1)

    def _condition(self, depth: int = 1) -> str:
        dice, values = self.dice, self.values
        kinds = ["setting", "counter", "line", "counter"]
        kinds += ["reading"] * 6 if values.reading else []
        kinds += ["and", "or", "not"] if depth else []
        kind = dice.choice(kinds)
        if kind in ("and", "or"):
            return f"({self._condition(0)}) {kind} ({self._condition(0)})"
        if kind == "not":
            return f"not ({self._condition(0)})"
        if kind == "line":
            return f"lid is {dice.choice(['high', 'low'])}"
        sign = dice.choice(["<", "<=", ">", ">="])
        if kind == "counter":
            counters = (("charge", "C"), ("energy", "J"), ("elapsed", "s"))
            name, unit = dice.choice(counters)
            return f"smu.{name} {sign} {quantity(dice.choice([0.01, 0.3, 1]), unit)}"
        if kind == "setting" or not values.reading:
            unit = dice.choice("VA")
            return f"{values.value(unit)} {sign} {values.value(unit)}"
        unit, name = dice.choice([("V", "voltage"), ("A", "current")])
        if dice.random() < 0.3:
            low, high = sorted(values.point(values.spans[unit]) for _ in range(2))
            return f"smu.{name} in {quantity(low, unit)} to {quantity(high, unit)}"
        return f"smu.{name} {sign} {values.value(unit, None, 1)}"

    def _beside(self) -> str:
        """Other channels that a series reads, too."""
        return ", reading aux" if self._aux_reads and self.dice.random() < 0.4 else ""

    @property
    def _aux_reads(self) -> bool:
        return self.aux_on and not self.aux_busy

    @property
    def _beyond(self) -> bool:
        """Whether pulses may go beyond the continuous envelope."""
        return self.part.pulse_current is not None or self.part.pulse_voltage is not None

    def _shape(self) -> tuple[str, bool]:
        """Width and period of pulses; whether they fit the pulsed envelope beyond the other."""
        dice = self.dice
        width = dice.choice([0.5e-3, 1e-3, 3e-3])
        if dice.random() < 0.6:
            return f"width {quantity(width, 's')}, period {quantity(width * 25, 's')}", True
        period = width * dice.choice([2, 5])
        return f"width {quantity(width, 's')}, period {quantity(period, 's')}", False

    def _below(self, first: Block = (), most: int = 3) -> Block:
        """A block within a step; `first` are the steps that it begins with."""
        raise NotImplementedError
