"""An ideal source on a part that does its worst: what a run meets at its terminals.

Within what its kind can do the part picks, at every moment, any of the voltages and currents that
the level and the limit leave it, the corners most often. Written from the rules of the language
alone; knows no step and shares no code with the analysis.
"""

from __future__ import annotations

import math
import random
from dataclasses import dataclass, field

from drivers.kinds import KINDS
from sequencer.checker.facts import Checked, PartFacts

CYCLE_S = 0.02
"""A power line cycle at 50 Hz."""
HUGE = 1e7
"""What an instrument without known figures may push, in A."""
MOST_EVENTS = 20_000
ROUNDING = 1e-12
"""Share by which values may differ that are the same, worked out in two ways (x, x · x / x)."""

Setpoint = tuple[str, float, float, float]
"""Mode, level, and the two sides of the limit."""


class Ends(Exception):
    """The run ends: stopped, failed, tripped, or refused."""


@dataclass
class Now:
    """The pulse that is under way: whether it is one of a train, and what it has carried so far.

    Carried: energy in and out (J), charge in and out (C).
    """

    in_train: bool
    carried: list[float] = field(default_factory=lambda: [0.0] * 4)


@dataclass
class Port:
    """A channel: what it is programmed to, its part's own voltage, and what was seen of it.

    `seen` has the extremes by the row of the table that they belong to; `period` and `total` what
    went in and came out since the output went on and in all, as `Now.carried`.
    """

    part: PartFacts | None
    on: bool = False
    on_by: int = 0
    sourced: Setpoint | None = None
    programmed: Setpoint | None = None
    own: float = 0.0
    aperture_s: float = CYCLE_S
    average: float = 1.0
    reading: dict[str, float] = field(default_factory=dict)
    pulse: Now | None = None
    period: list[float] = field(default_factory=lambda: [0.0] * 4)
    total: list[float] = field(default_factory=lambda: [0.0] * 4)
    under_power_s: float = 0.0
    seen: dict[str, list[float]] = field(default_factory=dict)

    def see(self, row: str, *values: float) -> None:
        """Values that were met of a row."""
        known = self.seen.setdefault(row, [math.inf, -math.inf])
        known[:] = min(known[0], *values), max(known[1], *values)

    @property
    def forces(self) -> str:
        """What its part forces by itself."""
        assert self.part is not None
        return KINDS[self.part.kind].forces


