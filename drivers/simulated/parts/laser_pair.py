"""A laser and the photodiode in its light as physics; see laser.py for the equations."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from drivers.simulated.conditions import Conditions
from drivers.simulated.parts.base import AtPort, Break, Changed, Static, Vector
from drivers.simulated.parts.heating import HeatPath, kinks_of
from drivers.simulated.parts.junction import Material
from drivers.simulated.parts.laser_figures import LaserFigures
from drivers.simulated.parts.lit_junction import LitJunction
from drivers.simulated.parts.ohmic import Ohmic
from drivers.simulated.parts.stateless import OPENED_OHMS, SHORTED_OHMS
from grammar.quantity import CURRENT, POWER, TEMPERATURE_POINT, VOLTAGE, write

# What is left of the light once the facet is destroyed, as of a lamp (no source).
_LEFT_OF_LIGHT = 0.01
_SATURATION_EXPONENT = 3.0


class Pair:
    """The laser (port 0) and the photodiode (port 1) as physics.

    Its states are those of the heat path, then the voltage across the photodiode's junction, as far
    as there are any. `share` of the light is left; `dead` is the law of what was a laser.
    """

    inductances: Vector = (0.0, 0.0)

    def __init__(
        self,
        model: LaserFigures,
        conditions: Conditions,
        *,
        initial: Vector | None = None,
        share: float = 1.0,
        dead: Static | None = None,
    ) -> None:
        self._model, self._conditions, self._dead = model, conditions, dead
        self._ambient = conditions.temperature
        self._emission = model.emission()._replace(share=share)
        self._path = HeatPath(model.heating, self._ambient) if model.heating else None
        self._material = Material(
            model.saturation_current,
            model.ideality,
            model.series_resistance,
            model.reference_temperature,
            model.band_gap,
            _SATURATION_EXPONENT,
        )
        self._receiver = model.photodiode
        self._gives = model.coupling * model.photodiode.responsivity_at(model.wavelength)
        heat = self._path.initial if self._path else ()
        cold: Vector = () if self._receiver.capacitance is None else (0.0,)
        self.initial: Vector = (*heat, *cold) if initial is None else initial
        self.magnitudes: Vector = (1.0,) * len(self.initial)
        self.kinks: Sequence[float] = kinks_of(self._ambient)
        self.breaks: Sequence[Break] = self._limits() if dead is None else ()

    def temperature(self, time_s: float, state: Vector) -> float:
        """Temperature (K) of the laser."""
        return self._path.temperature(state) if self._path else self._ambient.at(time_s)

    def light(self, time_s: float, state: Vector, laser: AtPort) -> float:
        """Light (W) that the laser gives."""
        if self._dead is not None:
            return 0.0
        return self._emission.light(laser.current, self.temperature(time_s, state))

    def law(self, port: int, time_s: float, state: Vector, before: Sequence[AtPort]) -> Static:
        """The laser's junction, and the photodiode's in its light."""
        if port == 0:
            return self._dead or self._material.at(self.temperature(time_s, state))
        if self._receiver.capacitance is not None:
            return Ohmic(self._receiver.series_resistance, state[-1])
        return self._lit(time_s, state, before[0])

    def rates(self, time_s: float, state: Vector, ports: Sequence[AtPort]) -> Sequence[float]:
        """How fast the laser warms (K/s), and the photodiode's junction charges (V/s)."""
        laser, receiver = ports
        rates: list[float] = []
        if self._path is not None:
            heat = laser.voltage * laser.current - self.light(time_s, state, laser)
            rates += self._path.flows(time_s, heat, state)
        if self._receiver.capacitance is not None:
            inner = self._lit(time_s, state, laser).through(state[-1])[0]
            rates.append((receiver.current - inner) / self._receiver.capacitance)
        return rates

    def stored(self, state: Vector) -> float:
        """What the photodiode's capacitance holds (J); heat doesn't come back."""
        if self._receiver.capacitance is None:
            return 0.0
        return 0.5 * self._receiver.capacitance * state[-1] ** 2

    def lost(self, time_s: float, state: Vector, ports: Sequence[AtPort]) -> float:
        """Heat and light of the laser, heat of the photodiode less what it makes of light (W)."""
        laser, receiver = ports
        power = laser.voltage * laser.current
        if self._receiver.capacitance is None:
            return power + receiver.voltage * receiver.current
        inner = self._lit(time_s, state, laser).through(state[-1])[0]
        drop = self._receiver.series_resistance * receiver.current
        return power + drop * receiver.current + state[-1] * inner

    def _lit(self, time_s: float, state: Vector, laser: AtPort) -> LitJunction:
        photocurrent = self._gives * self.light(time_s, state, laser)
        return self._receiver.lit(photocurrent, self._ambient.at(time_s))

    def _limits(self) -> list[Break]:
        """How the laser gives way; the photodiode goes on."""
        model, path, found = self._model, self._path, list[Break]()
        if (power := model.bears_power) is not None:
            text = f"gave more than the {write(power, POWER, 4)} of light that it bears"
            found.append(
                Break(lambda t, state, ports: power - self.light(t, state, ports[0]),
                      self._facet_destroyed(text))
            )  # fmt: skip
        if (current := model.bears_current) is not None:
            text = f"carried more than the {write(current, CURRENT, 4)} that it bears"
            found.append(
                Break(lambda t, state, ports: current - ports[0].current,
                      self._facet_destroyed(text))
            )  # fmt: skip
        if (reverse := model.bears_reverse_voltage) is not None:
            text = (
                "the laser's junction was punctured and is a short now: it stood in reverse at "
                f"more than the {write(reverse, VOLTAGE, 4)} that it bears"
            )
            found.append(
                Break(lambda t, state, ports: ports[0].voltage + reverse,
                      self._dead_at(SHORTED_OHMS, text))
            )  # fmt: skip
        if path is not None and model.heating is not None and model.heating.bears is not None:
            hottest = model.heating.bears
            reached = write(hottest, TEMPERATURE_POINT, 4)
            text = f"the laser burnt open: it reached {reached}, the most that it bears"
            found.append(
                Break(lambda t, state, ports: hottest - path.temperature(state),
                      self._dead_at(OPENED_OHMS, text))
            )  # fmt: skip
        return found

    def _facet_destroyed(self, why: str) -> Callable[[float, Vector], Changed]:
        rest = self._model.model_copy(update={"bears_power": None, "bears_current": None})
        text = (
            f"the laser's facet was destroyed by its own light, little of which is left: it {why}"
        )
        return lambda time_s, state: Changed(
            Pair(rest, self._conditions, initial=state, share=_LEFT_OF_LIGHT), text
        )

    def _dead_at(self, resistance: float, text: str) -> Callable[[float, Vector], Changed]:
        law = Ohmic(resistance)
        return lambda time_s, state: Changed(
            Pair(self._model, self._conditions, initial=state, dead=law), text
        )
