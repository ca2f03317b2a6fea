"""Random steps without a block of their own that set up, switch, read, wait, name and end."""

from __future__ import annotations

from tests.soundness.making import MOST_DEPTH, Making
from tests.soundness.parts import Span
from tests.soundness.recipe_text import Block, Step, line
from tests.soundness.values import Known, quantity


class PlainSteps(Making):
    """Makes such steps where they may stand."""

    def _setup(self) -> Step:
        choices = ["aperture = 1 PLC", "aperture = 5 ms", "aperture = 1 ms", "average = 2"]
        if self.two_sided and self.part.pulse_current is None and self.part.pulse_voltage is None:
            choices += ["current range = 5 A, voltage range = 40 V", "voltage range = auto"]
        return line(f"setup smu: {self.dice.choice(choices)}")

    def _source(self, mode: str = "") -> Step:
        mode = mode or self.dice.choice(["voltage", "voltage", "current"])
        self.mode = mode
        return line(f"source smu {mode} {self._level(mode)}, limit {self._limit(mode)}")

    def _source_aux(self) -> Step:
        low, high = self.dice.choice([(-5, 5), (1, 5)])
        level = self.values.value("V", Span(low, high), 1)
        return line(f"source aux voltage {level}, limit {self.dice.choice(['0.1 A', '0.7 A'])}")

    def _output(self) -> list[Step]:
        self.on = not self.on if self.dice.random() < 0.7 else self.on
        found = [line(f"output smu {'on' if self.on else 'off'}")]
        if self.on and not self.mode:
            found.insert(0, self._source())
        return found

    def _output_aux(self) -> list[Step]:
        found = [line(f"output aux {'off' if self.aux_on else 'on'}")]
        if not self.aux_on:
            found.insert(0, self._source_aux())
        self.aux_on = not self.aux_on
        return found

    def _measure(self) -> Step:
        names = "smu, aux" if self._aux_reads and self.dice.random() < 0.3 else "smu"
        into = ""
        if self.dice.random() < 0.5:
            trace = self._new("t")
            into = f" into {trace}"
            if names == "smu":
                self.traces.append(trace)
        self.values.reading = True
        return line(f"measure {names}{into}")

    def _wait(self) -> Step:
        return line(f"wait {self._time()}")

    def _wait_for(self) -> Step:
        first = f"wait for lid {self.dice.choice(['high', 'low'])}, at most {self._time()}"
        return self._perhaps_otherwise(first, None, 0.8)

    def _let(self) -> Step:
        unit = self.dice.choice("VA")
        name = self._new("x")
        made = line(f"let {name} = {self.values.value(unit)}")
        known = Known(name, unit, self.values.spans[unit])
        self.values.known.append(known)
        self.values.settable.append(known)
        return made

    def _set(self) -> Step:
        known = self.dice.choice(self.values.settable)
        return line(f"set {known.name} = {self.values.value(known.unit)}")

    def _say(self) -> Step:
        return line('say "At {elapsed}."')

    def _note(self) -> Step:
        return line('note "{smu.voltage}."' if self.values.reading else 'note "Here."')

    def _reset(self) -> Step:
        return line(f"reset smu.{self.dice.choice(['charge', 'energy', 'elapsed'])}")

    def _switch(self) -> Step:
        return line(f"switch lamp {self.dice.choice(['high', 'low'])}")

    def _ask(self) -> Step:
        if self.dice.random() < 0.3:
            return line('ask "Ready?"')
        unit = self.dice.choice("VA")
        low, high = sorted(self.values.point(self.values.spans[unit]) for _ in range(2))
        low, high = float(f"{low:.3g}"), float(f"{high:.3g}")
        if low == high:
            return line('ask "Ready?"')
        known = Known(self._new("x"), unit, Span(low, high))
        self.asks.append(known)
        self.values.known.append(known)
        span = f"{quantity(low, unit)} to {quantity(high, unit)}"
        return line(f'ask "How much?", into {known.name} in {span}')

    def _confirm(self) -> Step:
        return line('confirm "Is it well?"')

    def _leave(self) -> Step:
        return line("leave")

    def _stop(self) -> Step:
        return line("stop")

    def _fail(self) -> Step:
        return line('fail "So it is."')

    def _settle(self) -> Step:
        name, band = self.dice.choice(
            [("voltage", "10 mV"), ("current", "10 mA"), ("voltage", "2 V"), ("current", "2 A")]
        )
        into = f", into {self._new('w')}" if self.dice.random() < 0.5 else ""
        longest = f"every 100 ms, at most {self._time(Span(0.5, 1.5))}"
        first = f"settle smu.{name} within {band} over 300 ms, {longest}{into}"
        self.values.reading = True
        return self._perhaps_otherwise(first, None, 0.85)

    def _perhaps_otherwise(self, first: str, block: Block | None, share: float) -> Step:
        """A step that may run out of time, with what is done then."""
        lines: list[tuple[str, Block | None]] = [(first, block)]
        if self.dice.random() < share and self.depth < MOST_DEPTH:
            lines.append(("otherwise:", self._below()))
        return Step(tuple(lines))
