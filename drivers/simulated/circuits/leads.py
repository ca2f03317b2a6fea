"""What lies between a channel's terminals and its part, put around the part as a part of its own.

Of each pair of terminals, from the instrument on: the resistance of both leads (which belongs to
the source, since remote sensing takes it away), the inductance L of their loop, the cable's
capacitance C with its leakage resistance R_l across, and in series with the part a thermal voltage
e(t) = e_0 + e_1·t, as of junctions of unlike metals that warm up:

    v = L di/dt + v_c,   C dv_c/dt = i − v_c/R_l + i_s − i_part,   v_part = v_c − e

Without C there is no v_c, and v_c is what the law gives. A driven guard keeps the cable's inner
screen at the voltage of its core, so that next to nothing flows across; a shield keeps out the
stray current i_s that unshielded leads pick up, and the line's field. What is left with them is
common practice, no source.

A fault turns the part round, lets a lead drop off or bounce, at a time. The module knows no
instrument.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

from drivers.simulated.parts.base import AtPort, Break, Changed, Dynamic, Static, Vector
from drivers.simulated.parts.ohmic import Ohmic
from drivers.simulated.parts.stateless import OPENED_OHMS

SHIELD_KEEPS_OUT = 100.0
GUARD_KEEPS_OUT = 1000.0
ARC_OHMS = 1e4
"""What keeps the current of an inductance going for a moment where contact is lost."""
_CORE_OHMS = 1e-3
"""The cable's own resistance on the way to its capacitance: no voltage jumps onto it."""


class Leads(NamedTuple):
    """The leads of one pair of terminals: H, V, V/s, F, ohm (inf for none), A.

    `stray_current` is what flows into them from around.
    """

    inductance: float = 0.0
    thermal_voltage: float = 0.0
    thermal_drift: float = 0.0
    capacitance: float = 0.0
    leakage_resistance: float = math.inf
    stray_current: float = 0.0


NO_LEADS = Leads()


class Wrong(NamedTuple):
    """What is wrong with the wiring of one pair of terminals.

    `reversed` from the start; from `open_from` on (s) one lead is off; `bounces` are the spans of
    time (s) in which it has no contact.
    """

    reversed: bool = False
    open_from: float = math.inf
    bounces: tuple[tuple[float, float], ...] = ()

    @property
    def kinks(self) -> tuple[float, ...]:
        """The times at which contact is lost or found."""
        times = (self.open_from, *(time_s for span in self.bounces for time_s in span))
        return tuple(time_s for time_s in times if time_s < math.inf)

    def is_open(self, time_s: float) -> bool:
        """Whether there is no contact at a time."""
        return time_s >= self.open_from or any(a <= time_s < b for a, b in self.bounces)


RIGHT = Wrong()


class _Behind:
    """A law seen through a voltage in series, either way round."""

    def __init__(self, law: Static, voltage: float, turned: bool) -> None:
        self._law, self._voltage = law, voltage
        self._sign = -1.0 if turned else 1.0

    def voltage_at(self, current: float) -> float:
        """The voltage (V) at a current (A)."""
        return self._sign * self._law.voltage_at(self._sign * current) + self._voltage

    def current_through(self, voltage: float, series_resistance: float) -> float:
        """The current (A) from a voltage (V) through a resistance in series (ohm)."""
        inside = self._sign * (voltage - self._voltage)
        return self._sign * self._law.current_through(inside, series_resistance)


class _AtPart(NamedTuple):
    """What is at the part's own terminals, and what lies across its inductance behind a cable (V).

    `current` is what flows into the part, from the leads' point of view (A).
    """

    at: AtPort
    across: float
    current: float


