"""A cell, or several in series that differ: open-circuit voltage, resistance, slow polarisation.

    v = Σ_k (U(s_k) + R_k·i) + N·Σ_j v_j
    Q_k · ds_k/dt = ε·i − U(s_k)/R_l,   ε the coulombic efficiency for i > 0, else 1
    τ_j · dv_j/dt = R_j·i − v_j
    R_k = R_0 · (1 + d_k) · exp(T_a·(1/T − 1/T_0))

U over the charge s (a share of the capacity) is that of open_circuit.py: by `chemistry`, one of
"lithium-ion", "iron phosphate", "lead-acid" and "nickel-metal hydride", or by a table of one's own,
`open_circuit`, from 0 % to 100 %. All figures are those of one cell: `capacity` Q (C, or Ah),
`series_resistance` R_0 (ohm, above zero) at `reference_temperature` T_0 (25 °C), `branches` with
`resistance` R_j (ohm) and `time_constant` τ_j (s) each, as of charge transfer and diffusion, two of
them as a rule; `coulombic_efficiency` (100 %), `activation_temperature` T_a (K; activation energy
over Boltzmann's constant; 0), `leakage_resistance` R_l (ohm, none where left out).
`age` multiplies: `capacity` of it is left, `resistance` has grown to (R_0 and the branches).
`in_series` is N, and `cells` says how each of them deviates: `capacity`, `resistance` d_k (both in
% of the figure) and `charge` (in % of the capacity, beside `initial`). `initial` is the state at
the start, `charge` (50 %), rested. `heating` (heating.py) takes all heat of all cells; without it
they are as warm as the ambient.

Limits of damage of each cell, none where left out: `bears_voltage` (V), beyond which it is
overcharged, vents and is open; `bears_reversal` (V, above zero), beyond which it is driven in
reverse so far that it becomes a short; `bears` in `heating`, beyond which it vents and is open.

Sources: the circuit is the usual equivalent one (common practice, no source); the resistance's
temperature law is S. Arrhenius's. Left out: hysteresis, an open-circuit voltage that goes with
temperature and the heat of reaction, capacity that goes with current and temperature (but for what
the resistances take), gassing that ends a charge by itself, and ageing meanwhile.
"""

from __future__ import annotations

import math
from itertools import pairwise
from typing import Annotated, Literal, Self

from pydantic import BeforeValidator, Field, model_validator

from drivers.fields import (
    Data,
    Kelvins,
    KelvinsDifference,
    Ohms,
    QuantityOf,
    Ratio,
    Seconds,
    Volts,
)
from drivers.simulated.conditions import Conditions
from drivers.simulated.parts.base import PartModel
from drivers.simulated.parts.cell_stack import Figures, Single, Stack
from drivers.simulated.parts.heating import Heating, HeatPath
from drivers.simulated.parts.open_circuit import CHEMISTRIES, OpenCircuit
from grammar.quantity import CHARGE, VOLTAGE, write

EXAMPLE = """
[parts.store]                            # the station's battery, four cells that have lived apart
model = "cell"
chemistry = "lithium-ion"
capacity = "2.6 Ah"
series_resistance = "22 mohm"
branches = [ { resistance = "9 mohm", time_constant = "0.8 s" },
             { resistance = "14 mohm", time_constant = "40 s" } ]
coulombic_efficiency = "99.8 %"
activation_temperature = "2200 K"
reference_temperature = "25 °C"
leakage_resistance = "40 kohm"
age = { capacity = "91 %", resistance = "130 %" }
in_series = 4
cells = [ { capacity = "1 %" }, { capacity = "-6 %", resistance = "15 %" }, { charge = "-3 %" },
          {} ]
heating = { heat_capacity = "160 J/K", thermal_resistance = "4 K/W", bears = "80 °C" }
initial = { charge = "40 %" }
bears_voltage = "4.35 V"
bears_reversal = "1 V"
"""

EXAMPLE_TABLE = """
[parts.clock]                            # by a table of its own
model = "cell"
open_circuit = [ ["0 %", "2.0 V"], ["10 %", "2.7 V"], ["90 %", "2.95 V"], ["100 %", "3.2 V"] ]
capacity = "220 mAh"
series_resistance = "15 ohm"
"""

Coulombs = Annotated[float, BeforeValidator(QuantityOf(CHARGE, example="2.6 Ah"))]
ChargeShare = Annotated[Ratio, Field(ge=0, le=1, examples=["50 %"])]
CellVolts = Annotated[Volts, Field(ge=0, examples=["3.7 V"])]


class Branch(Data):
    """A resistance with a capacitance across it: what polarises with a time constant."""

    resistance: Ohms = Field(gt=0, examples=["15 mohm"])
    time_constant: Seconds = Field(gt=0, examples=["5 s"])


class Deviation(Data):
    """How one of the cells differs from the figures given."""

    capacity: Ratio = Field(default=0.0, gt=-1, lt=1)
    charge: Ratio = Field(default=0.0, ge=-1, le=1)
    resistance: Ratio = Field(default=0.0, gt=-1)


