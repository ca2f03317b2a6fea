"""What truly happens at the terminals of one run, sorted by the rows that it is judged by.

A run in process, in virtual time, with its guards at work. Extremes come from the probe, which
follows the circuit at all times; which of them belong to pulses, from the channel. Knows nothing of
how the worst case is worked out.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, NamedTuple
from unittest.mock import patch

from drivers.bench import open_simulated
from drivers.bench_file import BenchFile
from drivers.channel import Pulse, Reading, Setpoint
from drivers.simulated.instrument import SimulatedChannel
from drivers.simulated.probe import TrueInterval
from grammar import tree
from grammar.quantity import Quantity
from sequencer.api import Loaded, perform
from sequencer.checker import Checked
from sequencer.checker.scope import steps_of
from sequencer.engine import run as engine
from sequencer.engine.ending import Ending
from sequencer.engine.port import Port
from sequencer.engine.runner import Runner
from tests.soundness.adverse import Errors, make_adverse

Amounts = tuple[float, float]
"""What went in and what came out, neither negative (J or C)."""


class Extremes(dict[str, tuple[float, float]]):
    """The lowest and the highest of each row."""

    def see(self, row: str, low: float, high: float) -> None:
        """Values that were met of a row."""
        known = self.get(row, (math.inf, -math.inf))
        self[row] = min(known[0], low), max(known[1], high)


class Truth:
    """The true quantities of one channel, as they come.

    `rows` has the extremes of voltage, current and power, those of pulses as "voltage in pulse" and
    so on, and the mean power of each whole period of a train as "power"; energy and charge since
    the output went on and in all, both ways, as "energy" and "energy in all"; those of each pulse
    as "energy in pulse". The look and the push before power are told apart ("voltage in look"):
    they are not the recipe's steps.
    """

    def __init__(self, name: str, channel: SimulatedChannel) -> None:
        self.name = name
        self.rows = Extremes()
        self.under_power_s = 0.0
        self.looking = False
        self._channel = channel
        self._pulse: float | None = None
        self._in_train = False
        self._whole = {q: [0.0, 0.0] for q in ("energy", "charge")}
        self._sums = {q: [0.0, 0.0] for q in ("energy", "charge")}
        self._last = {"energy": 0.0, "charge": 0.0}
        self._was_on = False
        self._in_pulse = {"energy": [0.0, 0.0], "charge": [0.0, 0.0]}
        self._period: tuple[object, float, float] | None = None

    def follow(self, interval: TrueInterval) -> None:
        """One interval between two changes, as the probe tells of it."""
        pulsed = self._pulse is not None
        if pulsed and interval.end_s == self._pulse:
            # Nothing of the pulse yet: the state before it.
            pulsed = False
        duration_s = interval.end_s - interval.begin_s
        if self.looking:
            for quantity in ("voltage", "current", "power"):
                self.rows.see(f"{quantity} in look", *getattr(interval, quantity))
            self._last = {"energy": interval.energy_j, "charge": interval.charge_c}
            return
        if interval.output:
            self.under_power_s += duration_s
        if interval.output and not self._was_on:
            self._sums = {q: [0.0, 0.0] for q in ("energy", "charge")}
        self._was_on = interval.output
        kind = " in pulse" if pulsed else ""
        self.rows.see("voltage" + kind, *interval.voltage)
        self.rows.see("current" + kind, *interval.current)
        power = "power"
        if pulsed:
            power = "power in train" if self._in_train else "power in pulse"
        self.rows.see(power, *interval.power)
        for quantity, total in (("energy", interval.energy_j), ("charge", interval.charge_c)):
            moved = total - self._last[quantity]
            self._last[quantity] = total
            if interval.output:
                self._count(quantity, moved, pulsed)

    def _count(self, quantity: str, moved: float, pulsed: bool) -> None:
        whole, since = self._whole[quantity], self._sums[quantity]
        counted = [whole, since] + ([self._in_pulse[quantity]] if pulsed else [])
        for sums in counted:
            sums[0] += max(moved, 0.0)
            sums[1] += min(moved, 0.0)
        self.rows.see(quantity, since[1], since[0])
        self.rows.see(f"{quantity} in all", whole[1], whole[0])

    def pulse(self, make: Callable[[Pulse], Reading], pulse: Pulse, step: Step) -> Reading:
        """Make a pulse, and keep what it carried apart."""
        clock = self._channel._clock
        self._channel.close()
        begin_s, energy_j = clock.now(), self._last["energy"]
        if self._period is not None and self._period[0] == step.execution:
            _, before_s, before_j = self._period
            mean = (energy_j - before_j) / (begin_s - before_s)
            self.rows.see("power", mean, mean)
        self._period = (step.execution, begin_s, energy_j)
        self._in_pulse = {"energy": [0.0, 0.0], "charge": [0.0, 0.0]}
        self._pulse, self._in_train = begin_s, step.in_train
        try:
            return make(pulse)
        finally:
            self._pulse = None
            self._channel.close()
            for quantity, (into, out) in self._in_pulse.items():
                self.rows.see(f"{quantity} in pulse", out, into)


class Step(NamedTuple):
    """The step that makes a pulse: which time it is that a step runs, and whether it is a train."""

    execution: object
    in_train: bool


class Ran(NamedTuple):
    """A run that is over: how it ended, how long it took (s), the truth by channel."""

    ending: Ending
    duration_s: float
    channels: dict[str, Truth]
    setpoints: dict[str, list[Setpoint]]


def trains_of(checked: Checked) -> frozenset[int]:
    """The lines whose pulses have a period."""
    return frozenset(
        step.span.line
        for step in steps_of(checked.recipe.steps + checked.recipe.final)
        if (isinstance(step, tree.PulseStep) and step.period is not None)
        or (isinstance(step, tree.Sweep) and step.pulsed)
    )


def run(
    loaded: Loaded,
    checked: Checked,
    file: BenchFile,
    errors: Errors,
    answers: dict[str, Quantity],
    store: Path,
) -> Ran:
    """Run a checked recipe on the bench, every instrument off by what its specification admits."""
    truths: dict[str, Truth] = {}

    def follow(interval: TrueInterval) -> None:
        truth = truths.get(interval.channel)
        if truth is not None:
            truth.follow(interval)

    channels = [channel.name.id for channel in checked.recipe.channels]
    lines = [name for name in checked.digital if name in file.digital]
    bench = open_simulated(file, channels=channels, lines=lines, seed=errors.seed, probe=follow)
    make_adverse(bench, errors)
    runners: list[Runner] = []
    trains = trains_of(checked)
    setpoints: dict[str, list[Setpoint]] = {name: [] for name in bench.channels}

    def step() -> Step:
        run = runners[0].run
        return Step((run.line, run.executed), run.line in trains)

    for name, channel in bench.channels.items():
        assert isinstance(channel, SimulatedChannel)
        truths[name] = Truth(name, channel)
        _watch(channel, truths[name], setpoints[name], step)

    def runner_of(*given: object, **named: object) -> Runner:
        runners.append(Runner(*given, **named))  # type: ignore[arg-type]
        return runners[0]

    with _looks_apart(truths):
        try:
            finished = perform(
                loaded,
                checked,
                bench,
                mode="dry run",
                seed=errors.seed,
                store=store,
                tell=lambda words: None,
                answers=answers,
                runner_of=runner_of,
            )
        finally:
            bench.close()
    return Ran(finished.ending, bench.clock.now(), truths, setpoints)


def _watch(
    channel: SimulatedChannel,
    truth: Truth,
    setpoints: list[Setpoint],
    step: Callable[[], Step],
) -> None:
    """Let a channel's pulses be told apart, and keep what it is programmed to."""
    make, program = channel.pulse, channel.program

    def pulse(given: Pulse) -> Reading:
        return truth.pulse(make, given, step())

    def keep(setpoint: Setpoint) -> None:
        setpoints.append(setpoint)
        program(setpoint)

    channel.pulse = pulse  # type: ignore[method-assign]
    channel.program = keep  # type: ignore[method-assign]





@contextmanager
def _looks_apart(truths: dict[str, Truth]) -> Iterator[None]:
    """Tell what happens in a look or a push from what the recipe's steps do."""

    def apart(look: Callable[..., None]) -> Callable[..., None]:
        def looked(port: Port, *given: Any) -> None:
            truth = truths[port.name]
            if port.on:
                look(port, *given)
                return
            truth.looking = True
            try:
                look(port, *given)
            finally:
                truth.looking = False

        return looked

    with (
        patch.object(engine, "first_look", apart(engine.first_look)),
        patch.object(engine, "look_before_on", apart(engine.look_before_on)),
    ):
        yield
