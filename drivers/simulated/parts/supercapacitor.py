"""A supercapacitor: series resistance, a main capacitance, slow branches, and leakage.

    v   = v_0 + R_s · i
    C_0 · dv_0/dt = i − v_0/R_l − Σ (v_0 − v_k)/R_k
    C_k · dv_k/dt = (v_0 − v_k)/R_k

`capacitance` C_0 (F), `series_resistance` R_s (ohm, above zero: no real one has none),
`slow_branches` with `resistance` R_k and `capacitance` C_k each, `leakage_resistance` R_l (ohm,
none where it is left out). `initial` is the state at the start: `voltage` of all capacitances, or
`voltages`, the main one first; 0 V where it is left out.

The picture of a main capacitance with slower RC branches beside it is that of L. Zubieta and
R. Bonert, "Characterization of double-layer capacitors for power electronics applications", IEEE
Transactions on Industry Applications 36 (2000) (from memory). The capacitance doesn't depend on the
voltage here.
"""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BeforeValidator, Field, model_validator

from drivers.fields import Data, Ohms, Volts, quantity_of
from drivers.simulated.parts.base import Network, PartModel, Vector
from grammar.quantity import CAPACITANCE

Farads = Annotated[float, BeforeValidator(quantity_of(CAPACITANCE))]

MOST_BRANCHES = 7


class SlowBranch(Data):
    """A resistance and a capacitance in series, beside the main capacitance."""

    resistance: Ohms = Field(gt=0, examples=["0.5 ohm"])
    capacitance: Farads = Field(gt=0, examples=["30 F"])


class Initial(Data):
    """The state at the start: one voltage for all, or one for each capacitance."""

    voltage: Volts | None = None
    voltages: tuple[Volts, ...] | None = None

    @model_validator(mode="after")
    def _one_of_them(self) -> Initial:
        if (self.voltage is None) == (self.voltages is None):
            raise ValueError('must give either one “voltage”, as in "0 V", or a list “voltages”')
        return self


class Supercapacitor(PartModel):
    """A supercapacitor's parameters."""

    model: Literal["supercapacitor"]
    capacitance: Farads = Field(gt=0, examples=["350 F"])
    series_resistance: Ohms = Field(gt=0, examples=["3.2 mohm"])
    slow_branches: tuple[SlowBranch, ...] = ()
    leakage_resistance: Ohms | None = Field(default=None, gt=0)
    initial: Initial | None = None

    @model_validator(mode="after")
    def _fits_together(self) -> Supercapacitor:
        branches = len(self.slow_branches)
        voltages = self.initial.voltages if self.initial else None
        if branches > MOST_BRANCHES:
            raise ValueError(f"has {branches} slow branches: at most {MOST_BRANCHES} are simulated")
        if voltages is not None and len(voltages) != 1 + branches:
            raise ValueError(
                f"needs {1 + branches} initial voltages, not {len(voltages)}: one for the main "
                "capacitance and one for each slow branch"
            )
        return self

    def physics(self) -> Network:
        """The network of the equations above; state 0 is v_0, state k is v_k."""
        size = 1 + len(self.slow_branches)
        rows = [[0.0] * size for _ in range(size)]
        if self.leakage_resistance is not None:
            rows[0][0] -= 1 / (self.leakage_resistance * self.capacitance)
        for k, branch in enumerate(self.slow_branches, start=1):
            rows[0][0] -= 1 / (branch.resistance * self.capacitance)
            rows[0][k] += 1 / (branch.resistance * self.capacitance)
            rows[k][0] += 1 / (branch.resistance * branch.capacitance)
            rows[k][k] -= 1 / (branch.resistance * branch.capacitance)
        rest = (0.0,) * (size - 1)
        initial: Vector = (0.0,) * size
        if self.initial is not None:
            initial = self.initial.voltages or (self.initial.voltage or 0.0,) * size
        return Network(
            a=tuple(tuple(row) for row in rows),
            b=(1 / self.capacitance, *rest),
            c=(1.0, *rest),
            d=self.series_resistance,
            storage=(self.capacitance, *(branch.capacitance for branch in self.slow_branches)),
            initial=initial,
        )
