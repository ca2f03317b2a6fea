"""Parts on sources of the simulated circuits, without an instrument's ranges and limits."""

from __future__ import annotations

from drivers.clock import NANOSECONDS
from drivers.simulated.circuits.circuit import Source
from drivers.simulated.circuits.dynamic import DynamicPort, Dynamics
from drivers.simulated.parts.base import Dynamic


def holding(volts: float, amperes: float = 1e6, ohms: float = 0.0) -> Source:
    """A voltage behind a resistance, whose current is limited either way."""
    return Source((amperes, -amperes), (volts,), 1, ohms, 0.0)


def pushing(amperes: float, volts: float = 1e6) -> Source:
    """A current, whose voltage is limited either way."""
    most = abs(amperes) + 1e6
    return Source((most, amperes, -most), (-volts, volts), 2, 0.0, 0.0)


def driven(part: Dynamic, *sources: Source) -> tuple[DynamicPort, ...]:
    """A part with these sources before its pairs of terminals, from time 0."""
    ports = Dynamics(part, "it").ports
    for port, source in zip(ports, sources, strict=False):
        port.connect(source, 0)
    return ports


def at(port: DynamicPort, time_s: float) -> tuple[float, float]:
    """Voltage (V) and current (A) at a time (s), to which the bench's time moves."""
    port.advance(round(time_s * NANOSECONDS))
    piece = port.motion()
    since_s = time_s - piece.begin.s
    return piece.value("voltage", since_s), piece.value("current", since_s)
