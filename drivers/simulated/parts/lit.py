"""Lit junctions in series as physics: a solar cell, the substrings of a module, a photodiode.

Where a capacitance C lies across each junction, its voltage u is a state,

    C · du/dt = i_cells − i(u),   v = u + R_s · i_cells

and the part begins at open circuit, as it would lie there; else the part has no states, and its law
goes with the light alone.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import NamedTuple

from drivers.simulated.conditions import Conditions
from drivers.simulated.parts.base import AtPort, Break, Changed, Static, Vector
from drivers.simulated.parts.bypass import BypassDiode, Bypassed, HeldBypassed, HeldChain
from drivers.simulated.parts.chain import Chain, Section
from drivers.simulated.parts.heating import kinks_of
from drivers.simulated.parts.lit_junction import LitJunction
from drivers.simulated.parts.ohmic import Ohmic
from drivers.simulated.parts.stateless import opened, shorted
from grammar.quantity import CURRENT, VOLTAGE, write


class Cells(NamedTuple):
    """What is in series at a moment, and the diode across each of them, if there is one."""

    junctions: Sequence[LitJunction]
    diode: BypassDiode | None = None

    def law(self) -> Static:
        """The law of all of them, where nothing holds their voltages."""
        sections: Sequence[Section] = self.junctions
        if self.diode is not None:
            sections = [Bypassed(junction, self.diode) for junction in self.junctions]
        return sections[0] if len(sections) == 1 else Chain(sections)

    def held_law(self, state: Vector) -> Static:
        """The same, where capacitances hold the junctions' voltages."""
        if self.diode is None:
            return Ohmic(sum(j.series_resistance for j in self.junctions), sum(state))
        sections = self.held(state, self.diode)
        return sections[0] if len(sections) == 1 else HeldChain(sections)

    def held(self, state: Vector, diode: BypassDiode) -> list[HeldBypassed]:
        """Each of them with its diode."""
        return [
            HeldBypassed(u, junction.series_resistance, diode)
            for u, junction in zip(state, self.junctions, strict=True)
        ]

    def powers(self, state: Vector, current: float) -> list[tuple[float, float]]:
        """For each the current (A) into its junction with C, and the power (W) lost in it.

        In light the power is negative where the cells give more than they lose.
        """
        through = [current] * len(state)
        lost = [0.0] * len(state)
        if self.diode is not None:
            for k, section in enumerate(self.held(state, self.diode)):
                voltage = section.voltage_at(current)
                bypassed = self.diode.current(voltage)[0]
                through[k] = (voltage - section.u) / section.resistance
                lost[k] = -bypassed * voltage
        found = []
        for k, (u, junction) in enumerate(zip(state, self.junctions, strict=True)):
            inner = junction.through(u)[0]
            heat = junction.series_resistance * through[k] ** 2 + u * inner
            found.append((through[k] - inner, lost[k] + heat))
        return found


class Lit:
    """Lit junctions as a dynamic part; `cells_at` gives what they are at a time (s).

    `capacitance` (F) lies across each junction, None for none.
    """

    inductances: Vector = (0.0,)

    def __init__(
        self,
        cells_at: Callable[[float], Cells],
        capacitance: float | None,
        kinks: Sequence[float],
        breaks: Sequence[Break] = (),
    ) -> None:
        cells = cells_at(0.0)
        self._cells_at = cells_at if kinks else lambda _: cells
        self._capacitance = capacitance
        self.initial: Vector = ()
        if capacitance is not None:
            self.initial = tuple(junction.junction_at(0.0) for junction in cells.junctions)
        self.magnitudes: Vector = (1.0,) * len(self.initial)
        self.kinks = kinks
        self.breaks = breaks

    def law(self, port: int, time_s: float, state: Vector, before: Sequence[AtPort]) -> Static:
        """The law in the light of that time."""
        cells = self._cells_at(time_s)
        return cells.law() if self._capacitance is None else cells.held_law(state)

    def rates(self, time_s: float, state: Vector, ports: Sequence[AtPort]) -> Sequence[float]:
        """du/dt of each junction."""
        if self._capacitance is None:
            return ()
        powers = self._cells_at(time_s).powers(state, ports[0].current)
        return [charging / self._capacitance for charging, _ in powers]

    def stored(self, state: Vector) -> float:
        """What the capacitances hold (J)."""
        return 0.5 * (self._capacitance or 0.0) * sum(u * u for u in state)

    def lost(self, time_s: float, state: Vector, ports: Sequence[AtPort]) -> float:
        """Heat, less what the light brings (W)."""
        if self._capacitance is None:
            return ports[0].voltage * ports[0].current
        powers = self._cells_at(time_s).powers(state, ports[0].current)
        return sum(power for _, power in powers)


def limits(what: str, current: float | None, reverse_voltage: float | None) -> list[Break]:
    """How lit junctions give way: beyond a current (A) open, beyond a voltage (V) in reverse short.

    `what` is the part in words, as in “the photodiode”.
    """
    found = []
    if current is not None:
        burnt = Changed(
            opened(),
            f"{what} burnt open: more than the {write(current, CURRENT, 4)} that it bears "
            "flowed through it",
        )

        def within(time_s: float, state: Vector, ports: Sequence[AtPort]) -> float:
            return current - abs(ports[0].current)

        found.append(Break(within, lambda *_: burnt))
    if reverse_voltage is not None:
        punctured = Changed(
            shorted(),
            f"{what} was punctured and is a short now: it stood in reverse at more than the "
            f"{write(reverse_voltage, VOLTAGE, 4)} that it bears",
        )

        def held(time_s: float, state: Vector, ports: Sequence[AtPort]) -> float:
            return ports[0].voltage + reverse_voltage

        found.append(Break(held, lambda *_: punctured))
    return found


def physics_of(
    cells_at: Callable[[float], Cells],
    capacitance: float | None,
    conditions: Conditions,
    breaks: Sequence[Break],
) -> Static | Lit:
    """The simplest form of physics for lit junctions in these conditions."""
    kinks = sorted({*kinks_of(conditions.temperature), *kinks_of(conditions.irradiance)})
    if capacitance is None and not kinks and not breaks:
        return cells_at(0.0).law()
    return Lit(cells_at, capacitance, kinks, breaks)
