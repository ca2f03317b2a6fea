"""Random steps that change a level: sweeps, ramps, pulses; and those of the other channel."""

from __future__ import annotations

from tests.soundness.parts import Span
from tests.soundness.plain_steps import PlainSteps
from tests.soundness.recipe_text import Step, line
from tests.soundness.values import quantity


class LevelSteps(PlainSteps):
    """Makes such steps where they may stand."""

    def _sweep(self) -> Step:
        mode, dice = self.mode, self.dice
        unit = "V" if mode == "voltage" else "A"
        ends = f"from {self._level(mode)} to {self._level(mode)}"
        points = f"in {dice.randint(2, 5)} points"
        most = self.values.spans[unit].high
        if dice.random() < 0.2 and most > 0:
            room = Span(0.1 * most, most)
            ends = f"from {self.values.value(unit, room, 1)} to {self.values.value(unit, room, 1)}"
            points += ", logarithmic"
        limit = f", limit {self._limit(mode)}" if dice.random() < 0.4 else ""
        settle = f", settle {self._time()}" if dice.random() < 0.4 else ""
        until = ", until smu.current >= 0.2 A" if dice.random() < 0.3 else ""
        rest = f"{limit}{settle}{until}{self._beside()}, into {self._new('s')}"
        self.values.reading = True
        return line(f"sweep smu {mode} {ends} {points}{rest}")

    def _ramp(self) -> Step:
        mode, dice = self.mode, self.dice
        unit = "V" if mode == "voltage" else "A"
        most = max(-self.values.spans[unit].low, self.values.spans[unit].high)
        how = f"over {self._time(Span(0.2, 1.2))}"
        if dice.random() < 0.5:
            how = f"at {quantity(most * dice.choice([0.5, 2, 5]), unit)}/s"
        step = f", in steps of {quantity(most / dice.choice([3, 8]), unit)}"
        step = step if dice.random() < 0.4 else ""
        until = ", until smu.voltage >= 1 V" if dice.random() < 0.3 else ""
        into = f", into {self._new('r')}" if dice.random() < 0.5 else ""
        made = f"ramp smu {mode} to {self._level(mode)} {how}{step}{until}{self._beside()}{into}"
        self.values.reading = True
        return line(made)

    def _pulse(self) -> list[Step]:
        mode, dice = self.mode, self.dice
        into = f", into {self._new('p')}" if dice.random() < 0.5 else ""
        countdown = f", after countdown {self._time()}" if dice.random() < 0.2 else ""
        limit = f", limit {self._limit(mode, True)}" if dice.random() < 0.7 else ""
        if dice.random() < 0.45:
            width = self.values.value("s", Span(0.5e-3, 4e-3), 1)
            text = f"pulse smu {mode} {self._level(mode, True)}{limit}, width {width}"
            self.values.reading = self.values.reading or not self.capturing
            made = line(f"{text}{countdown}{into}")
            # As far apart as any instrument here needs them.
            return [line("wait 1.1 s"), made] if self._beyond else [made]
        shape, seldom = self._shape()
        if not seldom and self._beyond:
            shape = "width 1 ms, period 30 ms"
        text = f"pulse smu {mode} {self._level(mode, True)}{limit}, {shape}"
        made = line(f"{text}, count {dice.randint(1, 6)}{countdown}{into}")
        self.values.reading = self.values.reading or not self.capturing
        return [line("wait 1.1 s"), made] if self._beyond else [made]

    def _pulsed_sweep(self) -> list[Step]:
        mode = self.mode
        shape, seldom = self._shape()
        if not seldom and self._beyond:
            shape = "width 1 ms, period 30 ms"
        ends = f"from {self._level(mode, True)} to {self._level(mode, True)}"
        limit = f", limit {self._limit(mode, True)}" if self.dice.random() < 0.7 else ""
        text = f"sweep smu {mode} {ends} in {self.dice.randint(2, 5)} points, pulsed, {shape}"
        made = line(f"{text}{limit}, into {self._new('s')}")
        self.values.reading = True
        return [line("wait 1.1 s"), made] if self._beyond else [made]

    def _aux_level(self) -> str:
        return self.values.value("V", Span(-5, 5), 1)

    def _aux_measure(self) -> Step:
        return line("measure aux")

    def _aux_settle(self) -> Step:
        first = "settle aux.voltage within 2 V over 300 ms, every 100 ms, at most 1 s"
        return self._perhaps_otherwise(first, None, 0.9)

    def _aux_sweep(self) -> Step:
        ends = f"from {self._aux_level()} to {self._aux_level()}"
        return line(f"sweep aux voltage {ends} in 3 points, into {self._new('s')}")

    def _aux_ramp(self) -> Step:
        return line(f"ramp aux voltage to {self._aux_level()} over {self._time(Span(0.2, 0.6))}")

    def _aux_pulsed_sweep(self) -> Step:
        ends = f"from {self._aux_level()} to {self._aux_level()}"
        shape = "in 3 points, pulsed, width 1 ms, period 30 ms"
        return line(f"sweep aux voltage {ends} {shape}, into {self._new('s')}")

    def _aux_pulse(self) -> Step:
        return line(f"pulse aux voltage {self._aux_level()}, width 2 ms")
