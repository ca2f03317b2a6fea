"""A linear part that stores as one that moves by a differential equation, as behind leads."""

from __future__ import annotations

from collections.abc import Sequence

from drivers.simulated.parts.base import AtPort, Network, Static, Vector
from drivers.simulated.parts.ohmic import Ohmic
from drivers.simulated.parts.stateless import Stateless


class Linear(Stateless):
    """A network as a dynamic part, from a state on."""

    def __init__(self, network: Network, state: Vector) -> None:
        super().__init__(lambda _: Ohmic(network.d))
        self._network = network
        self.initial = state
        self.magnitudes = (1.0,) * len(state)

    def law(self, port: int, time_s: float, state: Vector, before: Sequence[AtPort]) -> Static:
        """v = c·x + D i."""
        inside = sum(c * x for c, x in zip(self._network.c, state, strict=True))
        return Ohmic(self._network.d, inside)

    def rates(self, time_s: float, state: Vector, ports: Sequence[AtPort]) -> Sequence[float]:
        """dx/dt = A x + B i."""
        network, current = self._network, ports[0].current
        return [
            sum(a * x for a, x in zip(row, state, strict=True)) + b * current
            for row, b in zip(network.a, network.b, strict=True)
        ]
