"""A coil: an inductance with the resistance of its winding, and what lies beside both.

    v = R(T)·i_L + L·di_L/dt,   i = i_L + v/R_p

`resistance` R (ohm, at 20 °C) and `heating` are described in winding.py. `inductance` L (H).
`parallel_resistance` R_p (ohm): losses in the iron, or a resistor that takes the current when the
source lets go; infinite where it is left out. `initial` is the coil's `current` at the start, where
R_p gives it a way round.

Damage: the winding burns out; its insulation is punctured at `bears_voltage` (V, either way), which
takes R_p, since without it an interrupted current has no bound to its voltage. What remains of a
punctured coil is `TURNS_LEFT` of its turns, the others being shorted.

The equations are Faraday's and Ohm's laws. Left out: saturation, hysteresis, capacitance.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

from pydantic import Field, model_validator

from drivers.fields import Amperes, Data, Henries, Ohms, Volts
from drivers.simulated.conditions import Conditions
from drivers.simulated.parts.base import AtPort, Break, Changed, Dynamic, PartModel, Static, Vector
from drivers.simulated.parts.heating import HeatPath
from drivers.simulated.parts.ohmic import Ohmic
from drivers.simulated.parts.resistor import Heated
from drivers.simulated.parts.stateless import Stateless, opened
from drivers.simulated.parts.winding import Winding, Wound

TURNS_LEFT = 0.1
"""The share of turns that an arc through the insulation leaves (common practice, no source)."""

EXAMPLE = """
[parts.vane]                             # the magnet that lifts the rain gauge's flap
model = "coil"
resistance = "12 ohm"
inductance = "80 mH"
parallel_resistance = "2.2 kohm"
heating = { heat_capacity = "30 J/K", thermal_resistance = "12 K/W", bears = "130 °C" }
bears_voltage = "600 V"
initial = { current = "0 A" }
"""


class Initial(Data):
    """The current (A) at the start."""

    current: Amperes


class Coil(Wound, PartModel):
    """A coil's parameters."""

    model: Literal["coil"]
    inductance: Henries = Field(gt=0, examples=["80 mH"])
    parallel_resistance: Ohms | None = Field(default=None, gt=0, examples=["2.2 kohm"])
    bears_voltage: Volts | None = Field(default=None, gt=0, examples=["600 V"])
    initial: Initial | None = None

    @model_validator(mode="after")
    def _has_a_way_round(self) -> Coil:
        if self.parallel_resistance is None:
            for key in ("bears_voltage", "initial"):
                if getattr(self, key) is not None:
                    raise ValueError(
                        f"has “{key}” and no “parallel_resistance”: without a way round, the "
                        "current of an open coil is 0 and its voltage has no bound; write "
                        '“parallel_resistance” too, as in "2.2 kohm"'
                    )
        return self

    def physics(self, conditions: Conditions) -> Dynamic:
        """The coil, at the ambient's temperature."""
        ambient = conditions.temperature
        if self.parallel_resistance is not None:
            current = self.initial.current if self.initial else 0.0
            initial = (current, *Winding(self, ambient).initial)
            return DampedCoil(self, self.parallel_resistance, conditions, initial)
        if self.heating is None:
            return Stateless(lambda _: Ohmic(self.resistance), (self.inductance,))
        path = HeatPath(self.heating, ambient)
        return Heated(path, self.resistance_at, self.inductance, path.breaks(None, _burnt))


def _burnt(reason: str) -> Changed:
    return Changed(opened(), f"the winding burnt out: {reason}")


class DampedCoil:
    """A winding with R_p beside it. The state is i_L (A) and the winding's heat."""

    def __init__(
        self, part: Coil, parallel_resistance: float, conditions: Conditions, initial: Vector
    ) -> None:
        self._winding = Winding(part, conditions.temperature)
        self.initial = initial
        self.magnitudes: Vector = (1e-3, *self._winding.magnitudes)
        self.inductances: Vector = (0.0,)
        self.kinks = self._winding.kinks
        self._inductance, self._parallel = part.inductance, parallel_resistance

        breaks = self._winding.breaks(
            lambda state: state[1:], lambda _: Stateless(lambda _: Ohmic(parallel_resistance))
        )
        self.breaks: Sequence[Break] = breaks
        limit = part.bears_voltage
        if limit is not None:
            text = f"the winding's insulation was punctured at {limit:g} V: turns are shorted"
            punctured = part.model_copy(
                update={
                    "bears_voltage": None,
                    "resistance": part.resistance * TURNS_LEFT,
                    "inductance": part.inductance * TURNS_LEFT**2,
                }
            )
            breaks.append(
                Break(
                    lambda time_s, state, ports: limit * limit - ports[0].voltage ** 2,
                    lambda time_s, state: Changed(
                        DampedCoil(punctured, parallel_resistance, conditions, state), text
                    ),
                )
            )

    def law(self, port: int, time_s: float, state: Vector, before: Sequence[AtPort]) -> Static:
        """v = R_p·(i − i_L)."""
        return Ohmic(self._parallel, -self._parallel * state[0])

    def rates(self, time_s: float, state: Vector, ports: Sequence[AtPort]) -> Sequence[float]:
        """di_L/dt, and the winding warms."""
        current, heat = state[0], state[1:]
        drop = self._winding.resistance(heat) * current
        warming = self._winding.warming(time_s, drop * current, heat)
        return ((ports[0].voltage - drop) / self._inductance, *warming)

    def stored(self, state: Vector) -> float:
        """½·L·i_L² (J)."""
        return 0.5 * self._inductance * state[0] ** 2

    def lost(self, time_s: float, state: Vector, ports: Sequence[AtPort]) -> float:
        """The heat (W) of the winding and of what lies beside it."""
        heat = self._winding.resistance(state[1:]) * state[0] ** 2
        return heat + ports[0].voltage ** 2 / self._parallel
