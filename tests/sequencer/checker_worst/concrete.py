"""One run of a recipe on an ideal source and a part that does its worst: the judge of the analysis.

Written from the rules of the language alone, it shares no code with the analysis or the engine but
the tree. Dice decide about settings, lines, the person and all else that is open.
"""

from __future__ import annotations

import math
import random
from collections.abc import Callable, Iterator, Sequence
from contextlib import suppress

from grammar import tree
from sequencer.checker.facts import Checked
from tests.sequencer.checker_worst.adversary import CYCLE_S, Bench, Ends, Setpoint
from tests.sequencer.checker_worst.concrete_values import Values

WAITING = (
    *(tree.Wait, tree.Every, tree.Repeat, tree.ForIn, tree.ForCount, tree.Settle, tree.WaitFor),
    *(tree.Sweep, tree.Ramp, tree.PulseStep, tree.CaptureStep, tree.Ask, tree.ConfirmStep),
)
"""What loops or waits, so that a tick that it misses is skipped and not late."""


class Left(Exception):
    """A loop is left."""


class Run:
    """One run of a checked recipe."""

    def __init__(self, checked: Checked, dice: random.Random) -> None:
        self.checked = checked
        self.dice = dice
        self.bench = Bench(checked, dice)
        self.values = Values(self.bench)
        self.ports = self.bench.ports

    def execute(self) -> bool:
        """The whole run with `finally`; False where no settings meet what is required."""
        values, recipe = self.values, self.checked.recipe
        for _ in range(30):
            values.blocks = [{n: self._setting(n) for n in self.checked.settings}]
            if all(values.truth(r.condition) for r in recipe.requires):
                break
        else:
            return False
        for block in (recipe.steps, recipe.final):
            with suppress(Ends, Left):
                self.block(block)
            for name in self.ports:
                self.bench.switch_off(name)
            del values.blocks[1:]
            self.bench.final = True
        return True

    def _setting(self, name: str) -> float:
        facts = self.checked.settings[name]
        if facts.low is None or facts.high is None:
            return facts.value
        return self.bench.between(facts.low, facts.high)

    def block(self, block: tree.Block) -> None:
        """The steps of a block."""
        self.values.blocks.append({})
        for step in block:
            self.step(step)
        self.values.blocks.pop()

    def step(self, node: tree.Step) -> None:
        """One step."""
        known = self.values.known
        match node:
            case tree.Setup():
                self._setup(node)
            case tree.SourceStep():
                assert node.limit is not None
                level = known(node.level)
                self._source(
                    node.channel.id,
                    (node.mode, level, *self.values.limit(node.limit, node.mode)),
                )
            case tree.Output() if node.on:
                self.bench.switch_on(node.channel.id, id(node))
            case tree.Output():
                self.bench.switch_off(node.channel.id)
            case tree.Measure():
                self._measure(node.channels, node.into)
            case tree.Wait():
                self.bench.spend(known(node.duration))
            case tree.Every():
                until = node.until
                self._grid(
                    node,
                    lambda: self.block(node.body),
                    (lambda: self.values.truth(until)) if until is not None else None,
                )
            case tree.Repeat():
                assert node.count is not None
                self._turns(node.body, None, iter([0.0] * round(known(node.count))))
            case tree.ForIn():
                self._turns(node.body, node.name.id, iter(self.values.series(node.values)))
            case tree.ForCount():
                first, last = round(known(node.first)), round(known(node.last))
                self._turns(node.body, node.name.id, map(float, range(first, last + 1)))
            case tree.If():
                self._if(node)
            case tree.Called():
                self.block(node.body)
            case tree.Let():
                self.values.blocks[-1][node.name.id] = self.values.value(node.value)
            case tree.Set():
                blocks = reversed(self.values.blocks)
                scope = next(b for b in blocks if node.name.id in b)
                scope[node.name.id] = self.values.value(node.value)
            case tree.Leave():
                raise Left
            case tree.Stop() | tree.Fail():
                raise Ends
            case tree.Switch() | tree.Say() | tree.Note() | tree.Reset():
                pass
            case _:
                self._longer(node)

    def _longer(self, node: tree.Step) -> None:
        match node:
            case tree.Sweep():
                self._sweep(node)
            case tree.Ramp():
                self._ramp(node)
            case tree.PulseStep():
                self._pulses(node)
            case tree.CaptureStep():
                self._capture(node)
            case tree.Settle():
                self._settle(node)
            case tree.WaitFor():
                self._wait_for(node)
            case tree.Ask():
                self._person()
                if node.into is not None:
                    assert node.bounds is not None
                    low, high = self.values.ends(node.bounds)
                    if not low <= high:
                        raise Ends
                    self.values.blocks[-1][node.into.id] = self.bench.between(low, high)
            case tree.ConfirmStep():
                self._person()
                if self.dice.random() < 0.3:
                    raise Ends
            case _:
                raise TypeError(type(node).__name__)

    def _person(self) -> None:
        self.bench.spend(self.dice.choice([0.0, 1.0, 1e4]), counted=False)

    def _setup(self, node: tree.Setup) -> None:
        port = self.ports[node.channel.id]
        for item in node.items:
            value = self.values.known(item.value)
            if item.name.id == "aperture":
                cycles = bool(self.checked.dimensions[id(item.value)].line_cycles)
                port.aperture_s = value * (CYCLE_S if cycles else 1.0)
            elif item.name.id == "average":
                port.average = value

    def _source(self, name: str, setpoint: Setpoint) -> None:
        port = self.ports[name]
        before = port.programmed
        port.sourced = setpoint
        if port.on and before is not None and before[0] != setpoint[0]:
            port.programmed = setpoint
            self.bench.look(port, True)
        self.bench.program(port, setpoint)

    # Readings

    def _measure(self, names: Sequence[tree.Name], into: tree.Name | None) -> None:
        for name in names:
            port = self.ports[name.id]
            self.bench.spend(port.aperture_s * port.average)
            self.bench.take(port)
            self._guards(name.id)
        self._row(names, into)

    def _guards(self, channel: str) -> None:
        """The recipe's own guards, as far as their readings are there."""
        for guard in self.checked.recipe.guards:
            named = list(_members(guard.condition))
            ready = all(n.field.id in self.ports[n.base.id].reading for n in named)
            about = any(n.base.id == channel for n in named)
            if about and ready and not self.bench.final and not self.values.truth(guard.condition):
                raise Ends

    def _row(self, names: Sequence[tree.Name], into: tree.Name | None) -> None:
        if into is None:
            return
        row = {}
        for name in names:
            for quantity, value in self.ports[name.id].reading.items():
                row[f"{name.id}.{quantity}"] = value
                row.setdefault(quantity, value)
        self.values.traces.setdefault(into.id, []).append((self.bench.now, row))

    # Loops

    def _grid(
        self,
        node: tree.Every | tree.Settle,
        body: Callable[[], None],
        until: Callable[[], bool] | None,
    ) -> None:
        """A body on a time grid."""
        longest = node.at_most
        if isinstance(node, tree.Every) and node.duration is not None:
            longest = node.duration
        assert node.period is not None
        assert longest is not None
        period, duration = self.values.known(node.period), self.values.known(longest)
        if not period > 0:
            raise Ends
        steps = node.body if isinstance(node, tree.Every) else ()
        skips = any(_waits(step) for step in _within(steps))
        bench, start, k = self.bench, self.bench.now, 0
        last = math.floor(duration / period * (1 + 1e-12))
        depth = len(self.values.blocks)
        try:
            while True:
                body()
                if until is not None and until():
                    return
                k += 1
                if skips:
                    k = max(k, math.ceil((bench.now - start) / period - 1e-9))
                if k > last:
                    break
                bench.spend(start + k * period - bench.now)
        except Left:
            del self.values.blocks[depth:]
            return
        if until is None:
            bench.spend(start + duration - bench.now)
        elif node.otherwise is None:
            raise Ends
        else:
            self.block(node.otherwise)

    def _settle(self, node: tree.Settle) -> None:
        assert node.period is not None
        name = node.reading.base
        periods = self.values.known(node.window) / self.values.known(node.period)
        full = max(2, math.ceil(periods * (1 - 1e-12)) + 1)
        read: list[float] = []

        def settled() -> bool:
            read.append(self.values.value(node.reading))
            window = read[-full:]
            band = self.values.value(node.band)
            return len(window) == full and max(window) - min(window) <= band

        self._grid(node, lambda: self._measure([name], node.into), settled)

    def _turns(self, body: tree.Block, name: str | None, values: Iterator[float]) -> None:
        blocks = self.values.blocks
        depth = len(blocks)
        try:
            for value in values:
                blocks.append({} if name is None else {name: value})
                self.block(body)
                blocks.pop()
        except Left:
            del blocks[depth:]

    def _if(self, node: tree.If) -> None:
        for arm in node.arms:
            if isinstance(arm.condition, tree.Confirm):
                self._person()
                holds = self.dice.random() < 0.5
            else:
                holds = self.values.truth(arm.condition)
            if holds:
                self.block(arm.body)
                return
        self.block(node.otherwise or ())

    def _wait_for(self, node: tree.WaitFor) -> None:
        assert node.at_most is not None
        longest = self.values.known(node.at_most)
        if self.dice.random() < 0.5:
            self.bench.spend(longest * self.dice.random())
            return
        self.bench.spend(longest)
        if node.otherwise is None:
            raise Ends
        self.block(node.otherwise)

    # Series of levels

    def _limits(self, node: tree.Sweep | tree.PulseStep) -> tuple[float, float]:
        """The limit that a step names, or that of the last source."""
        sourced = self.ports[node.channel.id].sourced
        assert sourced is not None
        if node.limit is None:
            return sourced[2], sourced[3]
        return self.values.limit(node.limit, node.mode)

    def _sweep(self, node: tree.Sweep) -> None:
        known = self.values.known
        low, high = self._limits(node)
        first, last, count = known(node.first), known(node.last), round(known(node.points))
        levels = self.values.levels(first, last, count, node.logarithmic)
        if node.pulsed:
            assert node.width is not None
            assert node.period is not None
            setpoints = [(node.mode, level, low, high) for level in levels]
            self._train(node, setpoints, known(node.width), known(node.period), node.until)
            return
        port = self.ports[node.channel.id]
        for level in levels:
            self.bench.program(port, (node.mode, level, low, high))
            if node.settle is not None:
                self.bench.spend(known(node.settle))
            self._measure((node.channel, *node.reading), node.into)
            if node.until is not None and self.values.truth(node.until):
                break

    def _ramp(self, node: tree.Ramp) -> None:
        known, bench = self.values.known, self.bench
        port = self.ports[node.channel.id]
        assert port.programmed is not None
        assert port.sourced is not None
        first, last, start = port.programmed[1], known(node.level), bench.now
        way = abs(last - first)
        if node.duration is not None:
            duration = known(node.duration)
        else:
            assert node.rate is not None
            rate = known(node.rate)
            if not rate > 0:
                raise Ends
            duration = way / rate
        size = known(node.step) if node.step is not None else None
        if size is not None and not size > 0:
            raise Ends
        count = max(1, math.ceil((duration / 0.1 if size is None else way / size) * (1 - 1e-12)))
        if size is None:
            size = way / count
        for k in range(1, count + 1):
            share = min(1.0, k * size / way) if way else k / count
            bench.spend(start + duration * share - bench.now)
            level = first + (last - first) * share if k < count else last
            bench.program(port, (node.mode, level, *port.sourced[2:]))
            self._measure((node.channel, *node.reading), node.into)
            if node.until is not None and self.values.truth(node.until):
                break

    def _pulses(self, node: tree.PulseStep) -> None:
        known = self.values.known
        assert node.width is not None
        low, high = self._limits(node)
        setpoint = (node.mode, known(node.level), low, high)
        width = known(node.width)
        period = known(node.period) if node.period is not None else None
        count = round(known(node.count)) if node.count is not None else 1
        if node.countdown is not None:
            self.bench.spend(known(node.countdown))
        self._train(node, [setpoint] * count, width, period, None)

    def _train(
        self,
        node: tree.PulseStep | tree.Sweep,
        setpoints: Sequence[Setpoint],
        width: float,
        period: float | None,
        until: tree.Expression | None,
    ) -> None:
        """Pulses from what is programmed, each with its period."""
        if not width > 0 or (period is not None and width > period):
            raise Ends
        port = self.ports[node.channel.id]
        for setpoint in setpoints:
            self.bench.pulse(port, setpoint, width, period)
            self._guards(node.channel.id)
            self._row((node.channel,), node.into)
            if until is not None and self.values.truth(until):
                break

    def _capture(self, node: tree.CaptureStep) -> None:
        """It ends when its steps and its record have ended."""
        bench, port = self.bench, self.ports[node.channel.id]
        duration, began = self.values.known(node.duration), bench.now
        depth = len(self.values.blocks)
        try:
            self.block(node.body)
        except Left:
            del self.values.blocks[depth:]
        if node.trigger is None:
            bench.spend(began + duration - bench.now)
        elif self.dice.random() < 0.5:
            return
        else:
            before = self.values.known(node.before) if node.before is not None else 0.0
            met = bench.between(began, bench.now)
            bench.spend(met + duration - before - bench.now)
        bench.take(port, guarded=False)


def _waits(step: tree.Step) -> bool:
    if isinstance(step, tree.If):
        return any(isinstance(arm.condition, tree.Confirm) for arm in step.arms)
    return isinstance(step, WAITING)


def _within(block: tree.Block) -> Iterator[tree.Step]:
    """All steps of a block, those within others included."""
    for step in block:
        yield step
        for arm in getattr(step, "arms", ()):
            yield from _within(arm.body)
        yield from _within(getattr(step, "body", ()))
        yield from _within(getattr(step, "otherwise", None) or ())


def _members(node: object) -> Iterator[tree.Member]:
    if isinstance(node, tree.Member):
        yield node
    elif isinstance(node, tree.Node):
        for value in vars(node).values():
            yield from _members(value)