class Bench:
    """The channels of one run; the dice decide what its parts do."""

    def __init__(self, checked: Checked, dice: random.Random) -> None:
        self.checked = checked
        self.dice = dice
        self.now = 0.0
        self.events = 0
        self.final = False
        self.ports = {name: Port(checked.part_on(name)) for name in checked.channels}
        self.forced: dict[int, list[float]] = {}
        """By the id of an `output … on`: the largest |voltage| and |current| from there on."""
        for port in self.ports.values():
            port.own = self._any_own(port)

    def between(self, low: float, high: float) -> float:
        """Anything between, the ends most often."""
        return self.dice.choice([low, high, low + (high - low) * self.dice.random()])

    # The part and the source

    def _any_own(self, port: Port) -> float:
        """What a part may force that nobody has looked at."""
        if port.part is None or port.forces == "nothing":
            return 0.0
        low, high = port.part.ratings["voltage"]
        if port.forces == "up to its rating":
            return self.between(0.0, max(high, 0.0))
        return self.between(low, high)

    def behave(self, port: Port) -> tuple[float, float]:
        """What stands on the part now: its voltage and the current into it."""
        assert port.programmed is not None
        mode, level, low, high = port.programmed
        if mode == "voltage":
            volts, amperes = self._under_voltage(port, level, low, high)
            imposed: float | None = level
        else:
            if port.forces == "up to its rating":
                port.own = self._any_own(port)
            volts, amperes, limited = self._under_current(port.own, level, low, high)
            imposed = volts if limited else None
            if port.forces == "within its rating":
                port.own = self.between(port.own, volts)
        self._see(port, imposed, amperes, volts * amperes)
        return volts, amperes

    def _see(self, port: Port, imposed: float | None, amperes: float, watts: float) -> None:
        """Each extreme goes to the row of the rating that governs it."""
        assert port.part is not None
        found = {"current": amperes, "power": watts}
        if imposed is not None:
            found["voltage"] = imposed
        for quantity, value in found.items():
            if port.pulse is None:
                port.see(quantity, value)
            elif quantity in port.part.per_pulse:
                port.see(f"{quantity} per pulse", value)
            elif quantity != "power" or not port.pulse.in_train:
                port.see(quantity, value)

    def _under_voltage(
        self, port: Port, level: float, low: float, high: float
    ) -> tuple[float, float]:
        """The part lies between its own voltage and the level; current flows towards the level."""
        own = port.own
        if port.forces != "within its rating" or self.dice.random() < 0.5:
            own = self._any_own(port)
        if port.forces == "within its rating":
            port.own = self.between(own, level)
        if level == own:
            return level, 0.0
        most = high if level > own else low
        return self.between(own, level), self.between(0.0, most)

    def _under_current(
        self, own: float, level: float, low: float, high: float
    ) -> tuple[float, float, bool]:
        """The level flows unless a side of the limit holds the part; the last says which."""
        room = ROUNDING * abs(own)
        if own > high + room:
            return high, -self.dice.random() * HUGE, True
        if own < low - room:
            return low, self.dice.random() * HUGE, True
        if level == 0:
            return own, 0.0, False
        side = high if level > 0 else low
        if self.dice.random() < 0.5:
            return side, self.between(0.0, level), True
        return self.between(own, side), level, False

    def spend(self, seconds: float, counted: bool = True) -> None:
        """Time passes; what flows may change once meanwhile. A person's time isn't counted."""
        self.events += 1
        if self.events > MOST_EVENTS:
            raise Ends
        share = self.dice.choice([0.0, 1.0, self.dice.random()])
        for part in (share, 1 - share):
            elapsed = max(seconds, 0.0) * part
            if counted:
                self.now += elapsed
            for port in self.ports.values():
                if port.on:
                    volts, amperes = self.behave(port)
                    if counted:
                        port.under_power_s += elapsed
                    self._count(port, volts * amperes * elapsed, amperes * elapsed)

    def _count(self, port: Port, joules: float, coulombs: float) -> None:
        """What went in and what came out, each for itself."""
        gone = (max(joules, 0.0), min(joules, 0.0), max(coulombs, 0.0), min(coulombs, 0.0))
        for k, amount in enumerate(gone):
            port.period[k] += amount
            port.total[k] += amount
            if port.pulse is not None:
                port.pulse.carried[k] += amount

    # Programming and switching

    def program(self, port: Port, setpoint: Setpoint) -> None:
        """Program level and limit; under power what comes between old and new is met, too.

        A limit that goes down is programmed before the level, one that goes up after it, each side
        for itself.
        """
        before = port.programmed
        if port.on and before is not None and before[0] == setpoint[0]:
            mode, level, low, high = setpoint
            narrower = max(before[2], low), min(before[3], high)
            if narrower[0] <= narrower[1]:
                for held in (before[1], level):
                    port.programmed = (mode, held, *narrower)
                    self.behave(port)
        port.programmed = setpoint
        if port.on:
            self._force(port)
            self.behave(port)

    def look(self, port: Port, possible: bool) -> None:
        """A current source needs the part within its limit, where that can be looked at."""
        assert port.programmed is not None
        assert port.part is not None
        mode, _, low, high = port.programmed
        if mode != "current" or port.forces != "within its rating" or not possible:
            return
        if not low <= port.own <= high:
            if self.dice.random() < 0.8:
                least, most = port.part.ratings["voltage"]
                port.own = self.between(max(low, least), min(high, most))
            if not low <= port.own <= high:
                raise Ends

    def switch_on(self, name: str, by: int) -> None:
        """Program the last source again, look, and switch; the runner takes a reading at once."""
        port = self.ports[name]
        facts = self.checked.channels[name]
        port.programmed = port.sourced
        self.look(port, facts.can("measure open") or facts.can("two-sided limit"))
        if not port.on:
            port.period = [0.0] * 4
        port.on, port.on_by = True, by
        self._force(port)
        self.spend(port.aperture_s * port.average)

    def switch_off(self, name: str) -> None:
        """Open; a part that holds a charge is then whatever its rating lets it be."""
        port = self.ports[name]
        if port.part is not None:
            stores = KINDS[port.part.kind].energy == "stores"
            sums = port.period if stores else port.total
            port.see("energy", sums[0], sums[1])
            port.see("charge", sums[2], sums[3])
        port.on = False
        port.own = self._any_own(port)

    def pulse(
        self,
        port: Port,
        setpoint: Setpoint,
        width_s: float,
        period_s: float | None,
    ) -> None:
        """A pulse from what is programmed and back to it, and its period's rest.

        The mean power is that of a whole period.
        """
        assert port.programmed is not None
        base = port.programmed
        self._force_setpoint(port, setpoint)
        port.pulse = Now(period_s is not None)
        carried = port.pulse.carried
        port.programmed = setpoint
        try:
            self.behave(port)
            self.spend(width_s)
            self.take(port, pulsed=True)
        finally:
            port.pulse = None
        port.see("energy per pulse", carried[0], carried[1])
        port.see("charge per pulse", carried[2], carried[3])
        port.programmed = base
        self.behave(port)
        if period_s is not None:
            before = list(port.total)
            self.spend(period_s - width_s)
            for k in (0, 1):
                port.see("power", (carried[k] + port.total[k] - before[k]) / period_s)

    def _force(self, port: Port) -> None:
        assert port.programmed is not None
        self._force_setpoint(port, port.programmed)

    def _force_setpoint(self, port: Port, setpoint: Setpoint) -> None:
        mode, level, low, high = setpoint
        volts, amperes = abs(level), max(abs(low), abs(high))
        if mode == "current":
            volts, amperes = amperes, volts
        known = self.forced.setdefault(port.on_by, [0.0, 0.0])
        known[:] = max(known[0], volts), max(known[1], amperes)

    # Readings

    def take(self, port: Port, pulsed: bool = False, guarded: bool = True) -> None:
        """A reading of a channel; one that a guard doesn't let pass ends the run."""
        name = next(n for n, known in self.ports.items() if known is port)
        facts = self.checked.channels[name]
        volts, amperes = port.own, 0.0
        if port.on:
            volts, amperes = self.behave(port)
        elif port.part is None:
            volts, amperes = self.dice.uniform(-5, 5), self.dice.uniform(-5, 5)
        reading = {"voltage": volts, "current": amperes}
        if facts.sensed:
            reading = {facts.sensed: self.dice.choice([250.0, 290.0, 330.0, 400.0])}
        if self.final or not guarded:
            wild = self.dice.choice([1, 1, 3])
            port.reading = {quantity: wild * value for quantity, value in reading.items()}
            return
        for quantity, value in reading.items():
            for low, high in self._guards(name, quantity, pulsed):
                if not low <= value <= high:
                    raise Ends
        port.reading = reading

    def _guards(self, channel: str, quantity: str, pulsed: bool) -> list[tuple[float, float]]:
        """The ratings that a channel's reading of a quantity is held against."""
        found = []
        for part in self.checked.parts.values():
            if part.may_be_destroyed:
                continue
            watcher = part.watched_by.get(quantity, part.channel)
            of_pulse = pulsed and part.channel == channel and quantity in part.per_pulse
            if of_pulse:
                found.append(part.per_pulse[quantity])
            elif watcher == channel and quantity in part.ratings:
                found.append(part.ratings[quantity])
        return found