class Age(Data):
    """What has become of a new cell: factors for its figures."""

    capacity: Ratio = Field(default=1.0, gt=0, examples=["90 %"])
    resistance: Ratio = Field(default=1.0, gt=0, examples=["130 %"])


class Charged(Data):
    """The state at the start."""

    charge: ChargeShare


class Cell(PartModel):
    """The parameters of a cell or of several in series."""

    model: Literal["cell"]
    chemistry: (
        Literal["lithium-ion", "iron phosphate", "lead-acid", "nickel-metal hydride"] | None
    ) = None
    open_circuit: tuple[tuple[ChargeShare, CellVolts], ...] | None = Field(
        default=None, min_length=2, max_length=1000
    )
    capacity: Coulombs = Field(gt=0, examples=["2.6 Ah"])
    series_resistance: Ohms = Field(gt=0, examples=["22 mohm"])
    branches: tuple[Branch, ...] = Field(default=(), max_length=4)
    coulombic_efficiency: Ratio = Field(default=1.0, gt=0, le=1, examples=["99.8 %"])
    activation_temperature: KelvinsDifference = Field(default=0.0, ge=0, le=20_000)
    reference_temperature: Kelvins = Field(default=298.15, ge=100)
    leakage_resistance: Ohms | None = Field(default=None, gt=0, examples=["40 kohm"])
    age: Age = Age()
    in_series: int = Field(default=1, strict=True, ge=1, le=100, examples=[4])
    cells: tuple[Deviation, ...] | None = None
    heating: Heating | None = None
    initial: Charged = Charged(charge=0.5)
    bears_voltage: Volts | None = Field(default=None, gt=0, examples=["4.35 V"])
    bears_reversal: Volts | None = Field(default=None, gt=0, examples=["1 V"])

    @model_validator(mode="after")
    def _has_a_voltage(self) -> Self:
        if (self.chemistry is None) == (self.open_circuit is None):
            raise ValueError(
                'must have either a chemistry = "lithium-ion" or another one that is known, or a '
                'table open_circuit = [["0 %", "3.0 V"], ["100 %", "4.2 V"]]'
            )
        table = self.open_circuit or CHEMISTRIES[self.chemistry or ""]
        if (table[0][0], table[-1][0]) != (0, 1):
            raise ValueError(
                f"has an “open_circuit” from {100 * table[0][0]:g} % to {100 * table[-1][0]:g} %: "
                "begin with 0 % and end with 100 %"
            )
        for before, after in pairwise(table):
            if after[0] <= before[0] or after[1] < before[1]:
                raise ValueError(
                    f"has an “open_circuit” that doesn't rise from {100 * before[0]:g} %, "
                    f"{before[1]:g} V to {100 * after[0]:g} %, {after[1]:g} V: the emptiest first, "
                    "each charge once, and no voltage below the one before it"
                )
        return self

    @model_validator(mode="after")
    def _fits_together(self) -> Self:
        if self.cells is not None and len(self.cells) != self.in_series:
            raise ValueError(
                f"says how {len(self.cells)} “cells” deviate, and has {self.in_series} “in_series”:"
                " one entry for each, { } for one that doesn't"
            )
        for k, deviation in enumerate(self.cells or (), start=1):
            charge = self.initial.charge + deviation.charge
            if not 0 <= charge <= 1:
                raise ValueError(
                    f"begins with {100 * charge:g} % of charge in its cell {k}: it can hold 0 % to "
                    "100 %"
                )
        voltage = OpenCircuit(self.open_circuit or CHEMISTRIES[self.chemistry or ""]).at(1.0)
        if self.bears_voltage is not None and self.bears_voltage <= voltage:
            raise ValueError(
                f"bears {write(self.bears_voltage, VOLTAGE)} and has {write(voltage, VOLTAGE)} in "
                "each cell when it is full: “bears_voltage” is above that"
            )
        return self

    def physics(self, conditions: Conditions) -> Stack:
        """The cells, rested, with their charge at the start."""
        deviations = self.cells or (Deviation(),) * self.in_series
        grown = self.age.resistance
        singles = [
            Single(
                number,
                self.capacity * self.age.capacity * (1 + deviation.capacity),
                self.series_resistance * grown * (1 + deviation.resistance),
            )
            for number, deviation in enumerate(deviations, start=1)
        ]
        figures = Figures(
            OpenCircuit(self.open_circuit or CHEMISTRIES[self.chemistry or ""]),
            tuple((branch.resistance * grown, branch.time_constant) for branch in self.branches),
            self.coulombic_efficiency,
            1 / self.leakage_resistance if self.leakage_resistance else 0.0,
            self.activation_temperature,
            self.reference_temperature,
            self.in_series,
            self.bears_voltage or math.inf,
            self.bears_reversal or math.inf,
        )
        path = HeatPath(self.heating, conditions.temperature) if self.heating else None
        charges = [self.initial.charge + deviation.charge for deviation in deviations]
        initial = (*(path.initial if path else ()), *(0.0 for _ in self.branches), *charges)
        return Stack(figures, conditions.temperature, path, singles, initial)
