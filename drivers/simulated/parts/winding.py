"""A winding of copper: its resistance rises as it warms, and at last it burns out.

    R(T) = R_20 · (1 + α·(T − 20 °C))

α is 0.00393 1/K, that of copper at 20 °C (IEC 60028, from memory); T follows by `heating`
(heating.py), above whose `bears` the winding is open. Without `heating` it keeps R_20 in all
weathers. R never falls below a hundredth of R_20, where the line has long ceased to hold.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

from pydantic import Field

from drivers.fields import Data, Ohms
from drivers.simulated.conditions import Profile
from drivers.simulated.parts.base import Break, Changed, Dynamic, Vector
from drivers.simulated.parts.heating import Heating, HeatPath
from grammar.quantity import TEMPERATURE_POINT, write

COPPER_PER_KELVIN = 0.00393
AT_K = 293.15
_LEAST_FACTOR = 0.01


class Wound(Data):
    """What every part with a winding states of it."""

    resistance: Ohms = Field(gt=0, examples=["0.5 ohm"])
    heating: Heating | None = None

    def resistance_at(self, temperature: float) -> float:
        """Its resistance (ohm) at a temperature (K)."""
        factor = 1 + COPPER_PER_KELVIN * (temperature - AT_K)
        return self.resistance * max(_LEAST_FACTOR, factor)


class Winding:
    """A winding in its surroundings, whose heat is a piece of a part's state.

    `initial`, `magnitudes` and `kinks` are those of the part, as far as the winding goes.
    """

    def __init__(self, part: Wound, ambient: Profile) -> None:
        self._part = part
        self._path = HeatPath(part.heating, ambient) if part.heating else None
        self.initial: Vector = self._path.initial if self._path else ()
        self.magnitudes: Vector = self._path.magnitudes if self._path else ()
        self.kinks: Sequence[float] = self._path.kinks if self._path else ()

    def resistance(self, heat: Vector) -> float:
        """Its resistance (ohm) in a state of its heat."""
        if self._path is None:
            return self._part.resistance
        return self._part.resistance_at(self._path.temperature(heat))

    def warming(self, time_s: float, power: float, heat: Vector) -> Sequence[float]:
        """The rates of its heat while so much heat (W) is made in it."""
        return () if self._path is None else self._path.flows(time_s, power, heat)

    def breaks(
        self, heat_of: Callable[[Vector], Vector], burnt: Callable[[Vector], Dynamic]
    ) -> list[Break]:
        """Burning out, where a limit is stated; `heat_of` finds the heat in the part's state."""
        path, heating = self._path, self._part.heating
        if path is None or heating is None or heating.bears is None:
            return []
        limit, reached = heating.bears, write(heating.bears, TEMPERATURE_POINT, 4)
        text = f"the winding burnt out: it reached {reached}, the most that it bears"
        return [
            Break(
                lambda time_s, state, ports: limit - path.temperature(heat_of(state)),
                lambda time_s, state: Changed(burnt(state), text),
            )
        ]
