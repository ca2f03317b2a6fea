"""Which circuit goes with which form of physics."""

from __future__ import annotations

from drivers.simulated.circuit import Circuit
from drivers.simulated.network import NetworkCircuit
from drivers.simulated.parts.base import Network, Static
from drivers.simulated.static import StaticCircuit


def circuit_of(physics: Network | Static) -> Circuit:
    """The circuit of a part that hangs on nothing yet, at time 0."""
    return NetworkCircuit(physics) if isinstance(physics, Network) else StaticCircuit(physics)
