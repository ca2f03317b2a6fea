"""The SCPI front of a simulated instrument: messages in, answers out, the panel in between.

On the wire, level and limit, range and aperture are commands of their own; a channel takes them
together. The front keeps what the panel shows and hands each change to the channel, which judges
it. The front knows no physics and no link, and doesn't know whether time is virtual.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import TypeVar

from drivers.channel import Acquisition, Channel, Event, Mode, Setpoint, State
from drivers.faults import InstrumentError
from drivers.simulated.served.scpi_commands import OTHER, commands
from drivers.simulated.served.scpi_message import ScpiError, units
from drivers.simulated.served.scpi_parameters import Deed, written
from drivers.simulated.served.scpi_status import Status
from drivers.simulated.served.scpi_tree import Tree

Value = TypeVar("Value")

# STATus:QUEStionable: the bit of the quantity whose limit is in control.
_LIMIT_BITS: dict[Mode, int] = {"voltage": 1, "current": 2}
# What the limits are at reset, as a part of the largest: enough to see a part, too little to harm.
_RESET_LIMIT = 0.01
# Messages that are sent again and again are taken apart once; more than these are not kept.
_MOST_KEPT = 512
_LONGEST_KEPT = 1000
_FALSE_READ_BACK = 1.25


@dataclass
class Panel:
    """What an instrument shows on its panel; quantities by name, in SI; None is automatic."""

    high: dict[Mode, float]
    low: dict[Mode, float]
    mode: Mode = "voltage"
    level: dict[Mode, float] = field(default_factory=lambda: {"voltage": 0.0, "current": 0.0})
    source_range: dict[Mode, float | None] = field(
        default_factory=lambda: {"voltage": None, "current": None}
    )
    measure_range: dict[Mode, float | None] = field(
        default_factory=lambda: {"voltage": None, "current": None}
    )
    aperture_cycles: float | None = 1.0
    aperture_s: float | None = None
    count: int = 1
    averaging: bool = False
    remote_sense: bool = False

    def copy(self) -> Panel:
        """A panel of its own."""
        return replace(
            self,
            high=dict(self.high),
            low=dict(self.low),
            level=dict(self.level),
            source_range=dict(self.source_range),
            measure_range=dict(self.measure_range),
        )

    def setpoint(self) -> Setpoint:
        """What the source is asked for."""
        other = OTHER[self.mode]
        return Setpoint(self.mode, self.level[self.mode], self.low[other], self.high[other])

    def acquisition(self) -> Acquisition:
        """How the channel is to measure; the forced quantity's range is the source's."""
        ranges = self.measure_range | {self.mode: self.source_range[self.mode]}
        return Acquisition(
            ranges["voltage"],
            ranges["current"],
            self.aperture_s,
            self.aperture_cycles,
            self.count if self.averaging else 1,
            self.remote_sense,
        )


class Front:
    """One simulated channel as a SCPI instrument.

    `stuck_output` and `false_read_back` make it misbehave as a broken instrument would.
    """

    def __init__(self, channel: Channel, line_frequency_hz: float) -> None:
        self.channel = channel
        self.status = Status()
        self.on = False
        self.stuck_output = False
        self.false_read_back = False
        self.identity = ",".join(channel.identify())
        self.panel = self._reset_panel()
        self._line_frequency_hz = line_frequency_hz
        self._programmed = False
        self._last_reading: str | None = None
        self._tree = Tree(commands(self))
        self._kept: dict[str, list[Deed | ScpiError]] = {}

    def handle(self, message: str) -> str | None:
        """Do one program message; its answers joined by semicolons, None where nothing was asked.

        A command error ends the message: what follows can't be trusted to be meant (IEEE 488.2
        6.1, from memory). An execution error ends only its own unit.
        """
        self._collect()
        answers = []
        for deed in self._kept.get(message) or self._taken_apart(message):
            if isinstance(deed, ScpiError):
                self.status.report(deed)
                break
            try:
                answer = deed()
            except ScpiError as error:
                self.status.report(error)
                continue
            if answer is not None:
                answers.append(answer)
        return ";".join(answers) if answers else None

    def _taken_apart(self, message: str) -> list[Deed | ScpiError]:
        deeds: list[Deed | ScpiError] = []
        try:
            for unit in units(message):
                deeds.append(self._tree.find(unit)(unit))
        except ScpiError as error:
            deeds.append(error)
        if len(message) <= _LONGEST_KEPT:
            if len(self._kept) >= _MOST_KEPT:
                self._kept.clear()
            self._kept[message] = deeds
        return deeds

    def _collect(self) -> None:
        for event in self.channel.poll():
            self._notice(event)

    def _notice(self, event: Event) -> None:
        """What the instrument did by itself, put where its status system shows it."""
        if event.kind == "power cycle":
            self.panel = self._reset_panel()
            self._last_reading = None
            self._show(self.channel.read_back())
            self.status.power_on()
            self.status.report(ScpiError(-500))
        elif event.kind == "panel":
            self.status.report(ScpiError(-600, event.text))
        elif event.kind in ("dropped", "damage"):
            self.on = self.on and event.kind != "dropped"
            self.status.report(ScpiError(-240, event.text))

    def _show(self, state: State) -> None:
        """Let the panel show what an instrument that restores its last state came back with."""
        self.on = state.output
        self._programmed = state.setpoint is not None
        if state.setpoint is not None:
            mode, level, low, high = state.setpoint
            self.panel.mode = mode
            self.panel.level[mode] = level
            self.panel.low[OTHER[mode]], self.panel.high[OTHER[mode]] = low, high

    def _reset_panel(self) -> Panel:
        specification = self.channel.specification
        high: dict[Mode, float] = {
            "voltage": _RESET_LIMIT * specification.largest_voltage,
            "current": _RESET_LIMIT * specification.largest_current,
        }
        return Panel(high, {quantity: -value for quantity, value in high.items()})

    def reset(self) -> None:
        """The output off and the panel as new; the status system stays as it is."""
        if not (self.stuck_output and self.on):
            self.channel.reset()
            self.on = False
        self._programmed = False
        self._last_reading = None
        self.status.questionable.update(0)
        self.panel = self._reset_panel()

    def edit(self, edit: Callable[[Panel, Value], None], value: Value) -> None:
        """Change the panel and hand it to the channel. A refusal leaves all as it was."""
        panel = self.panel.copy()
        edit(panel, value)
        try:
            if panel.acquisition() != self.panel.acquisition():
                self.channel.configure(panel.acquisition())
            if panel.setpoint() != self.panel.setpoint() or not self._programmed:
                self.channel.program(panel.setpoint())
                self._programmed = True
        except InstrumentError as error:
            self.channel.configure(self.panel.acquisition())
            raise ScpiError(-222, error.message) from None
        self.panel = panel

    def switch(self, on: bool) -> None:
        """Switch the output, with what the panel shows."""
        if self.stuck_output:
            return
        try:
            if on and not self._programmed:
                self.channel.program(self.panel.setpoint())
                self._programmed = True
            self.channel.switch(on)
        except InstrumentError as error:
            raise ScpiError(-221, error.message) from None
        self.on = on
        if not on:
            self.status.questionable.update(0)

    def read(self) -> str:
        """The voltage and the current of a new reading; not-a-number where none could be taken.

        Afterwards the questionable condition says whether the limit was in control meanwhile.
        """
        try:
            reading = self.channel.measure()
        except InstrumentError as error:
            self._last_reading = None
            self.status.report(ScpiError(-221, error.message))
            return "9.91E37,9.91E37"
        limit_bit = _LIMIT_BITS[OTHER[self.panel.mode]]
        self.status.questionable.update(limit_bit if reading.limited else 0)
        self._last_reading = f"{written(reading.voltage)},{written(reading.current)}"
        self._collect()
        return self._last_reading

    def fetch(self) -> str:
        """The last reading once more."""
        if self._last_reading is None:
            raise ScpiError(-230)
        return self._last_reading

    def level(self, quantity: Mode) -> float:
        """A level as the panel shows it."""
        return self.panel.level[quantity] * (_FALSE_READ_BACK if self.false_read_back else 1.0)

    def expect_two_sided(self) -> None:
        """Refuse one side of a limit where the instrument has but a symmetric one."""
        if not self.channel.specification.can("two-sided limit"):
            raise ScpiError(-241, "this instrument has a symmetric limit only")

    def largest(self, quantity: Mode) -> float:
        """The largest full scale (V or A)."""
        specification = self.channel.specification
        if quantity == "voltage":
            return specification.voltage_ranges[-1].full_scale
        return specification.current_ranges[-1].full_scale

    def most(self, quantity: Mode) -> float:
        """The most that can be sourced (V or A): the ranges may reach further than the output."""
        specification = self.channel.specification
        if quantity == "voltage":
            return min(specification.largest_voltage, self.largest(quantity))
        return min(specification.largest_current, self.largest(quantity))

    def full_scale(self, quantity: Mode, value: float) -> float:
        """The full scale of the smallest range that holds a value (V or A)."""
        specification = self.channel.specification
        if quantity == "voltage":
            voltage_range = specification.voltage_range(abs(value))
            return self.largest(quantity) if voltage_range is None else voltage_range.full_scale
        current_range = specification.current_range(abs(value))
        return self.largest(quantity) if current_range is None else current_range.full_scale

    def range_in_force(self, quantity: Mode) -> float:
        """The range of a quantity as the channel itself tells it; the largest where it doesn't."""
        state = self.channel.read_back()
        now = state.voltage_range if quantity == "voltage" else state.current_range
        return self.largest(quantity) if now is None else now

    def aperture_s(self) -> float:
        """The aperture in seconds, however it was given."""
        if self.panel.aperture_s is not None:
            return self.panel.aperture_s
        return (self.panel.aperture_cycles or 0.0) / self._line_frequency_hz

    def aperture_cycles(self) -> float:
        """The aperture in power line cycles, however it was given."""
        return self.aperture_s() * self._line_frequency_hz
