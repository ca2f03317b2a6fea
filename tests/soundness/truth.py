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
from drivers.kinds import KINDS
from drivers.simulated.circuits.motion import Span
from drivers.simulated.instruments.instrument import SimulatedChannel
from drivers.simulated.instruments.meter import Meter
from drivers.simulated.probe import TrueInterval
from grammar.quantity import Quantity
from sequencer.api import Loaded, perform
from sequencer.checker import Checked
from sequencer.engine import look, runner
from sequencer.engine import run as engine
from sequencer.engine.ending import Ending
from sequencer.engine.port import Port
from tests.soundness.adverse import Errors, make_adverse
from tests.soundness.ways import Ways

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
    as "energy in pulse". A pulse begins and ends with an edge on the way from one level to the
    other ("voltage in edge"), which counts to what it carries. The look and the push before power
    are told apart ("voltage in look"): they are not the recipe's steps.
    """

    def __init__(self, name: str, channel: SimulatedChannel, passive: bool, stores: bool) -> None:
        self.name = name
        self._passive, self._stores = passive, stores
        self.rows = Extremes()
        self.under_power_s = 0.0
        self.looking = self.cut_short = False
        self._channel = channel
        self.levels: tuple[Setpoint, ...] = ()
        """What may be in force: while it is being programmed, the one before and the one after."""
        self._base: tuple[Setpoint, ...] = ()
        self._pulse: float | None = None
        self._ways = Ways(channel)
        self._base_drives = False
        self._in_train = False
        self._whole = {q: [0.0, 0.0] for q in ("energy", "charge")}
        self._sums = {q: [0.0, 0.0] for q in ("energy", "charge")}
        self._last = {"energy": 0.0, "charge": 0.0}
        self._was_on = False
        self._in_pulse = {"energy": [0.0, 0.0], "charge": [0.0, 0.0]}
        self._period: tuple[float, float, float] | None = None
        self.share: float | None = None
        """The next pulse's share of its period, None where it has none."""

    def follow(self, interval: TrueInterval) -> None:
        """One interval between two changes, as the probe tells of it."""
        pulsed, levels = self._pulse is not None, self.levels
        if pulsed and interval.end_s == self._pulse:
            # Nothing of the pulse yet: the state before it.
            pulsed, levels = False, self._base
        way = self._ways.on(interval)
        edge = way is not None and way.of_pulse
        if way is not None:
            pulsed, levels = edge, (*levels, *way.levels)
        duration_s = interval.end_s - interval.begin_s
        self.looking = self.looking and not (self.cut_short and not interval.output)
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
        if interval.output and any(self._at_its_offset(level, interval) for level in levels):
            # The level is no larger than its own error, which may turn it round. A period of a
            # train with such a moment has no mean that is judged.
            self.rows.see("voltage at its offset", *interval.voltage)
            self._period = None
            self._last = {"energy": interval.energy_j, "charge": interval.charge_c}
            return
        moved = {
            "energy": interval.energy_j - self._last["energy"],
            "charge": interval.charge_c - self._last["charge"],
        }
        self._last = {"energy": interval.energy_j, "charge": interval.charge_c}
        amperes, watts = interval.current, interval.power
        brings = self._ways.takes_back(interval, moved["charge"]) if self._stores else 0.0
        if brings:
            low, high = (0.0, math.inf) if brings > 0 else (-math.inf, 0.0)
            amperes = Span(max(amperes.low, low), min(amperes.high, high))
            watts = Span(max(watts.low, 0.0), watts.high)
            moved["energy"] = max(moved["energy"], 0.0)
            moved["charge"] = min(max(moved["charge"], low), high)
        kind = " in edge" if edge else " in pulse" if pulsed else ""
        self.rows.see("voltage" + kind, *interval.voltage)
        self.rows.see("current" + kind, *amperes)
        power = "power"
        if pulsed:
            power = f"power in {'edge' if edge else 'pulse'}" + (" of train" * self._in_train)
        self.rows.see(power, *watts)
        if interval.output:
            for quantity, amount in moved.items():
                self._count(quantity, amount, pulsed and not (edge and self._base_drives))

    def _at_its_offset(self, setpoint: Setpoint, interval: TrueInterval) -> bool:
        """Whether a level or a limit drives what it does by its offset alone: it is no larger.

        What an offset alone drives is left out of the worst case, by its rules: all that a level of
        zero does, and what flows past the level because a limit of zero comes out beyond zero.
        """
        mode, level, low, high = setpoint
        volts = 1.01 * _offset(self._channel._voltage)
        if mode == "voltage":
            return self._passive and abs(level) <= volts
        source = self._channel._current._ranges[self._channel._current._index].source
        over = self._channel.specification.overshoot.current
        room = 1.01 * (abs(level) * source.of_value + source.plus) + over
        # The low limit lets more flow than the level, the high one less.
        more, less = interval.current.high > level + room, interval.current.low < level - room
        at_limit = (abs(low) <= volts and more) or (abs(high) <= volts and less)
        return at_limit or abs(level) <= 1.01 * source.plus

    def _count(self, quantity: str, moved: float, pulsed: bool) -> None:
        whole, since = self._whole[quantity], self._sums[quantity]
        counted = [whole, since] + ([self._in_pulse[quantity]] if pulsed else [])
        for sums in counted:
            sums[0] += max(moved, 0.0)
            sums[1] += min(moved, 0.0)
        self.rows.see(quantity, since[1], since[0])
        self.rows.see(f"{quantity} in all", whole[1], whole[0])
        if pulsed:
            self.rows.see(f"{quantity} in pulse", *reversed(self._in_pulse[quantity]))

    def pulse(self, make: Callable[[Pulse], Reading], pulse: Pulse) -> Reading:
        """Make a pulse, and keep what it carried apart; of a whole period, its mean power."""
        share = self.share
        clock = self._channel._clock
        self._channel.close()
        begin_s, energy_j = clock.now(), self._last["energy"]
        if self._period is not None:
            period_s, before_s, before_j = self._period
            if abs(begin_s - before_s - period_s) < 1e-6 * period_s:
                mean = (energy_j - before_j) / period_s
                self.rows.see("power", mean, mean)
        self._period = (pulse.width_s / share, begin_s, energy_j) if share is not None else None
        self._in_pulse = {"energy": [0.0, 0.0], "charge": [0.0, 0.0]}
        self._pulse, self._in_train = begin_s, share is not None
        before = self._base = self.levels
        assert before
        self.levels = (Setpoint(before[-1].mode, pulse.level, pulse.low, pulse.high),)
        at_top = self.levels[0]
        # What flows on an edge is the base's, too, where that is anything.
        self._base_drives = before[-1].level != 0
        self._ways.begins(begin_s, before[-1], at_top, edge=True)
        self._ways.begins(begin_s + pulse.width_s, at_top, before[-1], edge=True)
        try:
            return make(pulse)
        finally:
            self._pulse = None
            self.levels = before
            self._channel.close()

    def programmed(self, before: Setpoint | None, now: Setpoint) -> None:
        """Another level is in force."""
        self._ways.begins(self._channel._clock.now(), before, now, edge=False)


