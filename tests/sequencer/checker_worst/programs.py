"""Random recipes over all constructs, as text: right in their units and in their order.

`Program(dice).text` is one recipe. It has a part on a channel `smu`, often a second source `aux`, a
meter, a sensor and digital lines, and any steps of the language; most of them are right, and those
that aren't are for the checker to refuse. Whether a rating can be left is nobody's concern here.
"""

from __future__ import annotations

import random

from tests.sequencer.checker_worst.declarations import Declarations
from tests.sequencer.checker_worst.phrases import UNIT, Phrases, Scope

LOOPS = ("every", "until", "repeat", "for", "settle", "capture")
MOST_DEPTH = 3


class Output:
    """What is known of an output on every path: whether it is on, and its last source's mode."""

    def __init__(self) -> None:
        self.on = False
        self.mode = ""
        self.sourced = False
        self.certain = True
        """Whether every path agrees on the mode."""

    def joined(self, other: Output) -> Output:
        """Where two paths meet."""
        found = Output()
        found.on, found.sourced = self.on and other.on, self.sourced and other.sourced
        found.mode = self.mode if self.mode == other.mode else ""
        return found

    def copy(self) -> Output:
        """The same."""
        return self.joined(self)


class Program:
    """One random recipe; `text` is what it reads."""

    def __init__(self, dice: random.Random) -> None:
        self.dice = dice
        self.say = Phrases(dice)
        self.lines: list[str] = []
        self.count = 0
        self.loops: list[str] = []
        self.captured = ""
        """The channel whose capture is under way."""
        self.procedures: list[tuple[str, str]] = []
        self.final = False
        self.steps_left = dice.randint(4, 18)
        declared = Declarations(dice, self.say)
        self.sources, self.able = declared.sources, declared.able
        self.meters, self.lamp = declared.meters, declared.lamp
        self.outputs = {name: Output() for name in self.sources}
        body = self._whole(dice.randint(3, 7))
        self.final = True
        self.outputs = {name: Output() for name in self.sources}
        scope = Scope()
        scope.names = [n for n in self.say.scope.names if n[0].startswith("set_")]
        self.say.scope = scope
        tail: list[str] = []
        if dice.random() < 0.4:
            self.steps_left = 4
            tail = ["finally:", *self._whole(3)]
        procedures = [line for text, _ in self.procedures for line in text.split("\n")]
        self.text = "\n".join([*declared.head, *procedures, "steps:", *body, *tail]) + "\n"

    # Blocks

    def _put(self, depth: int, text: str) -> None:
        self.lines.append("    " * (depth + 1) + text)

    def _new(self) -> str:
        self.count += 1
        return f"x_{self.count}"

    def _whole(self, size: int) -> list[str]:
        """The steps of the recipe or of its `finally`."""
        outer, self.lines = self.lines, []
        for name in self.sources:
            self._source(0, name)
            if self.dice.random() < 0.9:
                self._switch(0, name, True)
        self._block(0, size)
        found, self.lines = self.lines, outer
        return found

    def _block(self, depth: int, size: int) -> None:
        """A block; the names that it makes known go with it."""
        names, settable = list(self.say.scope.names), list(self.say.scope.settable)
        for _ in range(size):
            self.steps_left -= 1
            if self.steps_left < 0 or self._step(depth):
                break
        self.say.scope.names, self.say.scope.settable = names, settable

    def _inner(self, depth: int, first: tuple[str, ...] = (), surely: bool = False) -> None:
        """A block within a step, which may not be run at all unless it `surely` is, once at least.

        What it makes certain is so afterwards only if it is run, what it changes no longer is.
        """
        before = len(self.lines)
        for text in first:
            self._put(depth + 1, text)
        outputs = {name: known.copy() for name, known in self.outputs.items()}
        scope = self.say.scope.copy()
        self._block(depth + 1, self.dice.randint(1, 4))
        if len(self.lines) == before:
            self._put(depth + 1, "wait 0.1 s")
        if not surely:
            self.say.scope = scope
        for name, known in outputs.items():
            self.outputs[name] = self.outputs[name].joined(known)

    # Steps

    def _step(self, depth: int) -> bool:
        """One step; True where the block ends with it."""
        dice = self.dice
        name = dice.choice(self.sources)
        steps = ["source"] * 4 + ["output"] * 2 + ["measure"] * 3 + ["wait", "let", "let"]
        steps += ["set"] * 3 * bool(self.say.scope.settable) + ["switch"] * self.lamp
        steps += ["setup", "sweep", "sweep", "ramp", "ramp", "pulse", "pulse", "ask", "confirm"]
        steps += ["small", "wait for"] + ["call"] * 2 * bool(not self.final and not self.loops)
        if depth < MOST_DEPTH:
            steps += ["if", "if", *LOOPS, "until", "for", "ask if"]
        if self.loops:
            steps += ["leave"]
        if depth:
            steps += ["end"]
        step = dice.choice(steps)
        match step:
            case "source":
                self._source(depth, name)
            case "output":
                self._switch(depth, name, dice.random() < 0.6)
            case "measure":
                self._measure(depth)
            case "wait":
                self._put(depth, f"wait {self.say.time()}")
            case "let" | "set":
                self._name(depth, step)
            case "setup":
                what = dice.choice(["aperture = 1 PLC", "aperture = 5 ms", "average = 2"])
                self._put(depth, f"setup {name}: {what}")
            case "sweep" | "ramp" | "pulse":
                self._series(depth, name, step)
            case "leave" | "end":
                self._put(depth, "leave" if step == "leave" else dice.choice(["stop", 'fail "x"']))
                return True
            case "call":
                self._call(depth)
            case _:
                self._longer(depth, step, name)
        return False

    def _source(self, depth: int, name: str) -> None:
        mode = self.dice.choice(["voltage", "current"])
        level = self.say.value(UNIT[mode])
        self._put(depth, f"source {name} {mode} {level}, limit {self._limit(mode, name)}")
        self.outputs[name].mode, self.outputs[name].sourced = mode, True

    def _limit(self, mode: str, name: str) -> str:
        self.say.part = "dut" if name == "smu" else "load"
        found = self.say.limit(mode)
        self.say.part = "dut"
        return found

    def _switch(self, depth: int, name: str, on: bool) -> None:
        if on and not self.outputs[name].sourced:
            return
        self._put(depth, f"output {name} {'on' if on else 'off'}")
        self.outputs[name].on = on

    def _readable(self) -> list[str]:
        """The channels that can be read here."""
        open_too = [n for n in self.sources if "measure open" in self.able[n]]
        found = [n for n in self.sources if n in open_too or self.outputs[n].on]
        return [n for n in (*found, *self.meters) if n != self.captured]

    def _measure(self, depth: int) -> None:
        dice, scope = self.dice, self.say.scope
        readable = self._readable()
        if not readable:
            return
        names = dice.sample(readable, dice.randint(1, min(2, len(readable))))
        into = ""
        if dice.random() < 0.5:
            trace = f"m_{'_'.join(names)}"
            into = f" into {trace}"
            scope.traces[trace] = names[0] if len(names) == 1 else ""
        self._put(depth, f"measure {', '.join(names)}{into}")
        scope.read |= set(names)

    def _name(self, depth: int, step: str) -> None:
        dice, scope = self.dice, self.say.scope
        unit = dice.choice("VA")
        if step == "let":
            name = self._new()
            self._put(depth, f"let {name} = {self.say.value(unit)}")
            scope.names.append((name, unit))
            scope.settable.append((name, unit))
        else:
            name, unit = dice.choice(scope.settable)
            self._put(depth, f"set {name} = {self.say.value(unit)}")

    def _series(self, depth: int, name: str, step: str) -> None:
        """A sweep, a ramp or pulses, where the output is on in a mode that is known."""
        known, dice = self.outputs[name], self.dice
        if not (known.on and known.mode):
            return
        mode, unit = known.mode, UNIT[known.mode]
        limit = f", limit {self._limit(mode, name)}" if dice.random() < 0.4 else ""
        self.count += 1
        trace = f"t_{self.count}"
        read = self.say.scope.read
        until = f", until {name}.current >= 1 A" if dice.random() < 0.4 else ""
        if step == "sweep":
            text = self._sweep(name, mode, unit) + limit + until
            self._put(depth, f"{text}, into {trace}")
        elif step == "ramp":
            way = dice.choice([f"at {dice.choice(['1', '4'])} {unit}/s", f"over {self.say.time()}"])
            size = f", in steps of 0.5 {unit}" if dice.random() < 0.4 else ""
            others = [n for n in self._readable() if n != name]
            reading = f", reading {dice.choice(others)}" if others and dice.random() < 0.3 else ""
            if self.captured == name:
                return
            into = f", into {trace}" if dice.random() < 0.5 else ""
            level = self.say.value(unit, 1)
            self._put(depth, f"ramp {name} {mode} to {level} {way}{size}{until}{reading}{into}")
        else:
            width = dice.choice(["1 ms", "50 ms", "min(0.1 s, set_2)"])
            if "set_2" in width and not self.say.scope.of("s"):
                width = "0.1 s"
            train = ", period 0.2 s, count " + dice.choice(["1", "3"])
            train = train if dice.random() < 0.6 else ""
            count = ", after countdown 1 s" if dice.random() < 0.2 else ""
            level = self.say.value(unit, 1)
            self._put(depth, f"pulse {name} {mode} {level}{limit}, width {width}{train}{count}")
        read.add(name)

    def _sweep(self, name: str, mode: str, unit: str) -> str:
        dice = self.dice
        first, last = self.say.value(unit, 1), self.say.value(unit, 1)
        ends = f"from {first} to {last} in {dice.randint(2, 4)} points"
        if dice.random() < 0.2:
            ends = f"from 0.5 {unit} to 2 {unit} in 3 points, logarithmic"
        how = ""
        if dice.random() < 0.3:
            how = ", pulsed, width 20 ms, period 0.1 s"
        elif dice.random() < 0.4:
            how = f", settle {self.say.time()}"
        return f"sweep {name} {mode} {ends}{how}"

    def _call(self, depth: int) -> None:
        """A procedure, perhaps a new one; it is checked and run at each call."""
        dice = self.dice
        if not self.procedures or dice.random() < 0.5:
            self._procedure()
        name = f"p_{dice.randrange(len(self.procedures))}"
        unit = self.procedures[int(name[2:])][1]
        level = self.say.value(unit, 1)
        arguments = dice.choice([f"{level}, 0.3 s", f"long = 0.2 s, level = {level}"])
        self._put(depth, f"do {name}({arguments})")
        mode = {"V": "voltage", "A": "current"}[unit]
        self.outputs["smu"].mode, self.outputs["smu"].sourced = mode, True
        self.say.scope.read.add("smu") if "measure open" in self.able["smu"] else None

    def _procedure(self) -> None:
        """A procedure: what it sources, and for how long it looks at it."""
        dice = self.dice
        unit = dice.choice("VA")
        mode = {"V": "voltage", "A": "current"}[unit]
        name = f"p_{len(self.procedures)}"
        limit = dice.choice(["2 A", "1 A"]) if mode == "voltage" else dice.choice(["4 V", "dut"])
        level = dice.choice(["level", "half", f"min(level, 1 {unit})"])
        lines = [f"procedure {name}(level, long):", "    let half = level / 2"]
        lines.append(f"    source smu {mode} {level}, limit {limit}")
        loop = dice.choice(["every 0.1 s for long:", "repeat 2 times:", "if level > half:"])
        lines.append(f"    {loop}")
        body = "measure smu" if "measure open" in self.able["smu"] else "wait 0.1 s"
        lines += [f"        {body}", "        wait long"]
        self.procedures.append(("\n".join(lines), unit))

    def _longer(self, depth: int, step: str, name: str) -> None:
        """Steps that wait, ask, branch or loop."""
        dice = self.dice
        match step:
            case "small":
                small = ['say "now"', 'note "now"', f"reset {name}.charge"]
                self._put(depth, dice.choice(small))
            case "switch":
                self._put(depth, "switch lamp high")
            case "confirm":
                self._put(depth, 'confirm "Go on?"')
            case "ask":
                self._ask(depth)
            case "wait for":
                if self.say.lines:
                    self._put(depth, f"wait for lid low, at most {self.say.time()}")
                    self._otherwise(depth)
            case "ask if" | "if":
                asks = step == "ask if"
                condition = 'confirm "Again?"' if asks else self.say.condition()
                self._put(depth, f"if {condition}:")
                self._inner(depth)
                if dice.random() < 0.3:
                    self._put(depth, f"else if {self.say.condition()}:")
                    self._inner(depth)
                if dice.random() < 0.5:
                    self._put(depth, "else:")
                    self._inner(depth)
            case "capture":
                self._capture(depth, name)
            case "settle":
                self._settle(depth)
            case _:
                self._loop(depth, step)

    def _ask(self, depth: int) -> None:
        dice = self.dice
        if dice.random() < 0.3:
            self._put(depth, 'ask "Ready?"')
            return
        unit, name = dice.choice("VA"), self._new()
        low, high = dice.choice([("-1", "2"), ("0", "1")])
        span = dice.choice(
            [f"{low} {unit} to {high} {unit}", f"within 2 {unit}", f"1 {unit} ± 50 %"]
        )
        self._put(depth, f'ask "How much?", into {name} in {span}')
        self.say.scope.names.append((name, unit))

    def _otherwise(self, depth: int) -> None:
        if self.dice.random() < 0.4:
            self._put(depth, "otherwise:")
            self._inner(depth)

    def _settle(self, depth: int) -> None:
        readable = [n for n in self._readable() if n != "warmth"]
        if readable:
            name = self.dice.choice(readable)
            quantity = self.dice.choice(["voltage within 0.5 V", "current within 0.5 A"])
            longest = self.say.time()
            self._put(depth, f"settle {name}.{quantity} over 0.2 s, every 0.1 s, at most {longest}")
            self.say.scope.read.add(name)
            self._otherwise(depth)

    def _capture(self, depth: int, name: str) -> None:
        if self.captured:
            return
        dice = self.dice
        self.count += 1
        trigger = f", when {name}.current > 1 A, before 0.1 s" if dice.random() < 0.4 else ""
        self._put(depth, f"capture {name} at 1 kHz for 0.3 s{trigger}, into c_{self.count}:")
        self.captured = name
        self.loops.append("capture")
        self._inner(depth)
        self.loops.pop()
        self.captured = ""

    def _loop(self, depth: int, step: str) -> None:
        dice, say = self.dice, self.say
        names = list(say.scope.names)
        first: tuple[str, ...] = ()
        period = dice.choice(["0.2 s", "0.5 s"])
        match step:
            case "every":
                self._put(depth, f"every {period} for {say.time()}:")
            case "until":
                readable = [n for n in self._readable() if n != "warmth"]
                if not readable:
                    return
                name = dice.choice(readable)
                condition = f"{name}.voltage {dice.choice(['<', '>='])} {say.value('V', 1)}"
                self._put(depth, f"every {period} until {condition}, at most {say.time()}:")
                first = (f"measure {name}",)
            case "repeat":
                self._put(depth, f"repeat {dice.randint(0, 4)} times:")
            case _:
                self._for(depth)
        self.loops.append(step)
        self._inner(depth, first)
        self.loops.pop()
        say.scope.names = names
        if step == "until":
            self._otherwise(depth)

    def _for(self, depth: int) -> None:
        dice, say = self.dice, self.say
        unit, name = dice.choice("VA"), self._new()
        kind = dice.choice(["values", "linear", "logarithmic", "count"])
        if kind == "values":
            values = ", ".join(say.value(unit, 1) for _ in range(dice.randint(1, 3)))
            self._put(depth, f"for {name} in values({values}):")
        elif kind == "linear":
            ends = f"{say.value(unit, 0)}, {say.value(unit, 0)}"
            self._put(depth, f"for {name} in linear({ends}, {dice.randint(2, 5)}):")
        elif kind == "logarithmic":
            self._put(depth, f"for {name} in logarithmic(0.5 {unit}, 2 {unit}, 3):")
        else:
            self._put(depth, f"for {name} in {dice.randint(0, 2)} to {dice.randint(0, 4)}:")
            unit = ""
        say.scope.names.append((name, unit))
