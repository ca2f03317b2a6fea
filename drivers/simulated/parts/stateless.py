"""Parts that have a law and no state: those that go with time alone, and what damage leaves.

A part that gave way is *opened* or *shorted*: a resistance so large or so small that nothing else
of it matters. The figures are common practice, no source: 1 Tohm is what dirt leaves of an open
part, 10 mohm what a molten junction has.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

from drivers.simulated.parts.base import AtPort, Break, Static, Vector
from drivers.simulated.parts.ohmic import Ohmic

OPENED_OHMS = 1e20
"""So much that nothing of a picoampere is missed for it."""
SHORTED_OHMS = 0.01


class Stateless:
    """A dynamic part without states; `law_at` gives the law of every pair at a time (s)."""

    def __init__(
        self,
        law_at: Callable[[float], Static],
        inductances: Vector = (0.0,),
        kinks: Sequence[float] = (),
        breaks: Sequence[Break] = (),
    ) -> None:
        self._law_at = law_at
        self.initial: Vector = ()
        self.magnitudes: Vector = ()
        self.inductances = inductances
        self.kinks = kinks
        self.breaks = breaks

    def law(self, port: int, time_s: float, state: Vector, before: Sequence[AtPort]) -> Static:
        """The law at that time."""
        return self._law_at(time_s)

    def rates(self, time_s: float, state: Vector, ports: Sequence[AtPort]) -> Sequence[float]:
        """Nothing moves."""
        return ()

    def stored(self, state: Vector) -> float:
        """Nothing is stored."""
        return 0.0

    def lost(self, time_s: float, state: Vector, ports: Sequence[AtPort]) -> float:
        """All that goes in (W)."""
        return sum(at.voltage * at.current for at in ports)


def opened(ports: int = 1) -> Stateless:
    """What is left of a part that is open now, at each pair of its terminals."""
    return Stateless(lambda _: Ohmic(OPENED_OHMS), (0.0,) * ports)


def shorted(ports: int = 1) -> Stateless:
    """What is left of a part that is a short now, at each pair of its terminals."""
    return Stateless(lambda _: Ohmic(SHORTED_OHMS), (0.0,) * ports)
