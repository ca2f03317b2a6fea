"""A resettable fuse: a resistance that rises by decades where it gets hot, and warms itself.

    R = R_0 · r · 10^(D·s(x)),   x = (T − T_s)/w
    s(x) = 0 for x ≤ 0,   x³·(10 − 15·x + 6·x²) up to x = 1,   1 beyond
    dr/dt = m·(r_t − r)/t_t + (1 − m)·(1 − r)/t_r,   m = 1 − 10^(−D·s)

`resistance` R_0 (ohm) up to `switching_temperature` T_s; from there on it rises by `decades` D (6
where it is left out) within `switching_width` w (K). `heating`: heat capacity and thermal
resistance to the ambient: tripped, the fuse is kept hot by the little that it lets pass. `raised`
r_t is how many times its resistance is after a trip; it gets there within `raising_time` t_t (s)
and returns with `relaxation_time` t_r (s). The state is the heat path's, and r.

`bears_voltage` (V) and `bears_current` (A), either way: past one of them it burns and is open.

That the resistance stays as it is up to a switching temperature, rises by decades there, and is
higher afterwards is common practice, no source; the smooth step is a picture of it with continuous
curvature. ITU-T K.82 quotes the resistance one hour after a trip (from memory). Left out: the
slight rise below T_s, the fall far above it, a rest that never relaxes, and age by many trips.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

from pydantic import Field, model_validator

from drivers.fields import Amperes, Kelvins, KelvinsDifference, Ohms, Ratio, Seconds, Volts
from drivers.simulated.conditions import Conditions
from drivers.simulated.parts.base import AtPort, Break, Changed, PartModel, Static, Vector
from drivers.simulated.parts.heating import Heating, HeatPath
from drivers.simulated.parts.ohmic import Ohmic
from drivers.simulated.parts.stateless import opened
from grammar.quantity import CURRENT, VOLTAGE, write

EXAMPLE = """
[parts.fuse]
model = "resettable fuse"
resistance = "600 mohm"
switching_temperature = "120 °C"
switching_width = "20 K"
decades = 5
heating = { heat_capacity = "0.12 J/K", thermal_resistance = "110 K/W", bears = "220 °C" }
raised = 1.45
raising_time = "2 s"
relaxation_time = "2 h"
bears_voltage = "16 V"
bears_current = "40 A"
"""


class ResettableFuse(PartModel):
    """A resettable fuse's parameters."""

    model: Literal["resettable fuse"]
    resistance: Ohms = Field(gt=0, examples=["600 mohm"])
    switching_temperature: Kelvins = Field(gt=0, examples=["120 °C"])
    switching_width: KelvinsDifference = Field(default=20.0, gt=0)
    decades: Ratio = Field(default=6.0, gt=0, le=12)
    heating: Heating
    raised: Ratio = Field(default=1.0, ge=1, le=100)
    raising_time: Seconds = Field(default=1.0, gt=0)
    relaxation_time: Seconds = Field(default=3600.0, gt=0)
    bears_voltage: Volts | None = Field(default=None, gt=0, examples=["16 V"])
    bears_current: Amperes | None = Field(default=None, gt=0, examples=["40 A"])

    @model_validator(mode="after")
    def _can_trip(self) -> ResettableFuse:
        bears = self.heating.bears
        if bears is not None and bears <= self.switching_temperature:
            raise ValueError(
                "bears less than its own switching temperature, so that its first trip would "
                "destroy it: “heating.bears” lies well above “switching_temperature”"
            )
        return self

    def step(self, temperature: float) -> float:
        """By which factor the resistance is up at a temperature (K)."""
        x = (temperature - self.switching_temperature) / self.switching_width
        if x <= 0:
            return 1.0
        x = min(x, 1.0)
        return float(10.0 ** (self.decades * x**3 * (10 - 15 * x + 6 * x * x)))

    def physics(self, conditions: Conditions) -> FusePhysics:
        """The fuse at the ambient's temperature; no trip has raised its resistance yet."""
        return FusePhysics(self, conditions)


class FusePhysics:
    """A fuse's states: the rises of the heat path, then r."""

    def __init__(self, part: ResettableFuse, conditions: Conditions) -> None:
        self._part = part
        self._path = path = HeatPath(part.heating, conditions.temperature)
        self.initial: Vector = (*path.initial, 1.0)
        self.magnitudes: Vector = (*path.magnitudes, 1.0)
        self.inductances: Vector = (0.0,)
        self.kinks = path.kinks
        self.breaks = [
            *path.breaks(None, lambda reason: Changed(opened(), f"the fuse burnt: {reason}")),
            *_maxima(part),
        ]

    def law(self, port: int, time_s: float, state: Vector, before: Sequence[AtPort]) -> Static:
        """Ohm's law at the state."""
        part = self._part
        return Ohmic(part.resistance * state[-1] * part.step(self._path.temperature(state)))

    def rates(self, time_s: float, state: Vector, ports: Sequence[AtPort]) -> Sequence[float]:
        """dT/dt of the heat path, then dr/dt."""
        part = self._part
        rates = self._path.flows(time_s, ports[0].voltage * ports[0].current, state)
        untripped = 1 / part.step(self._path.temperature(state))
        rising = (1 - untripped) * (part.raised - state[-1]) / part.raising_time
        rates.append(rising + untripped * (1 - state[-1]) / part.relaxation_time)
        return rates

    def stored(self, state: Vector) -> float:
        """Heat doesn't come back."""
        return 0.0

    def lost(self, time_s: float, state: Vector, ports: Sequence[AtPort]) -> float:
        """All that goes in (W)."""
        return ports[0].voltage * ports[0].current


def _maxima(part: ResettableFuse) -> list[Break]:
    """What it doesn't bear at its terminals."""
    found = []
    for most, index, dimension in (
        (part.bears_voltage, 0, VOLTAGE),
        (part.bears_current, 1, CURRENT),
    ):
        if most is not None:
            text = f"the fuse burnt and is open: it bears {write(most, dimension, 4)} at most"

            def left(
                time_s: float,
                state: Vector,
                ports: Sequence[AtPort],
                most: float = most,
                index: int = index,
            ) -> float:
                return most - ports[0][index] ** 2 / most

            found.append(Break(left, lambda *_, text=text: Changed(opened(), text)))
    return found
