"""One stretch of a source's staircase on a network: what moves the network, and its answers.

A stretch *holds* a current or a voltage, which moves the network and, with y = c·x, makes what is
at the terminals:

    holding I:  i = I,             v = y + R_s·I
    holding V:  i = (V − y)/R,     v = y + R_s·i

R is the network's resistance with the source's, R_s the piece of it that the voltmeter sees.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from drivers.simulated.circuits.circuit import Source
from drivers.simulated.circuits.course import Course
from drivers.simulated.circuits.flow import Array, Flow
from drivers.simulated.circuits.motion import Line
from drivers.simulated.parts.base import Network


class Stretch(NamedTuple):
    """What is held moves the network by `flow`, times `drive`.

    `seen` (ohm) is R_s; `resistance` (ohm) is R, 0 where a current is held.
    """

    flow: Flow
    drive: Array
    resistance: float
    seen: float

    def lines(self, held: float) -> tuple[Line, Line]:
        """How voltage and current follow y while what is held (A or V) stands still."""
        if self.resistance == 0:
            return Line(1.0, self.seen * held), Line(0.0, held)
        share = self.seen / self.resistance
        current = Line(-1 / self.resistance, held / self.resistance)
        return Line(1 - share, share * held), current

    def courses(self, y: Course, held: Course) -> tuple[Course, Course]:
        """Voltage and current while what is held moves."""
        if self.resistance == 0:
            return y.plus(self.seen, held), held
        current = Course(0.0).plus(1 / self.resistance, held.plus(-1.0, y))
        return y.plus(self.seen, current), current


class Stretches:
    """The stretches of all staircases on a network."""

    def __init__(self, network: Network) -> None:
        self._network = network
        self._a, self._b = np.array(network.a), np.array(network.b)
        self._c, self._storage = np.array(network.c), np.array(network.storage)
        self._flows: dict[float, Flow] = {}

    def at(self, source: Source, index: int) -> Stretch:
        """One stretch of a source's staircase."""
        own = self._network.d
        seen = own + source.sensed_resistance
        if index % 2 == 0:
            return Stretch(self._flow(0.0), self._b, 0.0, seen)
        resistance = own + source.series_resistance
        return Stretch(self._flow(resistance), self._b / resistance, resistance, seen)

    def _flow(self, resistance: float) -> Flow:
        """The motion while a current is held (0), or a voltage behind a resistance (ohm)."""
        flow = self._flows.get(resistance)
        if flow is None:
            matrix = self._a
            if resistance:
                matrix = matrix - np.outer(self._b, self._c) / resistance
            flow = self._flows[resistance] = Flow(matrix, self._storage)
        return flow
