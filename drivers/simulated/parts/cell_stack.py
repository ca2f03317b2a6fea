"""Cells in series as physics, each with a charge of its own; see cell.py for the equations.

The states are those of the heat path, as far as there is one, then the voltage of each branch,
which all cells have in common since the same current flows through all, then the charge of each
cell as a share of its capacity.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import NamedTuple

from drivers.simulated.conditions import Profile
from drivers.simulated.parts.base import AtPort, Break, Changed, Static, Vector
from drivers.simulated.parts.heating import HeatPath, kinks_of
from drivers.simulated.parts.ohmic import Ohmic
from drivers.simulated.parts.open_circuit import OpenCircuit
from drivers.simulated.parts.stateless import opened
from grammar.quantity import VOLTAGE, write

# Colder than anything on a bench, so that the resistance stays a number.
_COLDEST_K = 100.0


class Figures(NamedTuple):
    """What all cells have in common, in SI.

    `branches` are resistance (ohm) and time constant (s) of each, `leak` is a conductance (S),
    `cells` how many cells there were at first; the limits are inf where there are none.
    """

    open_circuit: OpenCircuit
    branches: tuple[tuple[float, float], ...]
    efficiency: float
    leak: float
    activation: float
    nominal: float
    cells: int
    bears_voltage: float
    bears_reversal: float


class Single(NamedTuple):
    """One of the cells: which one, from 1 on; capacity (C); resistance (ohm) at T_0."""

    number: int
    capacity: float
    resistance: float


class Stack:
    """The cells that work; `shorted` (ohm at T_0) is what is left of the others."""

    inductances: Vector = (0.0,)

    def __init__(
        self,
        figures: Figures,
        ambient: Profile,
        path: HeatPath | None,
        singles: Sequence[Single],
        initial: Vector,
        shorted: float = 0.0,
    ) -> None:
        self._figures, self._ambient, self._path = figures, ambient, path
        self._singles, self._shorted = singles, shorted
        self._resistance = shorted + sum(single.resistance for single in singles)
        self._first = len(path.initial) if path else 0
        self._charges = self._first + len(figures.branches)
        self.initial = initial
        self.magnitudes: Vector = (
            *(path.magnitudes if path else ()),
            *(0.01 for _ in figures.branches),
            *(1.0 for _ in singles),
        )
        self.kinks: Sequence[float] = kinks_of(ambient)
        self.breaks: Sequence[Break] = self._limits()

    def _factor(self, time_s: float, state: Vector) -> float:
        """What the resistances are multiplied with at the cells' temperature."""
        figures = self._figures
        if figures.activation == 0:
            return 1.0
        kelvins = self._path.temperature(state) if self._path else self._ambient.at(time_s)
        colder = 1 / max(kelvins, _COLDEST_K) - 1 / figures.nominal
        return math.exp(min(figures.activation * colder, 300.0))

    def law(self, port: int, time_s: float, state: Vector, before: Sequence[AtPort]) -> Static:
        """All voltages that stand, behind all resistances."""
        open_circuit = self._figures.open_circuit.at
        slow = sum(state[self._first : self._charges])
        voltage = sum(open_circuit(charge) + slow for charge in state[self._charges :])
        return Ohmic(self._resistance * self._factor(time_s, state), voltage)

    def rates(self, time_s: float, state: Vector, ports: Sequence[AtPort]) -> Sequence[float]:
        """How fast they warm (K/s), polarise (V/s), and are charged (1/s)."""
        figures, current = self._figures, ports[0].current
        rates: list[float] = []
        if self._path is not None:
            rates += self._path.flows(time_s, self.lost(time_s, state, ports), state)
        slow = state[self._first : self._charges]
        for (resistance, time_constant), voltage in zip(figures.branches, slow, strict=True):
            rates.append((resistance * current - voltage) / time_constant)
        kept = current * figures.efficiency if current > 0 else current
        for single, charge in zip(self._singles, state[self._charges :], strict=True):
            leaks = figures.leak * figures.open_circuit.at(charge)
            rates.append((kept - leaks) / single.capacity)
        return rates

    def stored(self, state: Vector) -> float:
        """What the cells would give at rest down to empty, and what the branches hold (J)."""
        figures = self._figures
        energy = sum(
            single.capacity * figures.open_circuit.energy(charge)
            for single, charge in zip(self._singles, state[self._charges :], strict=True)
        )
        slow = state[self._first : self._charges]
        for (resistance, time_constant), voltage in zip(figures.branches, slow, strict=True):
            energy += len(self._singles) * 0.5 * time_constant / resistance * voltage**2
        return energy

    def lost(self, time_s: float, state: Vector, ports: Sequence[AtPort]) -> float:
        """The heat of the resistances, of the leaks and of charge that isn't kept (W)."""
        figures, current = self._figures, ports[0].current
        power = self._resistance * self._factor(time_s, state) * current**2
        slow = state[self._first : self._charges]
        for (resistance, _), voltage in zip(figures.branches, slow, strict=True):
            power += len(self._singles) * voltage**2 / resistance
        spilt = max(current, 0.0) * (1 - figures.efficiency)
        for charge in state[self._charges :]:
            voltage = figures.open_circuit.at(charge)
            power += voltage * (spilt + figures.leak * voltage)
        return power

    def _limits(self) -> list[Break]:
        """How they give way: by heat all together, by voltage each for itself."""
        found: list[Break] = []
        if self._path is not None:
            found += self._path.breaks(
                None, lambda why: Changed(opened(), f"the cell vented and is open now: {why}")
            )
        figures = self._figures
        for place, single in enumerate(self._singles):
            name = f"cell {single.number} of {figures.cells}" if figures.cells > 1 else "the cell"
            if figures.bears_voltage < math.inf:
                text = (
                    f"{name} was overcharged, vented and is open now: it stood at more than the "
                    f"{write(figures.bears_voltage, VOLTAGE, 4)} that it bears"
                )
                vented = Changed(opened(), text)
                found.append(
                    Break(self._below(place, 1.0, figures.bears_voltage), lambda *_, c=vented: c)
                )
            if figures.bears_reversal < math.inf:
                found.append(
                    Break(
                        self._below(place, -1.0, figures.bears_reversal), self._short(place, name)
                    )
                )
        return found

    def _below(
        self, place: int, sign: float, limit: float
    ) -> Callable[[float, Vector, Sequence[AtPort]], float]:
        """How far a cell's own voltage is below a limit (V), counted with a sign."""
        single = self._singles[place]

        def margin(time_s: float, state: Vector, ports: Sequence[AtPort]) -> float:
            rested = self._figures.open_circuit.at(state[self._charges + place])
            slow = sum(state[self._first : self._charges])
            drop = single.resistance * self._factor(time_s, state) * ports[0].current
            return limit - sign * (rested + slow + drop)

        return margin

    def _short(self, place: int, name: str) -> Callable[[float, Vector], Changed]:
        """The stack without a cell of which only the resistance is left."""
        limit = write(self._figures.bears_reversal, VOLTAGE, 4)
        text = (
            f"{name} was driven in reverse and is a short now: it stood at more than the {limit} "
            "the wrong way round that it bears"
        )

        def shorted(time_s: float, state: Vector) -> Changed:
            gone = self._charges + place
            rest = Stack(
                self._figures,
                self._ambient,
                self._path,
                [single for k, single in enumerate(self._singles) if k != place],
                (*state[:gone], *state[gone + 1 :]),
                self._shorted + self._singles[place].resistance,
            )
            return Changed(rest, text)

        return shorted
