"""What diodes, LEDs and suppressors have in common: parameters of a junction, and its physics.

The law and its temperature are in junction.py, heat in heating.py, capacitance in depletion.py.
Without `heating` the junction stays at `temperature`, at which all of its figures hold; with it,
the junction follows the ambient and warms by what it takes up:

    p = v_j·i_j·(1 − share of light) + R_s·i²
    C(v_j) · dv_j/dt = i − i_j(v_j, T)           where it has a capacitance, else i_j = i

The series resistance doesn't go with temperature. Left out: high injection, recovery, the spread of
current over the junction (a second breakdown), and age.
"""

from __future__ import annotations

from abc import abstractmethod
from collections.abc import Sequence
from typing import Literal

from pydantic import Field, model_validator

from drivers.fields import (
    Amperes,
    Data,
    Farads,
    Joules,
    Kelvins,
    Ohms,
    PerKelvin,
    Ratio,
    Volts,
)
from drivers.simulated.conditions import Conditions
from drivers.simulated.parts.base import (
    AtPort,
    Break,
    Changed,
    Noise,
    PartModel,
    Physics,
    Static,
    Vector,
)
from drivers.simulated.parts.depletion import Depletion
from drivers.simulated.parts.heating import Heating, HeatPath
from drivers.simulated.parts.junction import ELEMENTARY_CHARGE_C, Junction, Knee, Material
from drivers.simulated.parts.ohmic import Ohmic
from drivers.simulated.parts.stateless import opened, shorted


class Breakdown(Data):
    """A breakdown voltage (V) at a current (A); `ideality` (n_b) sets how softly it begins.

    `temperature_coefficient` (1/K) is that of the voltage.
    """

    voltage: Volts = Field(gt=0, examples=["12 V"])
    current: Amperes = Field(gt=0, examples=["1 mA"])
    ideality: Ratio = Field(default=1.0, ge=0.1)
    temperature_coefficient: PerKelvin = Field(default=0.0, ge=-0.01, le=0.01)


class JunctionPart(PartModel):
    """The parameters of a junction."""

    ideality: Ratio = Field(default=1.0, ge=0.1)
    series_resistance: Ohms = Field(default=0.0, ge=0)
    temperature: Kelvins = Field(default=298.15, gt=0)
    band_gap: Volts = Field(default=1.11, gt=0, examples=["1.11 V"])
    saturation_exponent: Ratio = Field(default=3.0, ge=0)
    breakdown: Breakdown | None = None
    capacitance: Farads | None = Field(default=None, gt=0, examples=["500 pF"])
    grading: Ratio = Field(default=0.0, ge=0, le=0.9)
    junction_potential: Volts = Field(default=0.8, gt=0)
    heating: Heating | None = None
    bears_energy: Joules | None = Field(default=None, gt=0, examples=["2 J"])
    fails: Literal["short", "open"] = "short"

    @model_validator(mode="after")
    def _holds_together(self) -> JunctionPart:
        if self.capacitance is not None and self.series_resistance == 0:
            raise ValueError(
                "has a “capacitance” and no “series_resistance”, so that any step of voltage "
                'would drive a current without bound: add one, as in "50 mohm"'
            )
        if self.capacitance is None and self.grading > 0:
            raise ValueError(
                "has a “grading” and no “capacitance” that it would be that of: add the "
                'capacitance at 0 V, as in "500 pF", or leave the grading out'
            )
        if self.bears_energy is not None and self.heating is None:
            raise ValueError(
                "has “bears_energy” and no “heating”, in which that energy would be kept: add "
                'it, as in heating = { heat_capacity = "3 mJ/K", thermal_resistance = "2 K/W" }'
            )
        return self

    @abstractmethod
    def saturation(self) -> float:
        """The saturation current (A) at `temperature`."""

    @property
    def clamps_both_ways(self) -> bool:
        """Whether it is two junctions back to back."""
        return False

    @property
    def polarity(self) -> float:
        """1.0 where positive currents flow from anode to cathode, else -1.0."""
        return 1.0

    @property
    def light(self) -> float:
        """The share of the junction's power that leaves it as light."""
        return 0.0

    def material(self) -> Material:
        """The law of the junction, at any temperature."""
        knee, drift = None, 0.0
        if self.breakdown is not None:
            knee = Knee(self.breakdown.voltage, self.breakdown.current, self.breakdown.ideality)
            drift = self.breakdown.temperature_coefficient
        return Material(
            self.saturation(), self.ideality, self.series_resistance, self.temperature,
            self.band_gap, self.saturation_exponent, knee, drift, self.clamps_both_ways,
            self.polarity,
        )  # fmt: skip

    def noise(self, port: str) -> Noise:
        """The shot noise of what passes the junction."""
        return Noise(carrier=ELEMENTARY_CHARGE_C)

    def physics(self, conditions: Conditions) -> Physics:
        """The junction, static where it neither warms nor stores."""
        if self.heating is None and self.capacitance is None:
            return self.material().at(self.temperature)
        return JunctionPhysics(self, conditions)


