"""A channel on an instrument that speaks SCPI: what the runner asks, said in its dialect.

What the instrument reports by itself, in its error queue or its status, becomes an event where it
explains itself and an InstrumentError where it doesn't. Time is the bench clock's; the module
doesn't know whether that is virtual, nor whether a real instrument answers.
"""

from __future__ import annotations

import math
import re
from bisect import bisect_left
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING, Protocol

from drivers.channel import Acquisition, Event, Identity, Mode, Reading, Setpoint, State
from drivers.clock import Clock
from drivers.faults import BenchFileError, InstrumentError, LinkError
from drivers.scpi.conversation import Conversation, ErrorEntry, Refused, Report
from drivers.scpi.dialect import AnswerError, read_boolean, read_integer, read_number
from drivers.scpi.dialect_file import open_dialect
from drivers.scpi.link import ExchangeLog, open_link
from drivers.scpi.order import OTHER
from drivers.scpi.settings import (
    acquisition_units,
    asked_range,
    compare,
    range_units,
    setpoint_units,
)

if TYPE_CHECKING:
    from drivers.specification import Specification

# What an exchange may take beyond what the instrument itself needs (common practice, no source).
MARGIN_S = 2.0
# A poll asks the instrument when its last full answer is older than this (bench clock); in between,
# the status bits and the error queue that come with every reading tell.
POLL_INTERVAL_S = 1.0
# The event that says "power on" in the standard event register, and the entries that say so, and
# that somebody used the panel (SCPI-1999 volume 2, 21.8, from memory).
_POWER_ON_BIT, _POWER_ON, _USER_REQUEST = 128, -500, -600
_LONGEST_IDENTITY = 200


class Entry(Protocol):
    """What the bench file says of a channel, as far as its link is concerned."""

    @property
    def resource(self) -> str | None:
        """The VISA resource name."""

    @property
    def library(self) -> str | None:
        """The VISA library, None for the system's."""

    @property
    def dialect(self) -> str | None:
        """A shipped dialect's name, or a path."""

    @property
    def identity(self) -> str | None:
        """The pattern that the answer to `*IDN?` must match."""


