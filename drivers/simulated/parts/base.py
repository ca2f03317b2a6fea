"""What every part model is: parameters from the bench file, and physics in one of two forms.

A *network* is a linear part that stores: a state-space model driven by its current. A *static* part
answers at once: its current follows from its voltage. Circuits solve either form; they know no
part by name, and parts know no source, no leads and no time.

Sign convention: current is positive into the part.
"""

from __future__ import annotations

from abc import abstractmethod
from typing import NamedTuple, Protocol

from drivers.fields import Data

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
    """A part without memory whose current rises with its voltage, through (0 V, 0 A)."""

    def voltage_at(self, current: float) -> float:
        """The voltage (V) at a current (A); -inf or inf where the part can't carry it."""
        ...

    def current_through(self, voltage: float, series_resistance: float) -> float:
        """The current (A) from a voltage (V) through a resistance (ohm, may be 0) and the part."""
        ...


class PartModel(Data):
    """The parameters of a part as the bench file gives them."""

    model: str

    @abstractmethod
    def physics(self) -> Network | Static:
        """The part's physics with these parameters, in its initial state."""
