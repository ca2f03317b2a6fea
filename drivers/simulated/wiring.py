"""What hangs on each channel of a bench: a part with its leads, in the circuit that fits it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple, cast

from drivers.simulated.circuits.circuit import Circuit
from drivers.simulated.circuits.leads import NO_LEADS, RIGHT, Leads, Wired, Wrong
from drivers.simulated.circuits.linear import Linear
from drivers.simulated.circuits.network import NetworkCircuit
from drivers.simulated.circuits.settling import SettlingCircuit
from drivers.simulated.parts.base import Dynamic, Network, Physics, Static
from drivers.simulated.parts.stateless import Stateless


class Wiring(NamedTuple):
    """What lies before a pair of terminals, and what is wrong with it."""

    leads: Leads = NO_LEADS
    wrong: Wrong = RIGHT


PLAIN = Wiring()


def circuits_of(
    physics: Physics, name: str = "the part", wirings: Sequence[Wiring] = ()
) -> tuple[Circuit, ...]:
    """The circuits of a part that hangs on nothing yet, at time 0: one for each pair of terminals.

    `name` is the part's on the bench, for messages; `wirings` are those of its pairs, plain ones
    where they are left out. What is linear or has no memory is solved exactly, unless its leads
    make more of it.
    """
    plain = all(wiring == PLAIN for wiring in wirings)
    if plain and isinstance(physics, Network):
        return (NetworkCircuit(physics),)
    if plain and not hasattr(physics, "rates"):
        return (SettlingCircuit(cast(Static, physics)),)
    from drivers.simulated.circuits.dynamic import Dynamics

    part = as_dynamic(physics)
    if not plain:
        part = Wired(part, *zip(*wirings, strict=True))
    return Dynamics(part, name).ports


def as_dynamic(physics: Physics) -> Dynamic:
    """Any part as one that moves by a differential equation."""
    if isinstance(physics, Network):
        return Linear(physics, physics.initial)
    if hasattr(physics, "rates"):
        return cast(Dynamic, physics)
    law = physics
    return Stateless(lambda _: law)


def circuit_of(physics: Physics, name: str = "the part") -> Circuit:
    """The circuit of a part with one pair of terminals."""
    return circuits_of(physics, name)[0]
