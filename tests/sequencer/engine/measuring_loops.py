"""Random recipes whose loops only measure, and benches for them: what blocks of readings live on.

Many of the loops end early, by a condition or a guard; control passes in the middle of some, others
watch a second channel or fill further columns. Times are virtual, so that a run is quick.
"""

from __future__ import annotations

import random
from pathlib import Path
from typing import NamedTuple

from drivers.bench_file import BenchFile, read_bench


class Made(NamedTuple):
    """A recipe, its bench, and how the bench is seeded.

    `creeps` is how much more the instruments show than there is, with time (1/s): no recipe that
    checks gets past a rating otherwise.
    """

    recipe: str
    bench: BenchFile
    seed: int
    ideal: bool
    creeps: float


class Loops:
    """One random recipe."""

    def __init__(self, seed: int) -> None:
        self.dice = dice = random.Random(seed)
        self.aux = self.aux_on = dice.random() < 0.4
        self.aperture = dice.choice(["1 PLC", "1 ms", "0.2 ms", "30 ms"])
        self.stores = dice.random() < 0.65
        self.traces = 0
        self.guards = [self._condition(guard=True) for _ in range(dice.choice([0, 0, 1, 2]))]
        steps = self._steps()
        guards = [f"guard {text}" for text in self.guards]
        self.made = Made(
            "\n".join([*self._head(), *guards, "steps:", *("    " + s for s in steps), ""]),
            self._bench(),
            seed,
            dice.random() < 0.2,
            dice.choice([0.0, 0.0, 0.003, 0.05]),
        )

    def _head(self) -> list[str]:
        dice = self.dice
        kind = "capacitor" if self.stores else "resistor"
        rated = dice.choice(["10 kJ", "10 kJ", "500 J", "40 J", "8 J", "1 J"])
        lines = [
            'recipe "Random loops"',
            "channel smu: source, sink, measure, measure open, two-sided limit",
            *(["channel aux: source, sink, measure, measure open"] if self.aux else []),
            f"part dut is {kind} on smu, not pushed:",
            "    voltage -0.05 V to 2.8 V" if self.stores else "    voltage within 2.8 V",
            f"    current within 1.2 A\n    energy {dice.choice(['up to', 'within'])} {rated}",
        ]
        if dice.random() < 0.4:
            lines.append(f"    charge within {dice.choice(['2 C', '20 C', '1000 C'])}")
        if self.aux:
            lines += [
                "part load is capacitor on aux, not pushed:",
                "    voltage within 3 V",
                "    current within 0.9 A",
            ]
        return lines

    def _bench(self) -> BenchFile:
        dice = self.dice
        part = (
            f'model = "supercapacitor"\ncapacitance = "{dice.choice([0.05, 0.5, 3, 10])} F"\n'
            f'series_resistance = "{dice.choice(["10 mohm", "0.3 ohm"])}"\n'
            + dice.choice(["", 'leakage_resistance = "200 ohm"\n'])
            + dice.choice(["", 'slow_branches = [{ resistance = "2 ohm", capacitance = "1 F" }]\n'])
            if self.stores
            else f'model = "resistor"\nresistance = "{dice.choice([0.9, 2.2, 30, 1e5])} ohm"\n'
        )
        if not self.stores and dice.random() < 0.5:
            # Moved by a differential equation, and warm or not it passes what a resistor may.
            part = (
                'model = "diode"\nsaturation_current = "3 nA"\nseries_resistance = "2 ohm"\n'
                'heating = { heat_capacity = "20 mJ/K", thermal_resistance = "72 K/W" }\n'
            )
        text = (
            'line_frequency = "50 Hz"\n[channels.smu]\n'
            f'specification = "demo-source-measure"\npart = "dut"\n[parts.dut]\n{part}'
        )
        if self.aux:
            text += (
                '[channels.aux]\nspecification = "demo-source-measure"\npart = "load"\n'
                '[parts.load]\nmodel = "supercapacitor"\ncapacitance = "0.8 F"\n'
                'series_resistance = "50 mohm"\n'
            )
        file, problems = read_bench(Path("loops.bench.toml"), text)
        assert file is not None, [p.message for p in problems]
        return file

    def _steps(self) -> list[str]:
        dice = self.dice
        ranges = ["voltage range = 5 V, current range = 5 A", "voltage range = auto"]
        steps = [f"setup smu: aperture = {self.aperture}, {dice.choice(ranges)}"]
        if self.aux:
            steps += ["setup aux: aperture = 1 ms"]
            if dice.random() < 0.7:
                steps += ["source aux voltage 2 V, limit 0.3 A", "output aux on"]
            else:
                steps += ["source aux voltage 0 V, limit 0.3 A", "output aux on", "output aux off"]
                self.aux_on = False
        both = "smu, aux" if self.aux_on else "smu"
        steps += [self._source(), "output smu on", f"measure {both}"]
        for _ in range(dice.randint(1, 4)):
            steps += self._loop()
            if dice.random() < 0.5:
                steps.append('note "{smu.voltage}, {smu.current}, {smu.charge}, {smu.energy}"')
            if dice.random() < 0.5:
                steps.append(self._source())
            if dice.random() < 0.15:
                steps.append(f"reset smu.{dice.choice(['charge', 'energy', 'elapsed'])}")
        if dice.random() < 0.3:
            steps += ["output smu off", *self._loop()]
        return steps

    def _source(self) -> str:
        dice = self.dice
        if dice.random() < 0.75:
            level = dice.choice(["0 V", "1 V", "2.5 V", "2.7 V"])
            return f"source smu voltage {level}, limit {dice.choice(['1 A', '0.2 A'])}"
        level = dice.choice(
            ["0.8 A", "0.1 A", "-0.5 A", "0 A"] if self.stores else ["0.5 A", "1 A"]
        )
        return f"source smu current {level}, limit {'0 V' if self.stores else '-2.7 V'} to 2.7 V"

    def _loop(self) -> list[str]:
        dice = self.dice
        periods = [0.1, 1 / 3, 0.0337, 1.0, 0.7, 2.5]
        if self.aperture.endswith(" ms"):
            periods += [0.004, 0.01] if self.aperture != "30 ms" else [0.0317, 0.04]
        period = dice.choice(periods)
        ticks = dice.choice([3, 20, 60, 200, 600])
        trace = f"t_{self.traces}"
        self.traces += 1
        names = "smu, aux" if self.aux_on and dice.random() < 0.6 else "smu"
        body = [f"    measure {names} into {trace}"]
        if self.aux_on and names == "smu" and dice.random() < 0.5:
            body.insert(dice.randint(0, 1), f"    measure aux into {trace}_b")
        every = f"every {period * 1e3:.6g} ms"
        if dice.random() < 0.2:
            first = f"repeat {ticks} times:"
        elif dice.random() < 0.5:
            first = f"{every} for {ticks * period:.6g} s:"
        else:
            first = f"{every} until {self._condition()}, at most {ticks * period:.6g} s:"
        lines = [first, *body]
        if "until" in first:
            lines += ["otherwise:", '    note "It took too long."']
        if dice.random() < 0.25:
            lines = [f"for turn_{trace} in values(1, 2):", *("    " + text for text in lines)]
        return lines

    def _condition(self, guard: bool = False) -> str:
        """One that holds in the middle of things; as a guard, until things are well under way."""
        dice = self.dice
        volts, amperes = dice.choice([0.3, 1.4, 2.69]), dice.choice([0.05, 0.19, 0.6])
        less, more = ("<", "<=") if guard else (">", ">=")
        texts = [
            f"smu.voltage {less} {volts} V",
            f"abs(smu.current) {more} {amperes} A",
            f"smu.charge {less} {dice.choice([0.2, 3, 40])} C",
            f"smu.energy {more} {dice.choice([0.2, 3, 40])} J",
            f"smu.power {less} {dice.choice([0.2, 1.5])} W",
            f"smu.elapsed {less} {dice.choice([0.5, 4, 30])} s",
            f"elapsed {more} {dice.choice([0.5, 4, 30])} s",
            f"smu.resistance {less} {dice.choice([1.5, 10])} ohm",
            f"max(smu.voltage, 1 V) {less} {volts} V + 1 V",
            f"sqrt(abs(smu.power * 1 W)) {less} {dice.choice([0.4, 1.1])} W",
            f"1 V * 1 A / smu.current {less} {dice.choice([2.0, 9.0])} V",
            f"smu.voltage in {'0 V ± 2' if guard else '1 V to 2'} V",
        ]
        if not guard:
            texts += ["smu.limited", "not smu.limited", "smu.voltage ^ 2 > 2 V^2"]
        if self.aux_on:
            texts += [f"aux.voltage + smu.voltage {less} {dice.choice([2.5, 4.4])} V"]
            texts += [f"aux.current * 1 ohm {more} smu.voltage - {volts} V"]
        text = dice.choice(texts)
        if dice.random() < 0.3:
            text = f"{text} {dice.choice(['and', 'or'])} not ({dice.choice(texts)})"
        return text
