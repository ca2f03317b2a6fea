"""How a part warms by what it takes up: heat capacities, one after another, out to the ambient.

    C_k · dT_k/dt = p_k − (T_k − T_k+1)/R_k,   p_0 the heat made, p_k = (T_k−1 − T_k)/R_k−1

T_0 is the element itself, T_k+1 after the last one is the ambient: a ladder of Cauer's form, whose
nodes are places in the part (element, body, lead frame). In the bench file:

    heating = { heat_capacity = "2 mJ/K", thermal_resistance = "20 K/W", bears = "300 °C", outer = [
        { heat_capacity = "0.1 J/K", thermal_resistance = "60 K/W" } ] }

The last `thermal_resistance` may be left out: nothing then reaches the ambient. `bears` is the
temperature at which the element gives way. The states are the temperatures less the ambient's at
the start, so that small rises keep their digits. Convection and radiation, which grow faster than
the rise, are left out.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

from pydantic import Field, model_validator

from drivers.fields import Data, JoulesPerKelvin, Kelvins, KelvinsPerWatt
from drivers.simulated.conditions import Profile
from drivers.simulated.parts.base import AtPort, Break, Changed, Vector
from grammar.quantity import ENERGY, TEMPERATURE_POINT, write

MOST_OUTER = 3


class HeatCapacity(Data):
    """What holds heat, and what lies between it and the next one, or the ambient."""

    heat_capacity: JoulesPerKelvin = Field(gt=0, examples=["0.5 J/K"])
    thermal_resistance: KelvinsPerWatt | None = Field(default=None, gt=0, examples=["50 K/W"])


class Heating(HeatCapacity):
    """The element, what lies further out, and the temperature (K) that the element bears."""

    bears: Kelvins | None = Field(default=None, gt=0, examples=["300 °C"])
    outer: tuple[HeatCapacity, ...] = ()

    @model_validator(mode="after")
    def _one_after_another(self) -> Heating:
        if len(self.outer) > MOST_OUTER:
            raise ValueError(
                f"has {len(self.outer)} heat capacities further out: at most {MOST_OUTER} are "
                "simulated"
            )
        for inner, next_out in zip((self, *self.outer), self.outer, strict=False):
            if inner.thermal_resistance is None:
                raise ValueError(
                    f"lacks “thermal_resistance” between {inner.heat_capacity:g} J/K and "
                    f"{next_out.heat_capacity:g} J/K further out: only the last one may do "
                    'without; write one as in "50 K/W"'
                )
        return self


class HeatPath:
    """The heat capacities of a part in an ambient whose temperature (K) is a profile.

    `initial`, `magnitudes` and `kinks` are those of the part, as far as heat goes.
    """

    def __init__(self, heating: Heating, ambient: Profile) -> None:
        self._ambient = ambient
        self._start = ambient.at(0.0)
        self._is_constant = ambient.is_constant
        self._bears = heating.bears
        nodes = (heating, *heating.outer)
        self._capacities = [node.heat_capacity for node in nodes]
        self._conductances = [
            1 / node.thermal_resistance if node.thermal_resistance else 0.0 for node in nodes
        ]
        self.initial: Vector = (0.0,) * len(nodes)
        self.magnitudes: Vector = (1.0,) * len(nodes)
        self.kinks: Sequence[float] = kinks_of(ambient)

    def temperature(self, state: Vector) -> float:
        """Temperature (K) of the element."""
        return self._start + state[0]

    def heat(self, time_s: float, state: Vector) -> float:
        """Heat (J) that the element holds above what it would at the ambient's temperature."""
        return self._capacities[0] * (state[0] - self._ambient_rise(time_s))

    def flows(self, time_s: float, power: float, state: Vector) -> list[float]:
        """How fast each one warms (K/s) while so much heat (W) is made in the element."""
        rates = []
        capacities, last = self._capacities, len(self._capacities) - 1
        for k, conductance in enumerate(self._conductances):
            beyond = state[k + 1] if k < last else self._ambient_rise(time_s)
            onward = conductance * (state[k] - beyond)
            rates.append((power - onward) / capacities[k])
            power = onward
        return rates

    def to_ambient(self, time_s: float, state: Vector) -> float:
        """The heat (W) that leaves the part."""
        last = len(self._capacities) - 1
        return self._conductances[last] * (state[last] - self._ambient_rise(time_s))

    def held(self, state: Vector) -> float:
        """The heat (J) in all of them, from the start's temperature on."""
        return sum(c * rise for c, rise in zip(self._capacities, state, strict=False))

    def breaks(self, energy: float | None, becomes: Callable[[str], Changed]) -> list[Break]:
        """What the element doesn't bear: its temperature, or so much heat (J) above ambient.

        `becomes` makes of the reason in words what the part is from then on.
        """
        found = []
        if self._bears is not None:
            hottest, reached = self._bears, write(self._bears, TEMPERATURE_POINT, 4)

            def below(time_s: float, state: Vector, ports: Sequence[AtPort]) -> float:
                return hottest - self.temperature(state)

            found.append(
                Break(below, lambda *_: becomes(f"it reached {reached}, the most that it bears"))
            )
        if energy is not None:
            most, held = energy, write(energy, ENERGY, 4)

            def left(time_s: float, state: Vector, ports: Sequence[AtPort]) -> float:
                return most - self.heat(time_s, state)

            def overfilled(time_s: float, state: Vector) -> Changed:
                at = write(self.temperature(state), TEMPERATURE_POINT, 4)
                return becomes(f"it held {held} of heat, the most that it bears, and was at {at}")

            found.append(Break(left, overfilled))
        return found

    def _ambient_rise(self, time_s: float) -> float:
        return 0.0 if self._is_constant else self._ambient.at(time_s) - self._start


def kinks_of(profile: Profile) -> Sequence[float]:
    """The times (s) at which a profile bends."""
    return () if profile.is_constant else profile.times_s
