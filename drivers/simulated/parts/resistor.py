"""A resistor: Ohm's law, with temperature, heat and inductance where they are given.

    v = R·i + L·di/dt,   R = R_0 · (1 + α·(T − T_0)),   T by `heating` (see heating.py)

`resistance` R_0 (ohm, above zero) at `reference_temperature` T_0 (20 °C where it is left out);
`temperature_coefficient` α (1/K); `inductance` L (H) in series; `heating`, the heat capacities from
the element out to the ambient, and the temperature that the element bears. Without `heating` the
element has the ambient's temperature. R never falls below a hundredth of R_0, where the straight
line has long ceased to hold.

`pulse_failure_energy` (J): what the element's own heat capacity can hold above ambient. Beyond it
the element opens by a punctured spot; a pulse much shorter than the element's thermal time constant
takes just so much, a longer one more, since heat leaves meanwhile. That a film resistor under a
pulse of hundreds of times its rating opens so is common practice, no source; that the reference
temperature of resistors is 20 °C is from memory of IEC 60115-1. Voltage coefficient, drift before
failure (as carbon ones do) and the spread of heat within the film are left out.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Literal

from pydantic import Field, model_validator

from drivers.fields import Henries, Joules, Kelvins, Ohms, PerKelvin
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
from drivers.simulated.parts.heating import Heating, HeatPath, kinks_of
from drivers.simulated.parts.ohmic import Ohmic
from drivers.simulated.parts.stateless import Stateless, opened

EXAMPLE = """
[parts.heater]
model = "resistor"
resistance = "47 ohm"
temperature_coefficient = "100 ppm/K"
reference_temperature = "20 °C"
inductance = "20 nH"
heating = { heat_capacity = "1.2 mJ/K", thermal_resistance = "90 K/W", bears = "600 °C", outer = [
    { heat_capacity = "0.3 J/K", thermal_resistance = "110 K/W" } ] }
pulse_failure_energy = "0.6 J"
"""

_LEAST_FACTOR = 0.01


class Resistor(PartModel):
    """A resistor's parameters."""

    model: Literal["resistor"]
    resistance: Ohms = Field(gt=0, examples=["100 ohm"])
    temperature_coefficient: PerKelvin = Field(default=0.0, ge=-0.1, le=0.1)
    reference_temperature: Kelvins = Field(default=293.15, gt=0)
    inductance: Henries = Field(default=0.0, ge=0)
    heating: Heating | None = None
    pulse_failure_energy: Joules | None = Field(default=None, gt=0)

    @model_validator(mode="after")
    def _fits_together(self) -> Resistor:
        if self.pulse_failure_energy is not None and self.heating is None:
            raise ValueError(
                "has a “pulse_failure_energy” and no “heating”, in which that energy would be "
                'kept: add it, as in heating = { heat_capacity = "1 mJ/K", '
                'thermal_resistance = "90 K/W" }'
            )
        return self

    def resistance_at(self, temperature: float) -> float:
        """The resistance (ohm) at a temperature (K)."""
        risen = temperature - self.reference_temperature
        return self.resistance * max(_LEAST_FACTOR, 1 + self.temperature_coefficient * risen)

    def noise(self, port: str) -> Noise:
        """The Johnson noise of R_0."""
        return Noise(self.resistance)

    def physics(self, conditions: Conditions) -> Physics:
        """Ohm's law, static where nothing moves."""
        ambient = conditions.temperature
        if self.heating is not None:
            path = HeatPath(self.heating, ambient)
            breaks = path.breaks(self.pulse_failure_energy, _punctured)
            return Heated(path, self.resistance_at, self.inductance, breaks)
        if ambient.is_constant or self.temperature_coefficient == 0:
            law = Ohmic(self.resistance_at(ambient.at(0.0)))
            return law if self.inductance == 0 else Stateless(lambda _: law, (self.inductance,))
        return Stateless(
            lambda time_s: Ohmic(self.resistance_at(ambient.at(time_s))),
            (self.inductance,),
            kinks_of(ambient),
        )


def _punctured(reason: str) -> Changed:
    return Changed(opened(), f"the element opened by a punctured spot: {reason}")


class Heated:
    """A resistance (ohm) of a temperature (K), an inductance (H), and the heat that it makes."""

    def __init__(
        self,
        path: HeatPath,
        resistance_at: Callable[[float], float],
        inductance: float,
        breaks: Sequence[Break],
    ) -> None:
        self._path = path
        self._resistance_at = resistance_at
        self.initial = path.initial
        self.magnitudes = path.magnitudes
        self.inductances: Vector = (inductance,)
        self.kinks = path.kinks
        self.breaks = breaks

    def law(self, port: int, time_s: float, state: Vector, before: Sequence[AtPort]) -> Static:
        """Ohm's law at the element's temperature."""
        return Ohmic(self._resistance_at(self._path.temperature(state)))

    def rates(self, time_s: float, state: Vector, ports: Sequence[AtPort]) -> Sequence[float]:
        """The masses warm."""
        return self._path.flows(time_s, ports[0].voltage * ports[0].current, state)

    def stored(self, state: Vector) -> float:
        """Heat doesn't come back."""
        return 0.0

    def lost(self, time_s: float, state: Vector, ports: Sequence[AtPort]) -> float:
        """All that goes in (W)."""
        return ports[0].voltage * ports[0].current
