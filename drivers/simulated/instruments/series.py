"""Levels that a simulated channel foresees: what each comes to once the source has arrived there.

As if each had been programmed and read in turn, to the bit; where one comes to anything else, what
is foreseen ends before it. Nothing is spent by looking.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

import numpy as np

from drivers.channel import Block, Levels, Setpoint
from drivers.clock import NANOSECONDS
from drivers.simulated.circuits.approach import Manners, way_s
from drivers.simulated.circuits.circuit import Circuit, Source
from drivers.simulated.circuits.flow import Array, Integers
from drivers.simulated.circuits.settling import SettlingCircuit
from drivers.simulated.instruments.blocks import Meters

_HALF_NS = 0.5 / NANOSECONDS


class Series:
    """One look ahead over levels of one channel in the place of a setpoint's, and what is taken."""

    def __init__(
        self, circuit: Circuit, meters: Meters, setpoint: Setpoint, levels: Sequence[float]
    ) -> None:
        self._circuit, self._meters = circuit, meters
        self._setpoint, self._levels = setpoint, levels
        self._programmed_ns: Integers = np.empty(0, dtype=np.int64)
        self._begins_ns = self._ends_ns = self._programmed_ns
        self._voltages: Array = np.empty(0)
        self._currents: Array = np.empty(0)

    def foresee(
        self,
        goal: Source,
        levels: Array,
        limits: tuple[Array | float, Array | float],
        begins_ns: Callable[[Integers], Integers],
        now_ns: int,
        aperture_ns: int,
        source: Source,
        manners: Manners,
        known_until_ns: float,
    ) -> None:
        """Work out what levels come to, as long as each is in control by itself.

        `goal` is what stands before the part at the first, `levels` are what they truly are
        (V or A), `limits` the currents beside each; `source` is what stands there now, `manners`
        how one gets from one to the next.
        """
        exact = self._circuit.at_rest if isinstance(self._circuit, SettlingCircuit) else None
        if exact is None:
            return
        voltages, currents = exact.solve_levels(goal, levels, limits)
        self._place(len(voltages), begins_ns, now_ns, aperture_ns)
        count = int(np.searchsorted(self._ends_ns, known_until_ns, side="right"))
        self._voltages, self._currents = voltages[:count], currents[:count]
        terminals = exact.terminals
        if count and not self._arrive_in_time(goal, levels[:count], source, terminals, manners):
            self._voltages = self._currents = np.empty(0)

    def _place(
        self, count: int, begins_ns: Callable[[Integers], Integers], now_ns: int, aperture_ns: int
    ) -> None:
        """When so many levels are programmed, and when their readings begin and end.

        Each is programmed when the reading before it is over. All take about the same time: what
        the first says of them is put right from the first on that it is wrong of.
        """
        start_ns, place = np.array([now_ns]), 0
        each_ns = int(begins_ns(start_ns)[0]) + aperture_ns - now_ns
        self._programmed_ns = programmed_ns = now_ns + each_ns * np.arange(count)
        while True:
            self._begins_ns = begins_ns(programmed_ns)
            self._ends_ns = self._begins_ns + aperture_ns
            late_ns = self._ends_ns[place:-1] - programmed_ns[place + 1 :]
            if not late_ns.any():
                break
            place += int(np.flatnonzero(late_ns)[0])
            each_ns = int(self._ends_ns[place] - programmed_ns[place])
            place += 1
            programmed_ns[place:] = self._ends_ns[place - 1] + each_ns * np.arange(count - place)

    def _arrive_in_time(
        self,
        goal: Source,
        levels: Array,
        source: Source,
        terminals: tuple[float, float],
        manners: Manners,
    ) -> bool:
        """Whether the source has arrived at each level before its reading begins."""
        starts = current = _before(terminals[1], self._currents)
        in_voltage = goal.level % 2 == 1
        if in_voltage:
            inside = np.full(len(levels), goal.series_resistance - goal.sensed_resistance)
            inside[0] = source.series_resistance - source.sensed_resistance
            starts = _before(terminals[0], self._voltages) + inside * current
        longest = float(np.abs(levels - starts).max())
        count = len(levels)
        waited = self._begins_ns[:count] - self._programmed_ns[:count]
        # The shaved part: the longest way is that of one of them but for rounding.
        needed_s = way_s(manners, longest, in_voltage)
        needed_ns = math.ceil(needed_s * NANOSECONDS * (1 + 1e-9))
        return bool(waited.min() > needed_ns) if needed_ns else True

    def levels(self) -> Levels:
        """What was foreseen, as the meters show it."""
        volts, amperes = self._meters
        voltage, current, count = self._voltages, self._currents, len(self._voltages)
        begins_ns, ends_ns = self._begins_ns[:count], self._ends_ns[:count]
        if count:
            voltage, volts_shown = volts.show_many(voltage, ends_ns)
            current, amperes_shown = amperes.show_many(current, ends_ns)
            count = min(volts_shown, amperes_shown)
        block = Block(
            ((begins_ns + ends_ns).astype(np.float64) * _HALF_NS)[:count],
            voltage[:count],
            current[:count],
            0.0,
            volts.full_scale,
            amperes.full_scale,
            ends_ns[:count],
        )
        return Levels(self._programmed_ns[:count], block)

    def setpoint(self, k: int) -> Setpoint:
        """What is programmed at level k."""
        return self._setpoint._replace(level=self._levels[k])

    def rest(self, k: int, source: Source) -> None:
        """Be at level k, of which `source` stands before the part and has arrived there."""
        assert isinstance(self._circuit, SettlingCircuit)  # no other is foreseen
        self._circuit.rest(source, int(self._begins_ns[k]))

    def spend(self, count: int) -> int:
        """Let go of the first `count` readings; when the last of them is over (ns)."""
        self._meters.voltage.spend(count)
        self._meters.current.spend(count)
        return int(self._ends_ns[count - 1])


def _before(first: float, values: Array) -> Array:
    """What stood before each value: the first, and then the values."""
    return np.concatenate(([first], values[:-1]))
