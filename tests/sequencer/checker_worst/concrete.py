"""One run of a recipe on an ideal source and a part that does its worst: the judge of the analysis.

Written from the rules of the language alone, it shares no code with the analysis or the engine but
the tree. The part is an adversary: within what its kind can do it picks, at every moment, any of
the voltages and currents that the level and the limit leave it, the corners most often.
"""

from __future__ import annotations

import math
import random
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass, field

from drivers.kinds import KINDS
from grammar import tree
from sequencer.checker.facts import Checked

CYCLE_S = 0.02
"""A power line cycle at 50 Hz."""
HUGE = 1e7
"""What an instrument without known figures may push, in A."""
MOST_EVENTS = 20_000


class Ends(Exception):
    """The run ends: stopped, failed, tripped, or refused."""


class Left(Exception):
    """A loop is left."""


@dataclass
class Seen:
    """The extremes of one channel's run. Sums are those of one period of the output or of all."""

    levels: list[float] = field(default_factory=lambda: [math.inf, -math.inf])
    currents: list[float] = field(default_factory=lambda: [0.0, 0.0])
    powers: list[float] = field(default_factory=lambda: [0.0, 0.0])
    energy: list[float] = field(default_factory=lambda: [0.0, 0.0])
    charge: list[float] = field(default_factory=lambda: [0.0, 0.0])
    under_power_s: float = 0.0


@dataclass
class Port:
    """A channel: what it is programmed to, and its part's own voltage."""

    on: bool = False
    on_by: int = 0
    sourced: tuple[str, float, float, float] | None = None
    programmed: tuple[str, float, float, float] | None = None
    own: float = 0.0
    aperture_s: float = CYCLE_S
    average: float = 1.0
    reading: tuple[float, float] = (math.nan, math.nan)
    period: list[float] = field(default_factory=lambda: [0.0] * 4)
    total: list[float] = field(default_factory=lambda: [0.0] * 4)
    seen: Seen = field(default_factory=Seen)


