"""Random recipes over all constructs, made so that most of them check.

Every value is drawn with the span that it can't leave, by the ratings of the part less what an
instrument may be off; so that what is refused is refused for a reason that is rare. Times are
short, so that a run is quick. Knows nothing of how a recipe is analysed.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Sequence
from typing import NamedTuple

from drivers.kinds import KINDS
from tests.soundness.parts import STORING, Rated, Span, any_kind, rated
from tests.soundness.recipe_text import Block, Recipe, Step, line
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


class Programs:
    """One random recipe."""

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
        settings = tuple(self.values.known)
        self.asks: list[Known] = []
        self.procedures: list[tuple[str, Block]] = []
        self.callable: list[Procedure] = []
        self.ending: set[str] = set()
        self.count = 0
        self.on, self.mode = False, ""
        self.aux_on = self.aux_busy = False
        self.loops = 0
        self.capturing = False
        self.final = False
        self.traces: list[str] = []
        self.budget = dice.randint(4, 26)
        steps = self._top(dice.randint(2, 11))
        plain = list(self.traces)
        self._forget()
        self.final = True
        self.budget = dice.randint(3, 9)
        final = self._top(dice.randint(1, 5)) if dice.random() < 0.4 else ()
        results = tuple(
            f"r_{k} = {dice.choice(['mean', 'maximum'])}({trace}, current)"
            for k, trace in enumerate(plain[:2])
        )
        recipe = Recipe(tuple(head), tuple(self.procedures), steps, final, results)
        specifications = {
            "smu": self.specification,
            "aux": LARGER if self.aux and self.aux_pulses else SMALLER,
        }
        self.made = Made(recipe, self.parts, specifications, tuple(self.asks), settings)

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

    # Blocks

    def _top(self, size: int) -> Block:
        """The outermost block: it sets up and goes on first, most often."""
        dice, found = self.dice, []
        if dice.random() < 0.3:
            found.append(self._setup())
        if self.aux and dice.random() < 0.8:
            found += [self._source_aux(), line("output aux on")]
            self.aux_on = True
        found.append(self._source())
        if dice.random() < 0.93:
            found.append(line("output smu on"))
            self.on = True
        for _ in range(size):
            found += self._some()
            if self._ends(found):
                break
        return tuple(found)

    def _inner(self, first: Block = (), most: int = 3) -> Block:
        """A block within a step, which leaves output and mode as they were at its beginning."""
        on, mode, reading, aux_on = self.on, self.mode, self.values.reading, self.aux_on
        known, settable = list(self.values.known), list(self.values.settable)
        traces = list(self.traces)
        found = list(first)
        if first:
            self.values.reading = True
        for _ in range(self.dice.randint(0 if first else 1, most)):
            found += self._some()
            if self._ends(found):
                break
        if not self._ends(found):
            found += self._as_before(on, mode)
            if aux_on != self.aux_on:
                found += self._output_aux()
        self.aux_on = aux_on
        self.on, self.mode, self.values.reading = on, mode, reading
        self.values.known, self.values.settable, self.traces = known, settable, traces
        return tuple(found)

    def _ends(self, block: Sequence[Step], leave: bool = True) -> bool:
        """Whether nothing can come after a block; with `leave`, within its loop."""
        if not block:
            return False
        lines = block[-1].lines
        word, blocks = lines[0][0].split()[0], [inner or () for _, inner in lines]
        match word:
            case "stop" | "fail":
                return True
            case "leave":
                return leave
            case "if":
                return lines[-1][0] == "else:" and all(self._ends(b, leave) for b in blocks)
            case "repeat" | "for" | "every" | "capture":
                return self._ends(blocks[0], False)
            case "do":
                return lines[0][0][3:].split("(")[0] in self.ending
        return False

    def _as_before(self, on: bool, mode: str) -> list[Step]:
        found: list[Step] = []
        if on and (mode != self.mode or not self.on):
            found.append(self._source(mode))
            if not self.on:
                found.append(line("output smu on"))
        elif mode and mode != self.mode:
            found.append(self._source(mode))
        if self.on and not on:
            found.append(line("output smu off"))
        return found

    def _some(self) -> list[Step]:
        """A step, or the few that belong together; none where nothing more is wanted."""
        self.budget -= 1
        if self.budget < 0:
            return []
        weights = self._possible()
        names = list(weights)
        if self.dice.random() < 0.4:
            # So that what is rare stands beside what is rare, too.
            weights = dict.fromkeys(names, 1.0)
        chosen = self.dice.choices(names, [weights[name] for name in names])[0]
        make: Callable[[], Step | list[Step]] = getattr(self, f"_{chosen}")
        made = make()
        return made if isinstance(made, list) else [made]

    def _possible(self) -> dict[str, float]:
        """The steps that may stand here, by how often they are to."""
        able = {
            "source": 4,
            "wait": 2,
            "let": 2,
            "set": 1.5,
            "say": 0.6,
            "note": 0.6,
            "setup": 0.6,
            "reset": 0.8,
            "switch": 0.8,
            "ask": 0.7,
            "confirm": 0.5,
            "output": 2,
            "wait_for": 1.0,
        }
        depth = self.depth
        if self.values.settable:
            able |= {"set": 2}
        if self.aux_on and not self.aux_busy:
            able |= {"aux_measure": 0.5, "aux_settle": 0.3, "aux_sweep": 0.5, "aux_ramp": 0.5}
            able |= {"source_aux": 1}
            if self.aux_pulses:
                able |= {"aux_pulsed_sweep": 0.4, "aux_pulse": 0.3}
                if depth < MOST_DEPTH:
                    able |= {"aux_capture": 0.4}
        if self.aux and not self.aux_busy:
            able |= {"output_aux": 0.6}
        if (self.on or self.opens) and not self.capturing:
            able |= {"measure": 4, "settle": 1.5}
        if self.on and self.mode and not self.capturing:
            able |= {"sweep": 2.5, "ramp": 2.5}
            if self.pulses:
                able |= {"pulsed_sweep": 1.2}
        if self.on and self.mode and self.pulses:
            able |= {"pulse": 3.0}
        if depth < MOST_DEPTH:
            able |= {"if": 2, "every": 1.5, "until": 1.5, "repeat": 1.5, "for_in": 1.5}
            able |= {"for_count": 1, "do": 2, "if_confirm": 0.4}
            if self.values.reading:
                able |= {"refined": 1.5}
            if self.pulses and not self.capturing and (self.on or self.opens):
                able |= {"capture": 1.5}
        if self.loops:
            able |= {"leave": 0.5 * depth}
        if depth:
            able |= {"stop": 0.2, "fail": 0.15}
        return able

    depth = 0

    def _below(self, first: Block = (), most: int = 3) -> Block:
        self.depth += 1
        block = self._inner(first, most)
        self.depth -= 1
        return block

    # Values

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

    # Steps

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
        self.on = not self.on if self.dice.random() < 0.8 else self.on
        found = [line(f"output smu {'on' if self.on else 'off'}")]
        if self.on and not self.mode:
            found.insert(0, self._source())
        return found

    @property
    def _aux_reads(self) -> bool:
        return self.aux_on and not self.aux_busy

    def _output_aux(self) -> list[Step]:
        found = [line(f"output aux {'off' if self.aux_on else 'on'}")]
        if not self.aux_on:
            found.insert(0, self._source_aux())
        self.aux_on = not self.aux_on
        return found

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

    def _aux_capture(self) -> Step:
        first = f"capture aux at 1 kHz for 50 ms, into {self._new('c')}:"
        self.aux_busy = True
        block = self._loop()
        self.aux_busy = False
        return Step(((first, block),))

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
        if not self.values.settable:
            return self._let()
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

    def _shape(self) -> tuple[str, bool]:
        """Width and period of pulses; whether they fit the pulsed envelope beyond the other."""
        dice = self.dice
        width = dice.choice([0.5e-3, 1e-3, 3e-3])
        if dice.random() < 0.6:
            return f"width {quantity(width, 's')}, period {quantity(width * 25, 's')}", True
        period = width * dice.choice([2, 5])
        return f"width {quantity(width, 's')}, period {quantity(period, 's')}", False

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

    @property
    def _beyond(self) -> bool:
        """Whether pulses may go beyond the continuous envelope."""
        return self.part.pulse_current is not None or self.part.pulse_voltage is not None

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

    # Steps with blocks

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

    def _loop(self, block: Block = (), most: int = 3) -> Block:
        self.loops += 1
        inner = self._below(block, most)
        self.loops -= 1
        return inner

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
        block = self._below(first)
        if self._ends(block, False):
            self.ending.add(name)
        named = [k.name for k in parameters] + ([trace] if trace else [])
        self.procedures.append((f"procedure {name}({', '.join(named)}):", block))
        self.callable.append(Procedure(name, tuple(parameters), bool(trace), self._fits))
        values.known, values.settable, values.reading = known, settable, reading
        self.loops, self.traces = loops, traces
