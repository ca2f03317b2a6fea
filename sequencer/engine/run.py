"""The run's own acts: outputs and lines that are switched, levels programmed, what is told.

Steps ask a `Run` for everything that spends time, switches or records. It knows ports, lines, the
bench's clock and the record; whether any of it is real or simulated it can't tell.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from typing import TYPE_CHECKING

from drivers.channel import Acquisition, Event, Pulse, Setpoint
from drivers.kinds import SETTLED_AT_ZERO_S
from sequencer.engine.asking import Asker, Questions
from sequencer.engine.ending import Failed
from sequencer.engine.lines import STATES, Lines
from sequencer.engine.look import first_look, look_before_on
from sequencer.engine.pace import LONGEST_EXCHANGE_S, Beat, Pace, Person
from sequencer.engine.pulsing import fire
from sequencer.engine.setpoints import refuse_beyond_rating, same, way_down, words

if TYPE_CHECKING:
    from drivers.clock import Clock
    from grammar.quantity import Quantity
    from sequencer.engine.port import Port
    from sequencer.record import RunWriter

__all__ = ["Beat", "Person", "Run"]


class Run(Pace):
    """One run from its first step to its last. Times are seconds from the run's start."""

    def __init__(
        self,
        clock: Clock,
        record: RunWriter,
        memory: list[float],
        ports: Mapping[str, Port],
        *,
        tell: Callable[[str], None],
        person: Person,
        beat: Beat | None,
        real_time: bool,
        remote_sense: Mapping[str, bool],
        can_switch_mode: Mapping[str, bool],
        lines: Lines,
        asker: Asker | None = None,
        answers: Mapping[str, Quantity] | None = None,
    ) -> None:
        super().__init__(clock, record, ports, person=person, beat=beat, real_time=real_time)
        self.memory = memory
        self.lines = lines
        self.questions = Questions(self, asker, answers or {})
        self.sourced: dict[str, Setpoint] = {}
        self.line = 0
        self.tell = tell
        self._remote_sense = remote_sense
        self._can_switch_mode = can_switch_mode
        self._looked: set[str] = set()
        self._named: dict[str, dict[str, float | None]] = defaultdict(dict)

    # Channels

    def configure(self, port: Port, given: Mapping[str, float | None]) -> None:
        """Set aperture, averaging and ranges as a `setup` names them."""
        named = self._named[port.name]
        if "aperture" in given or "aperture cycles" in given:
            # One aperture, in either unit: the newest.
            named.pop("aperture", None)
            named.pop("aperture cycles", None)
        named.update(given)
        self._apply(port, port.acquisition.voltage_range, port.acquisition.current_range)

    def _apply(self, port: Port, volts: float | None, amperes: float | None) -> None:
        named = self._named[port.name]
        specification = port.channel.specification
        if not port.on:
            if "voltage range" in named:
                volts = _scale(specification.voltage_range, named["voltage range"])
            if "current range" in named:
                amperes = _scale(specification.current_range, named["current range"])
        seconds, cycles = named.get("aperture"), named.get("aperture cycles")
        acquisition = Acquisition(
            voltage_range=volts,
            current_range=amperes,
            aperture_s=seconds,
            aperture_cycles=None if seconds is not None else cycles or 1.0,
            average=round(named.get("average") or 1),
            remote_sense=self._remote_sense[port.name],
        )
        # Nobody but this run sets anything: an instrument that was touched ends it.
        if acquisition != port.acquisition:
            port.configure(acquisition)
        apertures = {name: p.aperture_s for name, p in self.ports.items()}
        self.patience_s = LONGEST_EXCHANGE_S + 2 * max(apertures.values())
        for other in self.ports.values():
            other.others_s = sum(apertures.values()) - apertures[other.name]
            other.rejudge()

    def program(self, port: Port, setpoint: Setpoint) -> None:
        """Program a setpoint; a change of mode under power goes through off and on again.

        What the check has proved is looked at once more: a value that came from a reading over
        range may be one that it has not foreseen.
        """
        refuse_beyond_rating(port, setpoint)
        changes = port.on and port.setpoint is not None and port.setpoint.mode != setpoint.mode
        if changes and not self._can_switch_mode[port.name]:
            self.event("interruption", f"{port.name}: off and on again to change the mode", port)
            self.off(port)
            port.program(setpoint)
            look_before_on(port, setpoint, self)
            self.on(port, anew=False)
        else:
            if changes:
                look_before_on(port, setpoint, self)
            port.program(setpoint)

    def before_pulses(self, port: Port, width: float) -> None:
        """What is to be known and read before a pulse keeps the run from reading."""
        if port.capturing is None and port.on and port.counters.unread:
            # Between pulses the level that they return to counts by its last reading.
            port.measure()
        self.look_round(width, (port,))

    def pulse(self, port: Port, pulse: Pulse, share: float | None, trace: int, line: int) -> None:
        """One pulse from the programmed level; `share` is its part of the period, if it has one."""
        assert port.setpoint is not None
        at_its_level = Setpoint(port.setpoint.mode, pulse.level, pulse.low, pulse.high)
        refuse_beyond_rating(port, at_its_level, pulse=True)
        with self.busy(pulse.width_s):
            fire(port, pulse, share, trace, line)

    def switch_on(self, port: Port, forced: tuple[float, float]) -> None:
        """`output on`: the last `source` again, read back, looked at, on record, then switched.

        An instrument that has restarted or been touched since it was last asked isn't switched on.
        """
        setpoint = self.sourced[port.name]
        if port.on:
            # It is on already: nothing is switched, and ranges don't change under power.
            self.program(port, setpoint)
            return
        port.poll(self.now())
        self._read_guards(port)
        specification = port.channel.specification
        level, limit = abs(setpoint.level), max(abs(setpoint.low), abs(setpoint.high))
        own = (level, limit) if setpoint.mode == "voltage" else (limit, level)
        volts, amperes = max(forced[0], own[0]), max(forced[1], own[1])
        if port.kind is not None and port.kind.forces != "nothing":
            # What the part brings by itself is on the terminals too, whatever the level is.
            volts = max(volts, *(abs(bound) for bound in port.ratings["voltage"]))
        self._apply(
            port,
            _scale(specification.voltage_range, volts),
            _scale(specification.current_range, amperes),
        )
        if port.name not in self._looked:
            first_look(port, setpoint, self)
            self._looked.add(port.name)
        port.program(setpoint)
        look_before_on(port, setpoint, self)
        self._read_back(port, setpoint, on=False)
        self.event("output", f"{port.name} on", port)
        self.on(port)
        port.measure()

    def _read_guards(self, port: Port) -> None:
        """A guard on a line or a channel that nobody has read yet guards nothing."""
        self.lines.judge(port)
        for other in self.ports.values():
            if other is port or other.on or not other.watches_others:
                continue
            if other.can_measure_off:
                other.measure()
            elif any(rated.part == port.part for rated in other.rated if rated.by):
                raise Failed(
                    f"{other.name} watches {port.part}, and can't be read before it is on itself: "
                    "switch it on first",
                    "recipe",
                )

    def on(self, port: Port, anew: bool = True) -> None:
        """Switch on and watch from now on; all that was told so far is on the disk before."""
        self.record.commit()
        port.switch(True, anew)
        self.watch(port, True)

    def off(self, port: Port) -> None:
        """Open the output, and hear from the instrument that it is open."""
        port.switch(False)
        if port.channel.read_back().output:
            port.on = True
            raise Failed(
                f"{port.name}: the instrument says that its output is still on", "instrument"
            )
        self.watch(port, False)

    def _read_back(self, port: Port, setpoint: Setpoint, on: bool) -> None:
        """What was programmed is what the instrument says it has; a difference ends the run."""
        state = port.channel.read_back()
        if state.output != on:
            said = "on" if state.output else "off"
            raise Failed(
                f"{port.name}: the instrument says that its output is {said}", "instrument"
            )
        if state.setpoint is None or not same(state.setpoint, setpoint):
            raise Failed(
                f"{port.name}: programmed {words(setpoint)}, and the instrument reads back "
                f"{words(state.setpoint)}",
                "instrument",
            )

    def switch_off(self, port: Port) -> None:
        """`output off`, the way that the part's kind asks for."""
        self.go_off(port, trip=False)
        self.event("output", f"{port.name} off", port)

    def go_off(self, port: Port, trip: bool) -> None:
        """Off by kind: open at once, or the level to zero first."""
        kind = port.kind
        way = "open" if kind is None else kind.trip if trip else kind.off
        setpoint = port.setpoint
        try:
            if port.on and way != "open" and setpoint is not None:
                for level in way_down(setpoint, way):
                    port.program(setpoint._replace(level=level))
                    self.clock.wait_until(self.clock.now() + SETTLED_AT_ZERO_S)
        finally:
            # An instrument that doesn't take the level on the way down may well open.
            self.off(port)

    @contextmanager
    def switching_off(self) -> Iterator[None]:
        """Outputs go off: nothing comes before that, not even a watchdog that is gone."""
        self._switching_off = True
        try:
            yield
        finally:
            self._switching_off = False

    # Lines

    def switch_line(self, name: str, high: bool) -> None:
        """Drive a digital output; on record."""
        self.lines.write(name, high)
        for port in self.ports.values():
            # What it switches may hang beside a part.
            port.watch_anew()
        self.event("line", f"{name} {STATES[high]}")

    def saw_line(self, name: str, high: bool) -> None:
        """A line that was waited for is there; as late as it was looked at."""
        self.record.event(self.now(), "line", f"{name} is {STATES[high]}", exact=False)

    # What is told and recorded

    def happened(self, channel: str, event: Event) -> None:
        """Something that an instrument reported, on record."""
        self.record.event(event.time, event.kind, event.text, channel, event.exact)

    def say(self, words: str, aloud: bool) -> None:
        """Tell the person, or only the record."""
        self.record.note(self.now(), words)
        if aloud:
            self.tell(words)

    @contextmanager
    def undisturbed(self) -> Iterator[None]:
        """`finally` is not interrupted by the first wish to stop, which led to it."""
        self._ignoring_person = True
        for port in self.ports.values():
            port.judge.in_final = True
        try:
            yield
        finally:
            self._ignoring_person = False


def _scale(find: Callable[[float], object], magnitude: float | None) -> float | None:
    """The full scale of the range that holds a magnitude; None is autorange."""
    if magnitude is None:
        return None
    found = find(magnitude)
    if found is None:
        raise Failed(f"no range of the instrument holds {magnitude:.6g}", "bench")
    return found.full_scale  # type: ignore[attr-defined, no-any-return]
