"""What every part model is: parameters from the bench file, and physics in one of three forms.

A *static* part answers at once: its current follows from its voltage. A *network* is a linear part
that stores: a state-space model driven by its current. A *dynamic* part is anything else: states
that move by a differential equation, and at a frozen state a law, as that of a static part, at each
of its pairs of terminals. Circuits solve any form; they know no part by name, and parts know no
source, no leads and no clock.

Sign convention: current is positive into the part.
"""

from __future__ import annotations

import math
from abc import abstractmethod
from collections.abc import Callable, Mapping, Sequence
from typing import TYPE_CHECKING, NamedTuple, Protocol

from drivers.fields import Data
from drivers.simulated.conditions import Conditions

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt

Vector = tuple[float, ...]
Matrix = tuple[Vector, ...]


class Network(NamedTuple):
    """A reciprocal RC network: dx/dt = A x + B i, v = c·x + D i, x in volts.

    `storage` holds the capacitance (F) of each state, so that diag(storage)·A is symmetric and
    storage·B = c: every eigenvalue of A is then real, and not above zero. D > 0 (ohm).
    """

    a: Matrix
    b: Vector
    c: Vector
    d: float
    storage: Vector
    initial: Vector


class Static(Protocol):
    """A part without memory, whose current never falls as its voltage rises."""

    def voltage_at(self, current: float) -> float:
        """The voltage (V) at a current (A); -inf or inf where the part can't carry it."""
        ...

    def current_through(self, voltage: float, series_resistance: float) -> float:
        """The current (A) from a voltage (V) through a resistance (ohm, may be 0) and the part."""
        ...


class StaticOfMany(Static, Protocol):
    """One that answers for many voltages at once, each to the bit as if it were the only one."""

    def currents_through(
        self, voltages: npt.NDArray[np.float64], series_resistance: float
    ) -> npt.NDArray[np.float64]:
        """The currents (A) from voltages (V) through a resistance (ohm, may be 0) and the part."""
        ...


class AtPort(NamedTuple):
    """Voltage (V) across a pair of terminals and current (A) into it."""

    voltage: float
    current: float


class Changed(NamedTuple):
    """What a part has become, and why.

    The physics go on from their own `initial`, at as many pairs of terminals as before. `damage`
    is False for what parts are made for, as a contact's film that gives way.
    """

    physics: Dynamic
    text: str
    damage: bool = True


class Break(NamedTuple):
    """What a part doesn't bear: when `margin` falls below zero, `then` says what it becomes.

    `margin` takes the time (s), the state and what is at the terminals, and is smooth; `then` takes
    the time and the state at that moment.
    """

    margin: Callable[[float, Vector, Sequence[AtPort]], float]
    then: Callable[[float, Vector], Changed]


class Dynamic(Protocol):
    """A part whose states x move by dx/dt = rates(t, x, ports).

    `magnitudes` are typical sizes of the states, by which the solver knows what is small;
    `inductances` (H) lie in series with the law of each pair of terminals (0 for none), their
    currents are the circuit's business and no states of the part. `kinks` are times (s) at which a
    condition bends or jumps. There are as many pairs of terminals as inductances.
    """

    @property
    def initial(self) -> Vector:
        """The state at the start."""
        ...

    @property
    def magnitudes(self) -> Vector:
        """A typical size of each state."""
        ...

    @property
    def inductances(self) -> Vector:
        """The inductance (H) in series with each law."""
        ...

    @property
    def kinks(self) -> Sequence[float]:
        """Times (s) at which a condition bends."""
        ...

    @property
    def breaks(self) -> Sequence[Break]:
        """What it doesn't bear."""
        ...

    def law(self, port: int, time_s: float, state: Vector, before: Sequence[AtPort]) -> Static:
        """How voltage and current go together at one pair of terminals, at a frozen state.

        `before` is what is at the pairs of terminals with lower numbers at this moment, as where
        light from a current falls on a photodiode.
        """
        ...

    def rates(self, time_s: float, state: Vector, ports: Sequence[AtPort]) -> Sequence[float]:
        """dx/dt; `ports` are without the voltage across the inductances."""
        ...

    def stored(self, state: Vector) -> float:
        """The energy (J) that could come back, that of the inductances left out."""
        ...

    def lost(self, time_s: float, state: Vector, ports: Sequence[AtPort]) -> float:
        """The power (W) that becomes heat, light or work for good, less what comes from outside."""
        ...


Physics = Network | Static | Dynamic


class Noise(NamedTuple):
    """What chance at a pair of terminals adds to readings; a part has no other.

    `resistance` R (ohm, inf for none) makes Johnson noise, 4·k·T·R in V²/Hz; a capacitance C across
    it lets the voltage follow within `settling_s` = R·C. `carrier` (C, 0 for none) is the charge in
    which current passes: shot noise, 2·q·I in A²/Hz.
    """

    resistance: float = math.inf
    settling_s: float = 0.0
    carrier: float = 0.0


QUIET = Noise()


class Lever:
    """What moves a part from outside at a moment, as a digital line does; `high` is its state."""

    __slots__ = ("high",)

    def __init__(self) -> None:
        self.high = False


class PartModel(Data):
    """The parameters of a part as the bench file gives them.

    `ports` names its pairs of terminals where it has several, the first one first.
    """

    model: str

    @abstractmethod
    def physics(self, conditions: Conditions) -> Physics:
        """The part's physics with these parameters, in its initial state, in these conditions."""

    @property
    def lines(self) -> Mapping[str, str]:
        """The digital lines that it feels, each by the key whose “line” names it."""
        return {}

    def on_lines(self, conditions: Conditions, levers: Mapping[str, Lever]) -> Physics:
        """As `physics`, where its digital lines move these levers (by their names)."""
        return self.physics(conditions)

    def noise(self, port: str) -> Noise:
        """The noise at a pair of its terminals."""
        return QUIET

    @property
    def ports(self) -> tuple[str, ...]:
        """The names of its pairs of terminals; a part with one pair has none to name."""
        return ("",)
