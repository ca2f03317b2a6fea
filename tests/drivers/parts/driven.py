"""The part of a table `[parts.…]` on a source, solved without an instrument between."""

from __future__ import annotations

from drivers.simulated.circuits.circuit import Source
from drivers.simulated.circuits.dynamic import DynamicPort
from drivers.simulated.conditions import Conditions
from tests.drivers.parts import driving
from tests.drivers.parts.examples import dynamic_of, part_of


def driven(text: str, source: Source, conditions: Conditions | None = None) -> DynamicPort:
    """The one pair of terminals of a part on a source from time 0 on."""
    (port,) = driving.driven(dynamic_of(part_of(text), conditions), source)
    return port
