"""Random declarations as text: channels, parts with ratings and facts, settings, guards.

Knows no step; what it makes known to values and conditions it tells `Phrases`.
"""

from __future__ import annotations

import random

from tests.sequencer.checker_worst.phrases import Phrases

KINDS = (
    *("capacitor", "cell", "resistor", "contact", "insulator", "solar cell", "solar module"),
    *("diode", "LED", "suppressor", "resettable fuse", "laser diode", "photodiode", "motor"),
    *("coil", "other"),
)


class Declarations:
    """All of one recipe: `head` has the lines, the rest what they declare.

    `able` are the capabilities by source, `meters` channels that only read, `lamp` says whether
    there is a digital output.
    """

    def __init__(self, dice: random.Random, say: Phrases) -> None:
        self.dice = dice
        self.say = say
        self.sources = ["smu", "aux"] if dice.random() < 0.25 else ["smu"]
        self.able: dict[str, list[str]] = {}
        self.meters: list[str] = []
        self.head = ['recipe "Random"']
        self._channels()
        self._settings()

    def _channels(self) -> None:
        dice = self.dice
        for name in self.sources:
            able = ["source", "sink", "measure", "mode change under power", "pulse", "capture"]
            able += [c for c in ("measure open", "two-sided limit") if dice.random() < 0.9]
            self.able[name] = able
            self.head.append(f"channel {name}: {', '.join(able)}")
        if dice.random() < 0.3:
            self.meters.append("meter")
            self.head.append("channel meter: measure")
        if dice.random() < 0.3:
            self.meters.append("warmth")
            self.head.append("channel warmth: measure temperature")
        if dice.random() < 0.4:
            self.head.append("digital lid: input")
            self.say.lines = ("lid",)
        self.lamp = dice.random() < 0.5
        if self.lamp:
            self.head.append("digital lamp: output, rests low")
        for name in self.sources:
            self._part(name)

    def _part(self, channel: str) -> None:
        dice = self.dice
        name = "dut" if channel == "smu" else "load"
        kind = dice.choice(KINDS)
        low, high = dice.choice([(-6, 6), (-3, 8), (-0.5, 4), (1, 4), (0, 3), (-10, 10)])
        amps = dice.choice([2, 4, 10])
        clause = ", may be destroyed" if dice.random() < 0.15 else ""
        by = " by meter" if "meter" in self.meters and dice.random() < 0.5 else ""
        self.head.append(f"part {name} is {kind} on {channel}{clause}:")
        ratings = [f"voltage {low} V to {high} V{by}", f"current within {amps} A"]
        if "warmth" in self.meters and dice.random() < 0.7:
            ratings.append("temperature -20 degC to 60 degC by warmth")
        for extra in ("power within 20 W", "energy up to 100 J", "charge within 50 C"):
            if dice.random() < 0.3:
                ratings.append(extra)
        for extra in (
            *("voltage within 12 V", "current within 8 A", "power within 30 W"),
            *("energy within 5 J", "charge within 2 C"),
        ):
            if dice.random() < 0.3:
                ratings.append(f"{extra} per pulse")
        if kind == "cell":
            ratings.append("chemistry lithium ion")
        if kind in ("capacitor", "cell") and channel == "smu" and dice.random() < 0.9:
            ratings.append("capacity 2 Ah")
            self.say.capacity = True
        self.head += [f"    {rating}" for rating in ratings]

    def _settings(self) -> None:
        dice, names = self.dice, self.say.scope.names
        for k, (unit, spans) in enumerate(
            (
                ("V", [("1", "0.5", "3"), ("0", "-2", "2"), ("2", "1", "2")]),
                ("A", [("1", "0.5", "2"), ("0.5", "-1", "1"), ("2", "1", "2")]),
                ("s", [("0.5", "0.1", "1"), ("0.2", "0.2", "0.4")]),
            )
        ):
            if dice.random() < 0.6:
                value, low, high = dice.choice(spans)
                span = f" in {low} {unit} to {high} {unit}" if dice.random() < 0.85 else ""
                self.head.append(f"setting set_{k} = {value} {unit}{span}")
                names.append((f"set_{k}", unit))
        volts = self.say.scope.of("V")
        if volts and dice.random() < 0.3:
            self.head.append(f"require {volts[0]} <= 2.5 V")
        if volts and self.say.scope.of("A") and dice.random() < 0.5:
            self.head.append("require set_0 * set_1 <= 3 W")
        if dice.random() < 0.3:
            self.head.append(f"guard smu.voltage {dice.choice(['<= 2 V', '>= -1 V', '<= 3.5 V'])}")
        if self.say.lines and dice.random() < 0.2:
            self.head.append('guard lid is low "lid open"')
