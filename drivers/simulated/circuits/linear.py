"""A linear part that stores as one that moves by a differential equation, as behind leads.

With x' = A x + B i and the storage S, for which S·B = c, ½·xᵀ·S·x is stored; what is left of the
power (c·x + D i)·i is D·i² − xᵀ·S·A·x, which becomes heat.
"""

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

    def stored(self, state: Vector) -> float:
        """½ Σ S x² (J)."""
        return sum(s * x * x for s, x in zip(self._network.storage, state, strict=True)) / 2

    def lost(self, time_s: float, state: Vector, ports: Sequence[AtPort]) -> float:
        """D i² − xᵀ S A x (W)."""
        network, current = self._network, ports[0].current
        rows = zip(network.storage, network.a, state, strict=True)
        released = sum(
            s * x * sum(a * y for a, y in zip(row, state, strict=True)) for s, row, x in rows
        )
        return network.d * current**2 - released