class Run:
    """One run; `dice` decide about settings, the part and everything else that is open."""

    def __init__(self, checked: Checked, dice: random.Random) -> None:
        self.checked = checked
        self.dice = dice
        self.now = 0.0
        self.events = 0
        self.final = False
        self.blocks: list[dict[str, float]] = [{}]
        self.parts = {part.channel: part for part in checked.parts.values()}
        self.ports = {name: Port() for name in self.parts}
        self.forced: dict[int, list[float]] = {}
        for name, port in self.ports.items():
            port.own = self._any_own(name)

    def execute(self) -> bool:
        """The whole run with `finally`; False where no settings meet what is required."""
        for _ in range(30):
            self.blocks = [{n: self._setting(n) for n in self.checked.settings}]
            if all(self.truth(r.condition) for r in self.checked.recipe.requires):
                break
        else:
            return False
        for block in (self.checked.recipe.steps, self.checked.recipe.final):
            with suppress(Ends, Left):
                self.block(block)
            for name in self.ports:
                self._off(name)
            del self.blocks[1:]
            self.final = True
        return True

    def _setting(self, name: str) -> float:
        facts = self.checked.settings[name]
        if facts.low is None or facts.high is None:
            return facts.value
        return self._between(facts.low, facts.high)

    def _between(self, low: float, high: float) -> float:
        """Anything between, the ends most often."""
        return self.dice.choice([low, high, low + (high - low) * self.dice.random()])

    # The part and the source

    def _rating(self, name: str) -> tuple[float, float]:
        return self.parts[name].ratings["voltage"]

    def _forces(self, name: str) -> str:
        return KINDS[self.parts[name].kind].forces

    def _any_own(self, name: str) -> float:
        low, high = self._rating(name)
        forces = self._forces(name)
        if forces == "nothing":
            return 0.0
        return (
            self._between(0.0, max(high, 0.0)) if forces[:2] == "up" else self._between(low, high)
        )

    def _behave(self, name: str) -> tuple[float, float]:
        """What stands on the part now: its voltage and the current into it."""
        port = self.ports[name]
        assert port.programmed is not None
        mode, level, low, high = port.programmed
        seen, forces = port.seen, self._forces(name)
        if mode == "voltage":
            volts, amperes = self._under_voltage(name, level, low, high)
            imposed: float | None = level
        else:
            if forces == "up to its rating":
                port.own = self._any_own(name)
            volts, amperes, limited = self._under_current(port.own, level, low, high)
            imposed = volts if limited else None
            if forces == "within its rating":
                port.own = self._between(port.own, volts)
        if imposed is not None:
            seen.levels = [min(seen.levels[0], imposed), max(seen.levels[1], imposed)]
        for extremes, value in ((seen.currents, amperes), (seen.powers, volts * amperes)):
            extremes[:] = min(extremes[0], value), max(extremes[1], value)
        return volts, amperes

    def _under_voltage(
        self, name: str, level: float, low: float, high: float
    ) -> tuple[float, float]:
        """The part lies between its own voltage and the level; current flows towards the level."""
        own = self._any_own(name)
        if self._forces(name) == "within its rating":
            self.ports[name].own = self._between(own, level)
        if level == own:
            return level, 0.0
        most = high if level > own else low
        return self._between(own, level), self._between(0.0, most)

    def _under_current(
        self, own: float, level: float, low: float, high: float
    ) -> tuple[float, float, bool]:
        """The level flows unless a side of the limit holds the part; the last says which."""
        if own > high:
            return high, -self.dice.random() * HUGE, True
        if own < low:
            return low, self.dice.random() * HUGE, True
        if level == 0:
            return own, 0.0, False
        side = high if level > 0 else low
        if self.dice.random() < 0.5:
            return side, self._between(0.0, level), True
        return self._between(own, side), level, False

    def _spend(self, seconds: float) -> None:
        """Time passes; what flows may change once meanwhile."""
        self.events += 1
        if self.events > MOST_EVENTS:
            raise Ends
        share = self.dice.choice([0.0, 1.0, self.dice.random()])
        for part in (share, 1 - share):
            elapsed = seconds * part
            self.now += elapsed
            for name, port in self.ports.items():
                if port.on:
                    volts, amperes = self._behave(name)
                    port.seen.under_power_s += elapsed
                    self._count(port, volts * amperes * elapsed, amperes * elapsed)

    def _count(self, port: Port, joules: float, coulombs: float) -> None:
        """What went in and what came out, since the output went on and in all."""
        stores = port.period
        gone = (max(joules, 0.0), min(joules, 0.0), max(coulombs, 0.0), min(coulombs, 0.0))
        for k, amount in enumerate(gone):
            stores[k] += amount
            port.total[k] += amount

    def _close_period(self, name: str) -> None:
        port, seen = self.ports[name], self.ports[name].seen
        kind = KINDS[self.parts[name].kind]
        sums = port.period if kind.energy == "stores" else port.total
        seen.energy = [min(seen.energy[0], sums[1]), max(seen.energy[1], sums[0])]
        seen.charge = [min(seen.charge[0], sums[3]), max(seen.charge[1], sums[2])]

    def _off(self, name: str) -> None:
        port = self.ports[name]
        self._close_period(name)
        port.on = False
        port.own = self._any_own(name)

    def _look(self, name: str, under_power: bool) -> None:
        """A current source needs the part within its limit, where that can be looked at."""
        port = self.ports[name]
        facts = self.checked.channels[name]
        assert port.programmed is not None
        mode, _, low, high = port.programmed
        if mode != "current" or self._forces(name) != "within its rating":
            return
        possible = facts.can("measure open") or facts.can("two-sided limit") or under_power
        if possible and not low <= port.own <= high:
            if self.dice.random() < 0.8:
                port.own = self._between(
                    max(low, self._rating(name)[0]), min(high, self._rating(name)[1])
                )
            if not low <= port.own <= high:
                raise Ends

    def _force(self, port: Port) -> None:
        assert port.programmed is not None
        mode, level, low, high = port.programmed
        volts, amperes = abs(level), max(abs(low), abs(high))
        if mode == "current":
            volts, amperes = amperes, volts
        known = self.forced.setdefault(port.on_by, [0.0, 0.0])
        known[:] = max(known[0], volts), max(known[1], amperes)

    def _measure(self, names: tuple[tree.Name, ...]) -> None:
        for name in names:
            port = self.ports[name.id]
            self._spend(port.aperture_s * port.average)
            reading = (port.own, 0.0)
            if port.on:
                reading = self._behave(name.id)
            if self.final:
                port.reading = tuple(x * self.dice.choice([1, 1, 3]) for x in reading)  # type: ignore[assignment]
                continue
            for value, rated in zip(reading, ("voltage", "current"), strict=True):
                low, high = self.parts[name.id].ratings[rated]
                if not low <= value <= high:
                    raise Ends
            port.reading = reading
            for guard in self.checked.recipe.guards:
                if not self.truth(guard.condition):
                    raise Ends

    # Steps

    def block(self, block: tree.Block) -> None:
        self.blocks.append({})
        for step in block:
            self.step(step)
        self.blocks.pop()

    def step(self, node: tree.Step) -> None:
        match node:
            case tree.Setup():
                self._setup(node)
            case tree.SourceStep():
                assert node.limit is not None
                low, high = self._limit(node.limit, node.mode)
                self._source(node.channel.id, (node.mode, self.value(node.level), low, high))
            case tree.Output():
                self._output(node)
            case tree.Measure():
                self._measure(node.channels)
            case tree.Wait():
                self._spend(max(0.0, self.value(node.duration)))
            case tree.Every():
                self._every(node)
            case tree.Repeat():
                assert node.count is not None
                self._turns(node.body, None, iter([0.0] * round(self.value(node.count))))
            case tree.ForIn():
                self._turns(node.body, node.name.id, self._list(node.values))
            case tree.ForCount():
                first, last = round(self.value(node.first)), round(self.value(node.last))
                self._turns(node.body, node.name.id, map(float, range(first, last + 1)))
            case tree.If():
                self._if(node)
            case tree.Sweep():
                self._sweep(node)
            case tree.Let():
                self.blocks[-1][node.name.id] = self.value(node.value)
            case tree.Set():
                scope = next(b for b in reversed(self.blocks) if node.name.id in b)
                scope[node.name.id] = self.value(node.value)
            case tree.Leave():
                raise Left
            case tree.Stop() | tree.Fail():
                raise Ends

    def _setup(self, node: tree.Setup) -> None:
        port = self.ports[node.channel.id]
        for item in node.items:
            value = self.value(item.value)
            if item.name.id == "aperture":
                cycles = bool(self.checked.dimensions[id(item.value)].line_cycles)
                port.aperture_s = value * (CYCLE_S if cycles else 1.0)
            elif item.name.id == "average":
                port.average = value

    def _source(self, name: str, setpoint: tuple[str, float, float, float]) -> None:
        port = self.ports[name]
        before = port.programmed
        port.sourced = port.programmed = setpoint
        if port.on:
            assert before is not None
            if before[0] != setpoint[0]:
                self._look(name, True)
            self._force(port)
            self._behave(name)

    def _output(self, node: tree.Output) -> None:
        name = node.channel.id
        port = self.ports[name]
        if not node.on:
            self._off(name)
            return
        port.programmed = port.sourced
        self._look(name, False)
        if not port.on:
            port.period = [0.0] * 4
        port.on, port.on_by = True, id(node)
        self._force(port)
        self._spend(port.aperture_s * port.average)

    def _limit(self, node: tree.Expression, mode: str) -> tuple[float, float]:
        if isinstance(node, tree.Name) and node.id in self.checked.parts:
            rated = "current" if mode == "voltage" else "voltage"
            low, high = self.checked.parts[node.id].ratings[rated]
            return low + 0.01 * abs(low), high - 0.01 * abs(high)
        if isinstance(node, tree.Range | tree.Within | tree.Tolerance):
            return self._ends(node)
        size = abs(self.value(node))
        return -size, size

    def _every(self, node: tree.Every) -> None:
        period = self.value(node.period)
        longest = node.duration if node.duration is not None else node.at_most
        assert longest is not None
        duration, start, k = self.value(longest), self.now, 0
        last = math.floor(duration / period * (1 + 1e-12))
        skips = any(
            isinstance(s, tree.Wait | tree.Every | tree.Repeat | tree.ForIn | tree.ForCount)
            for s in _within(node.body)
        )
        depth = len(self.blocks)
        try:
            while True:
                self.block(node.body)
                if node.until is not None and self.truth(node.until):
                    return
                k += 1
                if skips:
                    k = max(k, math.ceil((self.now - start) / period - 1e-9))
                if k > last:
                    break
                self._spend(max(0.0, start + k * period - self.now))
        except Left:
            del self.blocks[depth:]
            return
        if node.until is None:
            self._spend(max(0.0, start + duration - self.now))
        elif node.otherwise is None:
            raise Ends
        else:
            self.block(node.otherwise)

    def _turns(self, body: tree.Block, name: str | None, values: Iterator[float]) -> None:
        depth = len(self.blocks)
        try:
            for value in values:
                self.blocks.append({} if name is None else {name: value})
                self.block(body)
                self.blocks.pop()
        except Left:
            del self.blocks[depth:]

    def _if(self, node: tree.If) -> None:
        for arm in node.arms:
            if self.truth(arm.condition):
                self.block(arm.body)
                return
        self.block(node.otherwise or ())

    def _sweep(self, node: tree.Sweep) -> None:
        port = self.ports[node.channel.id]
        assert port.sourced is not None
        low, high = port.sourced[2:]
        if node.limit is not None:
            low, high = self._limit(node.limit, node.mode)
        first, last = self.value(node.first), self.value(node.last)
        count = round(self.value(node.points))
        for k in range(count):
            share = k / (count - 1)
            level = first * (last / first) ** share if node.logarithmic else None
            port.programmed = (
                node.mode, first + (last - first) * share if level is None else level, low, high
            )  # fmt: skip
            self._force(port)
            self._behave(node.channel.id)
            if node.settle is not None:
                self._spend(self.value(node.settle))
            self._measure((node.channel, *node.reading))
            if node.until is not None and self.truth(node.until):
                break

    # Expressions

    def _list(self, node: tree.Expression) -> Iterator[float]:
        assert isinstance(node, tree.Call)
        values = [self.value(a.value) for a in node.arguments]
        if node.function.id == "values":
            return iter(values)
        a, b, n = values
        return iter([a + (b - a) * (k / (round(n) - 1)) for k in range(round(n))])

    def _ends(self, node: tree.Expression) -> tuple[float, float]:
        match node:
            case tree.Range():
                low = self.value(node.low) if node.low is not None else -math.inf
                high = self.value(node.high) if node.high is not None else math.inf
                return low, high
            case tree.Within():
                half = self.value(node.half)
                return -half, half
            case tree.Tolerance():
                centre, half = self.value(node.centre), self.value(node.half)
                if id(node) in self.checked.relative:
                    half *= abs(centre)
                return centre - half, centre + half
        raise TypeError(type(node).__name__)

    def truth(self, node: tree.Expression) -> bool:
        match node:
            case tree.Not():
                return not self.truth(node.operand)
            case tree.Logic("and"):
                return self.truth(node.left) and self.truth(node.right)
            case tree.Logic():
                return self.truth(node.left) or self.truth(node.right)
            case tree.Compare():
                a, b = self.value(node.left), self.value(node.right)
                return {"<": a < b, "<=": a <= b, ">": a > b, ">=": a >= b}[node.operator]
            case tree.Inside():
                low, high = self._ends(node.bounds)
                return low <= self.value(node.operand) <= high
        raise TypeError(type(node).__name__)

    def value(self, node: tree.Expression) -> float:
        try:
            return self._value(node)
        except ArithmeticError:
            raise Ends from None

    def _value(self, node: tree.Expression) -> float:
        match node:
            case tree.Number():
                return node.quantity.value
            case tree.Name():
                return next(b[node.id] for b in reversed(self.blocks) if node.id in b)
            case tree.Member():
                port = self.ports[node.base.id]
                volts, amperes = port.reading
                if node.field.id == "level":
                    assert port.programmed is not None
                    return port.programmed[1]
                return {"voltage": volts, "current": amperes, "power": volts * amperes}[
                    node.field.id
                ]
            case tree.Negative():
                return -self._value(node.operand)
            case tree.Binary():
                a, b = self._value(node.left), self._value(node.right)
                match node.operator:
                    case "+":
                        return a + b
                    case "-":
                        return a - b
                    case "*":
                        return a * b
                    case "/":
                        return a / b
            case tree.Call():
                values = [self._value(a.value) for a in node.arguments]
                match node.function.id:
                    case "abs":
                        return abs(values[0])
                    case "min":
                        return min(values)
                    case "max":
                        return max(values)
        raise TypeError(type(node).__name__)


def _within(block: tree.Block) -> Iterator[tree.Step]:
    """All steps of a block, those within others included."""
    for step in block:
        yield step
        match step:
            case tree.If():
                for arm in step.arms:
                    yield from _within(arm.body)
                yield from _within(step.otherwise or ())
            case tree.Every():
                yield from _within(step.body)
                yield from _within(step.otherwise or ())
            case tree.Repeat() | tree.ForIn() | tree.ForCount():
                yield from _within(step.body)
