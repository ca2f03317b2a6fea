"""A supercapacitor: series resistance, a main capacitance, slow branches, and leakage.

    v   = v_0 + R_s · i
    (C_0 + k·|v_0|) · dv_0/dt = i − v_0/R_l − Σ (v_0 − v_k)/R_k
    C_k · dv_k/dt = (v_0 − v_k)/R_k

`capacitance` C_0 (F), `capacitance_per_volt` k (F/V): what the main capacitance grows by as it is
charged, none where it is left out; `series_resistance` R_s (ohm, above zero: no real one has none),
`slow_branches` with `resistance` R_k and `capacitance` C_k each, `leakage_resistance` R_l (ohm,
none where it is left out). `initial` is the state at the start: `voltage` of all capacitances, or
`voltages`, the main one first; 0 V where it is left out.

C_0 + k·|v_0| is the *differential* capacitance dq/dv: the charge is C_0·v + ½·k·v·|v| and the
energy ½·C_0·v² + ⅓·k·|v|³. The picture of a main capacitance that grows with the voltage, with
slower RC branches beside it, is that of L. Zubieta and R. Bonert, "Characterization of double-layer
capacitors for power electronics applications", IEEE Transactions on Industry Applications 36 (2000)
(from memory).

Damage, each where its limit on v_0 is stated (what is left: common practice, no source):

- above `bears_voltage` the electrolyte gasses: 70 % of the capacitance and twice the resistance
  remain, which is what counts as the end of its life;
- above `puncture_voltage` the separator gives way: a short of R_s inside;
- below −`bears_reversal` the electrodes are spoilt: it discharges itself within an hour.

Without k and limits the part is linear and solved exactly; else it is integrated.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Annotated, Literal

from pydantic import BeforeValidator, Field, model_validator

from drivers.fields import Data, Farads, Ohms, QuantityOf, Volts
from drivers.simulated.conditions import Conditions
from drivers.simulated.parts.base import (
    AtPort,
    Break,
    Changed,
    Dynamic,
    Network,
    PartModel,
    Static,
    Vector,
)
from drivers.simulated.parts.ohmic import Ohmic
from grammar.quantity import CAPACITANCE, VOLTAGE

FaradsPerVolt = Annotated[float, BeforeValidator(QuantityOf(CAPACITANCE.over(VOLTAGE), "30 F/V"))]

MOST_BRANCHES = 7
SPOILT_S = 3600.0

EXAMPLE = """
[parts.bank]                             # keeps the logger alive through the night
model = "supercapacitor"
capacitance = "280 F"
capacitance_per_volt = "30 F/V"
series_resistance = "3.2 mohm"
slow_branches = [ { resistance = "0.5 ohm", capacitance = "30 F" } ]
leakage_resistance = "5 kohm"
bears_voltage = "2.85 V"
puncture_voltage = "3.6 V"
bears_reversal = "0.2 V"
initial = { voltage = "0 V" }
"""


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
    capacitance_per_volt: FaradsPerVolt = Field(default=0.0, ge=0, examples=["30 F/V"])
    series_resistance: Ohms = Field(gt=0, examples=["3.2 mohm"])
    slow_branches: tuple[SlowBranch, ...] = ()
    leakage_resistance: Ohms | None = Field(default=None, gt=0)
    bears_voltage: Volts | None = Field(default=None, gt=0, examples=["2.85 V"])
    puncture_voltage: Volts | None = Field(default=None, gt=0, examples=["3.6 V"])
    bears_reversal: Volts | None = Field(default=None, gt=0, examples=["0.2 V"])
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
        bears, punctures = self.bears_voltage, self.puncture_voltage
        if bears is not None and punctures is not None and punctures <= bears:
            raise ValueError(
                f"is punctured at {punctures:g} V, before it has gassed at {bears:g} V: "
                "“puncture_voltage” must be above “bears_voltage”"
            )
        begins = self._begins[0]
        for limit in (bears, punctures, self.bears_reversal and -self.bears_reversal):
            if limit is not None and begins / limit >= 1:
                raise ValueError(
                    f"begins at {begins:g} V, and bears no more than {limit:g} V: write another "
                    "“initial” voltage"
                )
        return self

    @property
    def _begins(self) -> Vector:
        size = 1 + len(self.slow_branches)
        if self.initial is None:
            return (0.0,) * size
        return self.initial.voltages or (self.initial.voltage or 0.0,) * size

    def physics(self, conditions: Conditions) -> Network | Dynamic:
        """The network of the equations above; state 0 is v_0, state k is v_k."""
        limits = (self.bears_voltage, self.puncture_voltage, self.bears_reversal)
        if self.capacitance_per_volt > 0 or any(limit is not None for limit in limits):
            return DoubleLayer(self, self._begins)
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
        return Network(
            a=tuple(tuple(row) for row in rows),
            b=(1 / self.capacitance, *rest),
            c=(1.0, *rest),
            d=self.series_resistance,
            storage=(self.capacitance, *(branch.capacitance for branch in self.slow_branches)),
            initial=self._begins,
        )


class DoubleLayer:
    """A supercapacitor that is not linear, or can be damaged; its state is v_0 and all v_k (V)."""

    def __init__(self, part: Supercapacitor, initial: Vector) -> None:
        self.initial = initial
        self.magnitudes: Vector = (1.0,) * len(initial)
        self.inductances: Vector = (0.0,)
        self.kinks: Sequence[float] = ()
        self.breaks: Sequence[Break] = _breaks(part)
        self._capacitance, self._growth = part.capacitance, part.capacitance_per_volt
        self._series = part.series_resistance
        self._leak = 1 / part.leakage_resistance if part.leakage_resistance else 0.0
        self._branches = [(1 / b.resistance, b.capacitance) for b in part.slow_branches]

    def law(self, port: int, time_s: float, state: Vector, before: Sequence[AtPort]) -> Static:
        """v_0 behind the series resistance."""
        return Ohmic(self._series, state[0])

    def rates(self, time_s: float, state: Vector, ports: Sequence[AtPort]) -> Sequence[float]:
        """dv_0/dt, then every dv_k/dt."""
        main = state[0]
        charging = ports[0].current - main * self._leak
        slow = []
        for (conductance, capacitance), voltage in zip(self._branches, state[1:], strict=True):
            current = (main - voltage) * conductance
            charging -= current
            slow.append(current / capacitance)
        return (charging / (self._capacitance + self._growth * abs(main)), *slow)

    def stored(self, state: Vector) -> float:
        """The energy of all capacitances (J)."""
        main = abs(state[0])
        energy = (self._capacitance / 2 + self._growth * main / 3) * main * main
        for (_, capacitance), voltage in zip(self._branches, state[1:], strict=True):
            energy += capacitance * voltage * voltage / 2
        return energy

    def lost(self, time_s: float, state: Vector, ports: Sequence[AtPort]) -> float:
        """The heat (W) of all resistances."""
        main = state[0]
        heat = self._series * ports[0].current ** 2 + main * main * self._leak
        for (conductance, _), voltage in zip(self._branches, state[1:], strict=True):
            heat += (main - voltage) ** 2 * conductance
        return heat


def _breaks(part: Supercapacitor) -> list[Break]:
    """What the stated limits make of it; each can happen once."""

    def at(limit: float, sign: int, key: str, text: str, **becomes: float) -> Break:
        rest = part.model_copy(update={key: None, **becomes})
        return Break(
            lambda time_s, state, ports: limit - sign * state[0],
            lambda time_s, state: Changed(DoubleLayer(rest, state), text),
        )

    breaks = []
    if part.bears_voltage is not None:
        breaks.append(
            at(
                part.bears_voltage,
                1,
                "bears_voltage",
                f"the electrolyte gassed: more than the {part.bears_voltage:g} V that it bears; "
                "it has lost capacitance and gained resistance",
                capacitance=0.7 * part.capacitance,
                capacitance_per_volt=0.7 * part.capacitance_per_volt,
                series_resistance=2 * part.series_resistance,
            )
        )
    if part.puncture_voltage is not None:
        breaks.append(
            at(
                part.puncture_voltage,
                1,
                "puncture_voltage",
                f"the separator was punctured at {part.puncture_voltage:g} V: it is shorted inside",
                leakage_resistance=part.series_resistance,
            )
        )
    if part.bears_reversal is not None:
        spoilt = SPOILT_S / part.capacitance
        breaks.append(
            at(
                part.bears_reversal,
                -1,
                "bears_reversal",
                f"it was reversed by more than the {part.bears_reversal:g} V that it bears: its "
                "electrodes are spoilt and it discharges itself",
                leakage_resistance=min(spoilt, part.leakage_resistance or spoilt),
            )
        )
    return breaks
