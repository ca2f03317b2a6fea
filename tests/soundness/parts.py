"""Random parts: what a recipe says that one bears, and what then hangs on the simulated bench.

A recipe speaks of a kind; on the bench any of the simulated parts may stand for it that forces no
more than the kind may. Figures are invented.
"""

from __future__ import annotations

import random
from typing import NamedTuple

from drivers.kinds import KINDS

JUNCTIONS = ("diode", "LED", "laser diode", "suppressor", "photodiode", "solar cell")
STORING = ("capacitor", "cell", "other")
KIND_WEIGHTS = {
    **dict.fromkeys(KINDS, 1),
    "capacitor": 6,
    "resistor": 5,
    "diode": 4,
    "other": 2,
    "cell": 2,
}


class Span(NamedTuple):
    """The lowest and the highest of something (SI)."""

    low: float
    high: float

    def shrunk(self, share: float, room: float) -> Span:
        """What a share and an absolute room leave of it at each end; never past zero."""
        low, high = (end * (1 - share) for end in self)
        low = min(low + room, 0.0) if self.low <= 0 else low + room
        high = max(high - room, 0.0) if self.high >= 0 else high - room
        return Span(low, high)


class Rated(NamedTuple):
    """A part as a recipe declares it: its kind, what it bears, what it bears in pulses."""

    name: str
    kind: str
    voltage: Span
    current: Span
    others: tuple[str, ...]
    pulse_voltage: Span | None = None
    pulse_current: Span | None = None

    def declared(self, channel: str) -> list[str]:
        """The lines that declare it."""
        lines = [f"part {self.name} is {self.kind} on {channel}:"]
        if self.kind == "cell":
            lines += ["    chemistry lithium ion", "    own protection"]
        lines.append(f"    voltage {self.voltage.low:g} V to {self.voltage.high:g} V")
        lines.append(f"    current {self.current.low:g} A to {self.current.high:g} A")
        for quantity, unit, span in (
            ("voltage", "V", self.pulse_voltage),
            ("current", "A", self.pulse_current),
        ):
            if span is not None:
                lines.append(
                    f"    {quantity} {span.low:g} {unit} to {span.high:g} {unit} per pulse"
                )
        return [*lines, *("    " + text for text in self.others)]


def any_kind(dice: random.Random) -> str:
    """A kind of part, those that are simulated as themselves most often."""
    return dice.choices(list(KIND_WEIGHTS), list(KIND_WEIGHTS.values()))[0]


def rated(dice: random.Random, name: str, kind: str, pulses: bool, largest_a: float) -> Rated:
    """A part with random ratings; `largest_a` is what its instrument can push (A)."""
    low = dice.choice([-0.05, -0.5, -2.0, -5.0, -12.0])
    high = dice.choice([1.5, 2.8, 4.3, 5.5, 12.0])
    if kind == "cell":
        low, high = dice.choice([2.4, 0.9]), dice.choice([3.65, 4.25])
    most = min(dice.choice([0.3, 1.0, 2.2, 4.2]), largest_a)
    current = Span(-most, most)
    if dice.random() < 0.2:
        current = Span(-most / 4, most)
    others = []
    watts = max(abs(low), high) * most
    for quantity, unit, share, figure in (
        ("power", "W", 0.3, watts * dice.choice([0.8, 1.1, 1.3])),
        ("energy", "J", 0.5, watts * dice.choice([0.05, 0.5, 5, 50])),
        ("charge", "C", 0.25, most * dice.choice([0.05, 0.5, 5, 50])),
    ):
        if dice.random() < share:
            others.append(f"{quantity} {dice.choice(['up to', 'within'])} {figure:.3g} {unit}")
    pulsed: list[Span | None] = [None, None]
    if pulses and dice.random() < 0.5:
        factor = dice.choice([1.5, 2.4])
        pulsed = [
            Span(low * factor, high * factor) if dice.random() < 0.5 else None,
            Span(-most * factor, most * factor) if dice.random() < 0.8 else None,
        ]
        if kind in STORING:
            # It would keep the voltage of a pulse, and no limit would hold it then.
            pulsed[0] = None
        watts *= factor**2
        for quantity, unit, figure in (
            ("power", "W", watts * 1.3),
            ("energy", "J", watts * dice.choice([6e-3, 9e-3])),
            ("charge", "C", most * factor * dice.choice([6e-3, 9e-3])),
        ):
            if dice.random() < 0.3:
                others.append(f"{quantity} within {figure:.3g} {unit} per pulse")
    return Rated(name, kind, Span(low, high), current, tuple(others), *pulsed)


class Real(NamedTuple):
    """What hangs on the bench: its table in the bench file, and the voltages (V) it begins with."""

    table: str
    initial: Span


def real(dice: random.Random, part: Rated) -> Real:
    """A simulated part that may stand for a declared one."""
    lines = [f"[parts.{part.name}]"]
    own = Span(0.0, 0.0)
    stores = part.kind in STORING
    if stores and not (part.kind == "other" and dice.random() < 0.3):
        farads = dice.choice([1e-3, 10e-3, 0.1, 1.0, 10.0, 100.0])
        begin = part.voltage.low + dice.choice([0.0, 1.0, dice.random()]) * (
            part.voltage.high - part.voltage.low
        )
        lines += [
            'model = "supercapacitor"',
            f'capacitance = "{farads:g} F"',
            f'series_resistance = "{dice.choice([1e-3, 20e-3, 0.2, 2.0]):g} ohm"',
        ]
        voltages = [begin]
        if dice.random() < 0.4 and part.voltage.low <= 0:
            lines.append(
                f'slow_branches = [{{ resistance = "{dice.choice([0.5, 5, 50]):g} ohm", '
                f'capacitance = "{farads * dice.choice([0.1, 0.5]):g} F" }}]'
            )
            voltages.append(begin)
        if dice.random() < 0.5 and part.voltage.low <= 0:
            # One that can't be emptied would move past its lower limit by itself, which holds it.
            lines.append(f'leakage_resistance = "{dice.choice([100, 1e4]):g} ohm"')
        listed = ", ".join(f'"{v!r} V"' for v in voltages)
        lines.append(f"initial = {{ voltages = [{listed}] }}")
        own = Span(min(0.0, begin), max(0.0, begin))
    elif part.kind in JUNCTIONS and dice.random() < 0.9:
        lines += [
            'model = "diode"',
            f'saturation_current = "{dice.choice([1e-12, 1e-9, 1e-6]):g} A"',
            f"ideality = {dice.choice([1.0, 1.8])}",
            f'series_resistance = "{dice.choice([0.0, 0.05, 1.0]):g} ohm"',
        ]
    else:
        # About where level and limit both matter, and far to either side.
        knee = max(abs(part.voltage.low), part.voltage.high) / part.current.high
        ohms = knee * dice.choice([1e-3, 0.1, 0.5, 1.0, 2.0, 10.0, 1e3])
        lines += ['model = "resistor"', f'resistance = "{ohms:.6g} ohm"']
    return Real("\n".join(lines) + "\n", own)
