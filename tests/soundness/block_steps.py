"""Random steps with a block: branches, loops, captures, calls and their procedures."""

from __future__ import annotations

from collections.abc import Sequence

from tests.soundness.level_steps import LevelSteps
from tests.soundness.making import TIME, Procedure
from tests.soundness.parts import Span
from tests.soundness.recipe_text import Block, Step, line
from tests.soundness.values import Known, quantity


class BlockSteps(LevelSteps):
    """Makes such steps where they may stand."""

    def _ends(self, block: Sequence[Step], leave: bool = True) -> bool:
        """Whether nothing can come after a block; with `leave`, within its loop."""
        raise NotImplementedError

    def _loop(self, block: Block = (), most: int = 3) -> Block:
        self.loops += 1
        inner = self._below(block, most)
        self.loops -= 1
        return inner

    def _if(self) -> Step:
        lines: list[tuple[str, Block | None]] = [(f"if {self._condition()}:", self._below())]
        if self.dice.random() < 0.3:
            lines.append((f"else if {self._condition()}:", self._below()))
        if self.dice.random() < 0.5:
            lines.append(("else:", self._below()))
        return Step(tuple(lines))

    def _if_confirm(self) -> Step:
        return Step((('if confirm "Go on?":', self._below()), ("else:", self._below())))

    def _refined(self) -> Step:
        """A level that is what was read, where a condition keeps it within what the part bears."""
        mode = self.mode or "voltage"
        unit = "V" if mode == "voltage" else "A"
        span = self.values.spans[unit]
        low, high = span.low * 0.9, span.high * 0.9
        bounds = f"{quantity(low, unit)} to {quantity(high, unit)}"
        level = f"smu.{mode}"
        first: list[Step] = []
        condition = f"{level} in {bounds}"
        if self.dice.random() < 0.3:
            name = self._new("x")
            first, level = [line(f"let {name} = {level}")], name
            condition = f"not ({level} < {quantity(low, unit)} or {level} > {quantity(high, unit)})"
        source = line(f"source smu {mode} {level}, limit {self._limit(mode)}")
        step = Step(((f"if {condition}:", (source, *self._below())),))
        if first:
            # What `let` names is in reach of nothing but this step, by the name being new.
            return Step((("repeat 1 times:", (*first, step)),))
        return step

    def _every(self) -> Step:
        period = self.dice.choice(["100 ms", "200 ms"])
        measured = self._first_measure()
        first = f"every {period} for {self._time()}:"
        return Step(((first, self._loop(measured, 2)),))

    def _first_measure(self) -> Block:
        possible = (self.on or self.opens) and not self.capturing
        if not possible or self.dice.random() < 0.3:
            return ()
        return (line("measure smu"),)

    def _until(self) -> Step:
        dice = self.dice
        possible = (self.on or self.opens) and not self.capturing
        block: Block = ()
        condition = dice.choice(["smu.charge >= 10 mC", "lid is high", "smu.elapsed >= 0.4 s"])
        if possible and dice.random() < 0.8:
            block = (line("measure smu"),)
            unit, name = dice.choice([("V", "voltage"), ("A", "current")])
            level = self.values.value(unit, None, 1)
            condition = f"smu.{name} {dice.choice(['<=', '>='])} {level}"
        first = f"every {dice.choice(['100 ms', '200 ms'])} until {condition}, "
        first += f"at most {self._time()}:"
        return self._perhaps_otherwise(first, self._loop(block, 2), 0.7)

    def _repeat(self) -> Step:
        first = f"repeat {self.dice.randint(1, 4)} times:"
        return Step(((first, self._loop()),))

    def _for_in(self) -> Step:
        dice, unit = self.dice, self.dice.choice("VA")
        known = Known(self._new("x"), unit, self.values.spans[unit])
        value = self.values.value
        if dice.random() < 0.5:
            listed = ", ".join(value(unit, None, 1) for _ in range(dice.randint(1, 3)))
            first = f"for {known.name} in values({listed}):"
        else:
            ends = f"{value(unit, None, 0)}, {value(unit, None, 0)}"
            first = f"for {known.name} in linear({ends}, {dice.randint(2, 4)}):"
        return self._for(first, known)

    def _for_count(self) -> Step:
        low, high = sorted(self.dice.randint(0, 4) for _ in range(2))
        known = Known(self._new("k"), "", Span(low, high))
        return self._for(f"for {known.name} in {low} to {high}:", known)

    def _for(self, first: str, known: Known) -> Step:
        before = list(self.values.known)
        self.values.known.append(known)
        block = self._loop()
        self.values.known = before
        return Step(((first, block),))

    def _capture(self) -> Step:
        dice = self.dice
        when = ""
        if dice.random() < 0.4:
            side = dice.choice(["smu.voltage > 1 V", "smu.current < 0.1 A", "smu.current > 0.2 A"])
            when = f", when {side}, before {dice.choice(['0 s', '2 ms'])}"
        rate, span = dice.choice([("1 kHz", "50 ms"), ("20 kHz", "5 ms"), ("100 Hz", "0.5 s")])
        first = f"capture smu at {rate} for {span}{when}, into {self._new('c')}:"
        self.capturing, reading = True, self.values.reading
        block = self._loop()
        self.capturing = False
        self.values.reading = reading and self.values.reading
        return Step(((first, block),))

    def _aux_capture(self) -> Step:
        first = f"capture aux at 1 kHz for 50 ms, into {self._new('c')}:"
        self.aux_busy = True
        block = self._loop()
        self.aux_busy = False
        return Step(((first, block),))

    def _do(self) -> Step:
        """A call of a procedure that fits how the output is now, perhaps of a new one."""
        fitting = [known for known in self.callable if known.fits == self._fits]
        if not fitting or self.dice.random() < 0.6:
            self._procedure()
            fitting = self.callable[-1:]
        name, parameters, has_trace, _ = self.dice.choice(fitting)
        arguments = [self.values.value(k.unit, k.span, 1) for k in parameters]
        if has_trace:
            arguments.append(self._new("t"))
        return line(f"do {name}({', '.join(arguments)})")

    @property
    def _fits(self) -> tuple[object, ...]:
        return (self.on, self.mode, self.aux_on, self.capturing, self.aux_busy)

    def _procedure(self) -> None:
        """A procedure that begins as the output is now, and ends so."""
        dice, values = self.dice, self.values
        name = self._new("work")
        known, settable, reading = values.known, values.settable, values.reading
        loops, traces = self.loops, self.traces
        values.known = [k for k in known if k.name.startswith("set_")]
        values.settable, values.reading = [], False
        self.loops, self.traces = 0, []
        parameters = []
        for unit in "VAs":
            if dice.random() < 0.5:
                span = TIME if unit == "s" else values.spans[unit]
                parameter = Known(f"{name}_{unit}", unit, span)
                values.known.append(parameter)
                parameters.append(parameter)
        first: Block = ()
        trace = ""
        if (self.on or self.opens) and not self.capturing and dice.random() < 0.5:
            trace = f"{name}_t"
            first = (line(f"measure smu into {trace}"),)
        # So that there is something to set.
        named = (self._let(),) if dice.random() < 0.3 else ()
        block = named + self._below(first)
        if self._ends(block, False):
            self.ending.add(name)
        listed = ", ".join([k.name for k in parameters] + ([trace] if trace else []))
        self.procedures.append((f"procedure {name}({listed}):", block))
        self.callable.append(Procedure(name, tuple(parameters), bool(trace), self._fits))
        values.known, values.settable, values.reading = known, settable, reading
        self.loops, self.traces = loops, traces
