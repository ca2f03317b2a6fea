"""A sensor by a table: straight lines between its points, and nothing past them.

Keys: the `quantity`, its `signals` (voltages, currents or resistances) and `values` point by point,
both rising or falling throughout; of a resistance `wires` and the `excitation` that it is measured
by, as well.
"""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from drivers.fields import Amperes
from drivers.sensors.base import Excitation, Wires
from drivers.sensors.linear import Transmitter


class Table(Transmitter):
    """A sensor by a table."""

    kind: Literal["table"]
    wires: Wires = 2
    excitation: Amperes = Field(default=1e-4, gt=0)

    @property
    def excited(self) -> Excitation | None:
        """The current through a resistance."""
        return Excitation(self.excitation, self.wires) if self.reads == "resistance" else None
