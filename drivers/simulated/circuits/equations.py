"""A part between its sources at one moment: what its state makes of all the rest.

Which stretch of its staircase each source is on is given; whether that still holds, the margins
say. The module marches through no time.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from drivers.simulated.circuits.approach import Approach
from drivers.simulated.circuits.circuit import Source
from drivers.simulated.circuits.motion import Moment
from drivers.simulated.circuits.operating import (
    Operating,
    at_terminals,
    at_terminals_if_any,
    hold,
    margins,
    operate,
    with_inductance,
)
from drivers.simulated.parts.base import AtPort, Dynamic

NO_TIME_S = 1e-15
"""A kink so near is the one that has just been come to."""
_FIRST_S = 1e-6
_NUDGE = 1e-6


class Equations:
    """A part between its sources, at one set of stretches: what its state makes of all the rest.

    The vector z holds the part's states and then the currents of its inductances; times are in
    seconds after `origin`.
    """

    def __init__(
        self,
        part: Dynamic,
        sources: Sequence[Source | Approach],
        stretches: Sequence[int],
        origin: Moment,
    ) -> None:
        self.part, self.sources, self.stretches = part, tuple(sources), tuple(stretches)
        self.origin, self._origin_s = origin, origin.s
        # What jumps at a kink is seen from this side of it, however its time is rounded.
        soon_s = self._origin_s + NO_TIME_S * max(1.0, self._origin_s)
        self._first_s = max((k for k in part.kinks if k <= soon_s), default=0.0)
        kink_s = min((k for k in part.kinks if k > soon_s), default=math.inf)
        self._last_s = math.nextafter(kink_s, 0.0)
        self.until_kink_s = kink_s - self._origin_s
        self.size = len(part.initial)
        coils = [port for port, henries in enumerate(part.inductances) if henries > 0]
        self.place_of = {port: self.size + k for k, port in enumerate(coils)}
        self._known: dict[int, tuple[float, Source]] = {}

    def _time(self, time_s: float) -> float:
        """The bench's time (s) for the part."""
        return min(max(self._origin_s + time_s, self._first_s), self._last_s)

    def source(self, port: int, time_s: float) -> Source:
        """What a source is at a time."""
        source = self.sources[port]
        if isinstance(source, Source):
            return source
        # What is at the terminals and what is left until an event ask for the same moment.
        known = self._known.get(port)
        if known is None or known[0] != time_s:
            known = time_s, source.at(self.origin.since(source.begin) + time_s)
            self._known[port] = known
        return known[1]

    def _moves(self, port: int, time_s: float) -> float:
        """How fast the current moves that a source regulates, on its way (A/s)."""
        source, stretch = self.sources[port], self.stretches[port]
        if isinstance(source, Source) or stretch % 2 == 1:
            return 0.0
        return source.moves(stretch // 2, self.origin.since(source.begin) + time_s)

    def at_ports(self, time_s: float, z: Sequence[float], finite: bool = False) -> list[Operating]:
        """What is at each pair of terminals.

        With `finite` also where a law has no voltage: so a solver may look beyond that moment.
        """
        x = tuple(z[: self.size])
        before: list[AtPort] = []
        found: list[Operating] = []
        for port in range(len(self.sources)):
            source = self.source(port, time_s)
            law = self.part.law(port, self._time(time_s), x, before)
            stretch, place = self.stretches[port], self.place_of.get(port)
            if place is None:
                at = (at_terminals_if_any if finite else at_terminals)(law, source, stretch)
            else:
                henries = self.part.inductances[port]
                moves = self._moves(port, time_s)
                at = with_inductance(law, source, stretch, z[place], henries, moves)
            found.append(at)
            before.append(AtPort(at.voltage, at.current))
        return found

    def rates(self, time_s: float, z: Sequence[float]) -> list[float]:
        """dz/dt."""
        found = self.at_ports(time_s, z, finite=True)
        ports = [AtPort(at.voltage, at.current) for at in found]
        rates = self.part.rates(self._time(time_s), tuple(z[: self.size]), ports)
        return [*rates, *(found[port].slope for port in self.place_of)]

    def first_step(self, z: Sequence[float], sizes: Sequence[float]) -> float:
        """A step (s) that is short beside what moves at the origin and what would move it back.

        The integrator goes by the rates alone, and takes far too long a one where a stiff part is
        at rest.
        """
        scale = [max(abs(value), size) for value, size in zip(z, sizes, strict=True)]
        rates = self.rates(0.0, z)
        fastest = max((abs(r) / s for r, s in zip(rates, scale, strict=True)), default=0.0)
        back = [0.0] * len(rates)
        for k, moved in enumerate(scale):
            there = [*z[:k], z[k] + _NUDGE * moved, *z[k + 1 :]]
            for j, rate in enumerate(self.rates(0.0, there)):
                back[j] += abs(rate - rates[j]) / (_NUDGE * scale[j])
        return min(_FIRST_S, 1e-3 / max(fastest, 1e-3), 0.1 / max(*back, 1e-3))

    def margins(self, time_s: float, z: Sequence[float], found: list[Operating]) -> list[float]:
        """What is left before each event: two for each port, then one for each break."""
        left: list[float] = []
        for port, at in enumerate(found):
            left += margins(at, self.source(port, time_s))
        if self.part.breaks:
            x = tuple(z[: self.size])
            ports = [AtPort(at.voltage, at.current) for at in found]
            left += [b.margin(self._time(time_s), x, ports) for b in self.part.breaks]
        return left

    def settled(self, z: Sequence[float]) -> tuple[list[int], list[float]]:
        """The stretches in control at the origin, after a jump, and z as it is then."""
        z, stretches = list(z), []
        x = tuple(z[: self.size])
        before: list[AtPort] = []
        for port in range(len(self.sources)):
            source = self.source(port, 0.0)
            law = self.part.law(port, self._time(0.0), x, before)
            place = self.place_of.get(port)
            if place is None:
                stretches.append(operate(law, source))
                at = at_terminals(law, source, stretches[-1])
            else:
                stretch, z[place] = hold(law, source, z[place])
                stretches.append(stretch)
                at = with_inductance(law, source, stretch, z[place], self.part.inductances[port])
            before.append(AtPort(at.voltage, at.current))
        return stretches, z