class ScpiChannel:
    """One instrument behind a link. Make it with `open`."""

    def __init__(
        self,
        name: str,
        specification: Specification,
        conversation: Conversation,
        clock: Clock,
        line_frequency_hz: float,
        identity_pattern: str | None,
    ) -> None:
        self.name = name
        self.specification = specification
        self._talk = conversation
        self._dialect = conversation.dialect
        self._now = clock.now
        self._line_frequency_hz = line_frequency_hz
        self._identity_pattern = identity_pattern
        self._identity: Identity | None = None
        self._echo = 0
        self._events: list[Event] = []
        self._read_since_poll = False
        self._polled_at = -math.inf
        self._was_reset = False
        self._voltage_scales = tuple(r.full_scale for r in specification.voltage_ranges)
        self._current_scales = tuple(r.full_scale for r in specification.current_ranges)
        measure = self._dialect.actions["measure"]
        self._measure_units = measure.send + conversation.error_units
        self._measure_answer = measure.answer + conversation.error_answer
        fields = [field for group in self._measure_answer for field in group]
        self._at_voltage = fields.index("voltage")
        self._at_current = fields.index("current")
        self._at_condition = fields.index("condition")
        self._forget()

    @classmethod
    def open(
        cls,
        name: str,
        entry: Entry,
        specification: Specification,
        clock: Clock,
        line_frequency_hz: float,
        *,
        base: Path | None = None,
        margin_s: float = MARGIN_S,
        on_exchange: ExchangeLog | None = None,
    ) -> ScpiChannel:
        """Open the link, clear it and identify the instrument; nothing else is changed.

        `base` is the folder that a dialect's path starts from, `margin_s` what an exchange may
        take beyond the instrument's own time, `on_exchange` is told of every exchange. Raises
        BenchFileError, LinkError, InstrumentError; the link is then closed again.
        """
        if entry.resource is None or entry.dialect is None:
            missing = "resource" if entry.resource is None else "dialect"
            raise BenchFileError(
                f"channels.{name}: there is no {missing}, which a run needs",
                f"Add {missing} = … to the bench file, or make a dry run.",
            )
        dialect = open_dialect(entry.dialect, base)
        link = open_link(name, entry.resource, entry.library, margin_s, on_exchange)
        try:
            channel = cls(
                name,
                specification,
                Conversation(name, link, dialect, margin_s),
                clock,
                line_frequency_hz,
                entry.identity,
            )
            channel.recover()
        except BaseException:
            link.close()
            raise
        return channel

    @property
    def margin_s(self) -> float:
        """What an exchange may take beyond the instrument's own time; may be set at any time."""
        return self._talk.margin_s

    @margin_s.setter
    def margin_s(self, margin_s: float) -> None:
        self._talk.margin_s = margin_s

    def _forget(self) -> None:
        """Nothing is known any more of what the instrument is set to; its output counts as off."""
        self._on = False
        self._limited = 0.0
        self._mode: Mode | None = None
        self._setpoint: Setpoint | None = None
        self._take(Acquisition(voltage_range=None, current_range=None))

    def _take(self, acquisition: Acquisition) -> None:
        aperture_s = acquisition.aperture_s
        if aperture_s is None:
            aperture_s = (acquisition.aperture_cycles or 0.0) / self._line_frequency_hz
        self._acquisition = acquisition
        self._duration_s = aperture_s * acquisition.average
        self._fix_ranges()

    def _fix_ranges(self) -> None:
        """Note which ranges are in force whatever the reading; None for one that follows it."""
        self._voltage_range = self._fixed_range("voltage", self._voltage_scales)
        self._current_range = self._fixed_range("current", self._current_scales)
        self._limit_bit = 1 << self._dialect.limit_bits[OTHER[self._mode or "voltage"]]

    def _fixed_range(self, quantity: Mode, scales: tuple[float, ...]) -> float | None:
        asked, setpoint = asked_range(self._acquisition, quantity), self._setpoint
        if asked is None and self._on and setpoint is not None and setpoint.mode == quantity:
            asked = abs(setpoint.level)
        return None if asked is None else _holding(scales, asked)

    def identify(self) -> Identity:
        """Who answers; raises InstrumentError where it isn't what the bench file names, or changed.

        The question stands alone: its answer is free text (IEEE 488.2 10.14, from memory).
        """
        text = self._talk.ask_alone("identify")[:_LONGEST_IDENTITY]
        if self._identity_pattern and not re.search(self._identity_pattern, text):
            raise InstrumentError(
                f"{self.name}: “{text}” answers at {self._talk.link.resource}, but the bench file "
                f"expects “{self._identity_pattern}”",
                "Check the address, or the channel's identity in the bench file.",
            )
        parts = [part.strip() for part in text.split(",", 3)]
        identity = Identity(*parts, *[""] * (4 - len(parts)))
        if self._identity is not None and identity != self._identity:
            raise InstrumentError(
                f"{self.name}: “{text}” answers now, where “{','.join(self._identity)}” answered "
                "before",
                "Another instrument has taken its address: check the cabling.",
            )
        self._identity = identity
        return identity

    def reset(self) -> None:
        """To the instrument's reset state with the output off, errors cleared."""
        self._forget()
        report = self._talk.do("clear", "reset", "complete", "read_mode")
        self._judge(report)
        self._mode = self._talk.mode(report.fields["mode"])
        self._was_reset = True
        self._fix_ranges()

    def configure(self, acquisition: Acquisition) -> None:
        """Set aperture, averaging, ranges and sensing."""
        units = range_units(self._dialect, acquisition, self._known_mode()) + acquisition_units(
            self._dialect, self.specification, acquisition, self._line_frequency_hz
        )
        self._judge(self._talk.say(units, "complete"))
        self._take(acquisition)

    def _known_mode(self) -> Mode:
        if self._mode is None:
            report = self._talk.do("read_mode")
            self._judge(report)
            self._mode = self._talk.mode(report.fields["mode"])
        return self._mode

    def program(self, setpoint: Setpoint) -> None:
        """Program mode, level and limit in an order in which no moment between is worse.

        A refusal may come after a part of it was taken: what is programmed is then not known, and
        the next call sends everything.
        """
        units = setpoint_units(self._dialect, self.specification, self._setpoint, setpoint)
        if setpoint.mode != self._mode:
            units += range_units(self._dialect, self._acquisition, setpoint.mode)
        self._setpoint = self._mode = None
        self._was_reset = False
        self._judge(self._talk.say(units, "complete"))
        self._setpoint, self._mode = setpoint, setpoint.mode
        self._fix_ranges()

    def switch(self, on: bool) -> None:
        """Switch the output; raises InstrumentError where the instrument then says otherwise."""
        if on and self._setpoint is None:
            raise InstrumentError(
                f"{self.name}: the output can't go on: neither level nor limit has been programmed",
                "Program both first.",
            )
        busy_s = self.specification.switching_time
        units = self._dialect.units("output", on=on)
        try:
            report = self._talk.say(units, "complete", "read_output", busy_s=busy_s)
        except LinkError:
            if not on:
                # It proves nothing, so this stays an error; but it may well switch off.
                with suppress(LinkError):
                    self._talk.shout(units)
            raise
        self._judge(report)
        if self._talk.read(read_boolean, report.fields["output"]) != on:
            is_now, asked = ("off", "on") if on else ("on", "off")
            raise InstrumentError(
                f"{self.name}: the output was switched {asked}, but the instrument says that it is "
                f"{is_now}",
                "Check its interlock and its protections."
                if on
                else "Use the instrument's own output key, then its mains switch.",
            )
        self._on = on
        self._limited = 0.0
        self._fix_ranges()

    def read_back(self) -> State:
        """What the instrument says of its setpoint, output and ranges (None: follows the reading).

        Raises InstrumentError where the setpoint isn't the programmed one. After a reset there is
        none until something is programmed.
        """
        mode = self._known_mode()
        report = self._talk.do("read_mode", f"read_{mode}_source", "read_output", "read_ranges")
        self._judge(report)
        told, number = report.fields, self._talk.number
        setpoint = Setpoint(
            self._talk.mode(told["mode"]),
            number(told["level"]),
            number(told["low"]),
            number(told["high"]),
        )
        if self._setpoint is not None:
            compare(self.specification, setpoint, self._setpoint)
        return State(
            None if self._was_reset else setpoint,
            self._talk.read(read_boolean, told["output"]),
            None if self._voltage_range is None else number(told["voltage_range"]),
            None if self._current_range is None else number(told["current_range"]),
        )

    def ranges(self) -> tuple[float, float]:
        """The full scales (V, A) that the instrument says are in force now, whoever set them."""
        self._known_mode()
        report = self._talk.do("read_ranges")
        self._judge(report)
        number = self._talk.number
        return number(report.fields["voltage_range"]), number(report.fields["current_range"])

    def measure(self) -> Reading:
        """Take one reading; its time is the middle of the exchange.

        The instrument takes its aperture somewhere between the question and the answer; on a clock
        that the instrument itself moves, the middle is exact.
        """
        start = self._now()
        try:
            fields = self._talk.answers(self._measure_units, self._measure_answer, self._duration_s)
        except Refused as refused:
            self._judge(Report({}, self._talk.all_errors(refused.entry), refused=True))
            raise
        time = 0.5 * (start + self._now())
        try:
            voltage = read_number(fields[self._at_voltage])
            current = read_number(fields[self._at_current])
            condition = read_integer(fields[self._at_condition])
            number = read_integer(fields[-2])
        except AnswerError as error:
            self._talk.nonsense(error)
        if number != 0:
            first = self._talk.entry(fields[-2], fields[-1])
            self._judge(Report({}, self._talk.all_errors(first)))
        if voltage != voltage or current != current:
            raise InstrumentError(
                f"{self.name}: the instrument has no value for its reading (9.91E37 stands for "
                "not a number)",
                "Check its set-up: it was asked for something that it could not measure.",
            )
        self._read_since_poll = True
        limited = 1.0 if condition & self._limit_bit else 0.0
        if limited != self._limited:
            self._note_control(limited, time)
        voltage_range, current_range = self._voltage_range, self._current_range
        if voltage_range is None:
            voltage_range = _holding(self._voltage_scales, abs(voltage))
        if current_range is None:
            current_range = _holding(self._current_scales, abs(current))
        return Reading(time, voltage, current, limited, voltage_range, current_range)

    def _note_control(self, limited: float, time: float) -> None:
        """An event where control passed between level and limit since the last reading."""
        self._limited = limited
        mode = self._mode or "voltage"
        taker = f"{OTHER[mode]} limit" if limited else f"{mode} level"
        kind = "limit" if limited else "level"
        self._events.append(Event(time, kind, f"the {taker} took control", exact=False))

    def poll(self) -> list[Event]:
        """What happened since the last poll.

        The instrument is asked in full only where no reading was taken since, or where that was
        last done longer ago than POLL_INTERVAL_S: in between its error queue, which comes with
        every reading, shows what it did by itself.
        """
        now = self._now()
        if not self._read_since_poll or not now - self._polled_at < POLL_INTERVAL_S:
            self._ask_status()
            self._polled_at = now
        self._read_since_poll = False
        events, self._events = self._events, []
        return events

    def _ask_status(self) -> None:
        report = self._talk.do("read_output", "read_events", "read_condition")
        self._judge(report)
        now, read = self._now(), self._talk.read
        if read(read_integer, report.fields["events"]) & _POWER_ON_BIT:
            self._note_power_cycle(now)
        if self._on and not read(read_boolean, report.fields["output"]):
            self._note_dropped(now, "the output went off by itself")
        limited = 1.0 if read(read_integer, report.fields["condition"]) & self._limit_bit else 0.0
        if self._on and limited != self._limited:
            self._note_control(limited, now)

    def _judge(self, report: Report) -> None:
        """Turn what the instrument reports by itself into events; raise what else it reports.

        An error that comes while the output has gone off by itself is why it did.
        """
        unexplained: list[ErrorEntry] = []
        now = self._now()
        for entry in report.errors:
            if entry.number == _POWER_ON:
                self._note_power_cycle(now)
                # The same event stands in the status register, where a poll would find it again.
                self._talk.do("read_events")
            elif entry.number == _USER_REQUEST:
                self._events.append(Event(now, "panel", entry.text, exact=False))
            else:
                unexplained.append(entry)
        text = ", ".join(map(str, unexplained))
        if unexplained and self._on:
            output = self._talk.do("read_output").fields.get("output", "1")
            if not self._talk.read(read_boolean, output):
                self._note_dropped(now, text)
                unexplained = []
        if unexplained or report.refused:
            raise InstrumentError(
                f"{self.name}: the instrument reports {text or 'nothing that was asked'}",
                "What it was asked for is outside what it can do, or its dialect is another one.",
            )

    def _note_power_cycle(self, time: float) -> None:
        if not (self._events and self._events[-1].kind == "power cycle"):
            self._forget()
            text = "the instrument restarted"
            self._events.append(Event(time, "power cycle", text, exact=False))

    def _note_dropped(self, time: float, text: str) -> None:
        self._on = False
        self._limited = 0.0
        self._fix_ranges()
        self._events.append(Event(time, "dropped", text, exact=False))

    def recover(self) -> None:
        """Clear the link, prove that nothing late is under way, clear errors, identify again.

        Raises LinkError where the link stays dead, InstrumentError where another one answers. An
        instrument that restarted meanwhile shows it, and the next poll tells.
        """
        # Each fence has a number of its own, so that a late echo can't pass for a fresh one.
        self._echo = self._echo % 127 + 1
        self._talk.renew(self._echo, self._duration_s)
        report = self._talk.do("read_events", "clear")
        was_known = self._identity is not None
        self.identify()
        restarted = self._talk.read(read_integer, report.fields.get("events", "0"))
        if was_known and restarted & _POWER_ON_BIT:
            self._note_power_cycle(self._now())

    def close(self) -> None:
        """Let go of the link; the instrument stays as it is."""
        self._talk.link.close()


def _holding(scales: tuple[float, ...], magnitude: float) -> float:
    """The smallest full scale that holds a magnitude, the largest where none does."""
    index = bisect_left(scales, magnitude)
    return scales[index] if index < len(scales) else scales[-1]