class JunctionPhysics:
    """A junction that warms, or stores, or both.

    The states are those of the heat path, then v_j (V), as far as there are such.
    """

    def __init__(self, part: JunctionPart, conditions: Conditions) -> None:
        self._material = part.material()
        self._light = part.light
        self._path: HeatPath | None = None
        self._cached = (part.temperature, self._material.at(part.temperature))
        self.initial: Vector = ()
        self.magnitudes: Vector = ()
        self.kinks: Sequence[float] = ()
        self.inductances: Vector = (0.0,)
        self.breaks: Sequence[Break] = ()
        if part.heating is not None:
            self._path = path = HeatPath(part.heating, conditions.temperature)
            self.initial, self.magnitudes, self.kinks = path.initial, path.magnitudes, path.kinks

            def fails(reason: str) -> Changed:
                if part.fails == "open":
                    return Changed(opened(), f"the junction burnt open: {reason}")
                return Changed(shorted(), f"the junction was punctured and is a short: {reason}")

            self.breaks = path.breaks(part.bears_energy, fails)
        self._depletion: Depletion | None = None
        if part.capacitance is not None:
            self._depletion = Depletion(
                part.capacitance, part.junction_potential, part.grading, part.clamps_both_ways
            )
            self.initial += (0.0,)
            self.magnitudes += (0.01,)

    def _junction(self, state: Vector) -> Junction:
        """The law at the state's temperature; law and rates of one state ask in turn."""
        if self._path is None:
            return self._cached[1]
        temperature = self._path.temperature(state)
        if self._cached[0] != temperature:
            self._cached = (temperature, self._material.at(temperature))
        return self._cached[1]

    def law(self, port: int, time_s: float, state: Vector, before: Sequence[AtPort]) -> Static:
        """The junction's law; behind a capacitance, its series resistance."""
        if self._depletion is None:
            return self._junction(state)
        return Ohmic(self._material.series_resistance, state[-1])

    def rates(self, time_s: float, state: Vector, ports: Sequence[AtPort]) -> Sequence[float]:
        """dT/dt of the heat path, then dv_j/dt."""
        current = ports[0].current
        heat = self._heat(state, ports[0])
        rates = [] if self._path is None else self._path.flows(time_s, heat, state)
        if self._depletion is not None:
            charging = current - self._junction(state).current_at(state[-1])
            forward = self._material.polarity * state[-1]
            rates.append(charging / self._depletion.capacitance(forward))
        return rates

    def _powers(self, state: Vector, at: AtPort) -> tuple[float, float]:
        """What junction and series resistance take up (W)."""
        ohmic = self._material.series_resistance * at.current * at.current
        if self._depletion is None:
            return at.voltage * at.current - ohmic, ohmic
        return state[-1] * self._junction(state).current_at(state[-1]), ohmic

    def _heat(self, state: Vector, at: AtPort) -> float:
        junction, ohmic = self._powers(state, at)
        return junction * (1 - self._light) + ohmic

    def stored(self, state: Vector) -> float:
        """The energy of the capacitance (J)."""
        if self._depletion is None:
            return 0.0
        return self._depletion.energy(self._material.polarity * state[-1])

    def lost(self, time_s: float, state: Vector, ports: Sequence[AtPort]) -> float:
        """Heat and light (W)."""
        return sum(self._powers(state, ports[0]))