class Wired:
    """A part with its leads: itself a part with as many pairs of terminals.

    Its states are the part's, then the voltage of each cable that has a capacitance, then the
    current of each of the part's inductances that lies behind such a cable.
    """

    def __init__(
        self, part: Dynamic, leads: Sequence[Leads], wrong: Sequence[Wrong], beside: Vector = ()
    ) -> None:
        self._part, self._leads, self._wrong = part, tuple(leads), tuple(wrong)
        self._size = len(part.initial)
        cables = [port for port, lead in enumerate(leads) if lead.capacitance > 0]
        self._cable = {port: self._size + k for k, port in enumerate(cables)}
        coils = [port for port in cables if part.inductances[port] > 0]
        self._coil = {port: self._size + len(cables) + k for k, port in enumerate(coils)}
        own = len(cables) + len(coils)
        self.initial: Vector = (*part.initial, *(beside or (0.0,) * own))
        self.magnitudes: Vector = (*part.magnitudes, *(1e-3,) * own)
        self.inductances: Vector = tuple(
            lead.inductance + (0.0 if port in self._cable else part.inductances[port])
            for port, lead in enumerate(leads)
        )
        self.kinks = (*part.kinks, *(time_s for one in wrong for time_s in one.kinks))
        self.breaks = [self._passed_on(inner) for inner in part.breaks]
        self._known: (
            tuple[float, Vector, Sequence[AtPort], tuple[Vector, Sequence[AtPort]]] | None
        ) = None

    def law(self, port: int, time_s: float, state: Vector, before: Sequence[AtPort]) -> Static:
        """The cable's where it has a capacitance, else the part's behind the thermal voltage."""
        place = self._cable.get(port)
        if place is not None:
            return Ohmic(_CORE_OHMS, state[place])
        if self._wrong[port].is_open(time_s):
            return Ohmic(ARC_OHMS if self.inductances[port] > 0 else OPENED_OHMS)
        inside = [found.at for found in self._inside(time_s, state, before)]
        law = self._part.law(port, time_s, state[: self._size], inside)
        thermal = self._thermal(port, time_s)
        if thermal == 0 and not self._wrong[port].reversed:
            return law
        return _Behind(law, thermal, self._wrong[port].reversed)

    def rates(self, time_s: float, state: Vector, ports: Sequence[AtPort]) -> Sequence[float]:
        """Those of the part, and of the cables."""
        inside = self._inside(time_s, state, ports)
        rates = [*self._part.rates(time_s, state[: self._size], [found.at for found in inside])]
        for port, place in self._cable.items():
            lead = self._leads[port]
            flows = ports[port].current - inside[port].current - self._astray(lead, state[place])
            rates.append(flows / lead.capacitance)
        return rates + [inside[port].across / self._part.inductances[port] for port in self._coil]

    def stored(self, state: Vector) -> float:
        """In the part, the cables, and the part's inductances behind them."""
        stored = self._part.stored(state[: self._size])
        for port, place in self._cable.items():
            stored += self._leads[port].capacitance * state[place] ** 2 / 2
        for port, place in self._coil.items():
            stored += self._part.inductances[port] * state[place] ** 2 / 2
        return stored

    def lost(self, time_s: float, state: Vector, ports: Sequence[AtPort]) -> float:
        """In the part, the cables, and to what keeps the thermal voltages up."""
        inside = self._inside(time_s, state, ports)
        lost = self._part.lost(time_s, state[: self._size], [found.at for found in inside])
        for port, (at, across, current) in enumerate(inside):
            place = self._cable.get(port)
            if place is None:
                lost += ports[port].voltage * ports[port].current - at.voltage * at.current
                continue
            volts = state[place]
            lost += _CORE_OHMS * ports[port].current ** 2
            lost += volts * self._astray(self._leads[port], volts)
            lost += volts * current - (at.voltage + across) * at.current
        return lost

    def _inside(self, time_s: float, state: Vector, ports: Sequence[AtPort]) -> list[_AtPart]:
        """What is at the part's own terminals, of as many pairs as are given."""
        x = state[: self._size]
        found: list[_AtPart] = []
        for port, outside in enumerate(ports):
            law = self._part.law(port, time_s, x, [one.at for one in found])
            wrong, place = self._wrong[port], self._cable.get(port)
            sign = -1.0 if wrong.reversed else 1.0
            across = 0.0
            if wrong.is_open(time_s):
                at = AtPort(law.voltage_at(0.0), 0.0)
            elif place is None:
                current = sign * outside.current
                at = AtPort(law.voltage_at(current), current)
            else:
                volts = sign * (state[place] - self._thermal(port, time_s))
                coil = self._coil.get(port)
                if coil is None:
                    at = AtPort(volts, law.current_through(volts, 0.0))
                else:
                    at = AtPort(law.voltage_at(state[coil]), state[coil])
                    across = volts - at.voltage
            found.append(_AtPart(at, across, sign * at.current))
        return found

    def _at_part(
        self, time_s: float, state: Vector, ports: Sequence[AtPort]
    ) -> tuple[Vector, Sequence[AtPort]]:
        """The part's own state and what is at its terminals; all its breaks ask for the same."""
        known = self._known
        if known is None or known[0] != time_s or known[1] is not state or known[2] is not ports:
            inside = [found.at for found in self._inside(time_s, state, ports)]
            self._known = known = time_s, state, ports, (state[: self._size], inside)
        return known[3]

    def _astray(self, lead: Leads, volts: float) -> float:
        """What a cable lets go across, and picks up (A)."""
        return volts / lead.leakage_resistance - lead.stray_current

    def _thermal(self, port: int, time_s: float) -> float:
        lead = self._leads[port]
        return lead.thermal_voltage + lead.thermal_drift * time_s

    def _passed_on(self, inner: Break) -> Break:
        """What the part doesn't bear, seen from outside; what it becomes keeps its leads."""

        def margin(time_s: float, state: Vector, ports: Sequence[AtPort]) -> float:
            return inner.margin(time_s, *self._at_part(time_s, state, ports))

        def then(time_s: float, state: Vector) -> Changed:
            changed = inner.then(time_s, state[: self._size])
            beside = tuple(state[self._size :])
            wired = Wired(changed.physics, self._leads, self._wrong, beside)
            return changed._replace(physics=wired)

        return Break(margin, then)