def _offset(meter: Meter) -> float:
    """The absolute error of a level on the range in force (V or A)."""
    return float(meter._ranges[meter._index].source.plus)


class Ran(NamedTuple):
    """A run that is over: how it ended, how long it took (s), the truth by channel."""

    ending: Ending
    duration_s: float
    channels: dict[str, Truth]
    setpoints: dict[str, list[Setpoint]]


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
    setpoints: dict[str, list[Setpoint]] = {name: [] for name in bench.channels}

    for name, channel in bench.channels.items():
        assert isinstance(channel, SimulatedChannel)
        part = checked.part_on(name)
        kind = None if part is None else KINDS[part.kind]
        truths[name] = Truth(
            name,
            channel,
            passive=kind is None or kind.forces == "nothing",
            stores=kind is not None and kind.energy == "stores",
        )
        _watch(channel, truths[name], setpoints[name])

    with _told_apart(truths):
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
            )
        finally:
            bench.close()
    return Ran(finished.ending, bench.clock.now(), truths, setpoints)


def _watch(channel: SimulatedChannel, truth: Truth, setpoints: list[Setpoint]) -> None:
    """Let a channel's pulses be told apart, and keep what it is programmed to."""
    make, program = channel.pulse, channel.program

    def pulse(given: Pulse) -> Reading:
        return truth.pulse(make, given)

    def keep(setpoint: Setpoint) -> None:
        setpoints.append(setpoint)
        before = truth.levels[-1:]
        truth.levels = (*before, setpoint)
        program(setpoint)
        truth.levels = (setpoint,)
        truth.programmed(before[0] if before else None, setpoint)

    switch = channel.switch

    def switched(on: bool) -> None:
        switch(on)
        if on and truth.levels:
            truth.programmed(None, truth.levels[-1])

    channel.switch = switched  # type: ignore[method-assign]
    channel.pulse = pulse  # type: ignore[method-assign, assignment]
    channel.program = keep  # type: ignore[method-assign]


@contextmanager
def _told_apart(truths: dict[str, Truth]) -> Iterator[None]:
    """Tell a look or a push from what the recipe's steps do, and a train from single pulses."""
    fire = engine.Run.pulse
    looks = look.first_look, look.look_before_on

    def pulse(run: engine.Run, port: Port, given: Pulse, share: float | None, *rest: Any) -> None:
        truths[port.name].share = share
        fire(run, port, given, share, *rest)

    def apart(real: Callable[..., None]) -> Callable[..., None]:
        def looked(port: Port, *given: Any) -> None:
            truth = truths[port.name]
            if port.on:
                real(port, *given)
                return
            truth.looking, truth.cut_short = True, False
            try:
                real(port, *given)
            except BaseException:
                # The push is over when the output is open.
                truth.looking = truth.cut_short = port.on
                raise
            truth.looking = False

        return looked

    with (
        # A full collection before each of many short runs would be a third of their time.
        patch.object(runner, "gc"),
        patch.object(engine, "first_look", apart(looks[0])),
        patch.object(engine.Run, "pulse", pulse),
        patch.object(engine, "look_before_on", apart(looks[1])),
    ):
        yield
