"""A contact, joint or wire: little resistance, a thermal voltage, and an oxide film that gives way.

    v = e(t) + R_f·i + u,   e(t) = e_0 + e_d·sin(2π·t/t_d)

`resistance` R (ohm) of the metallic spots at 20 °C (T_0); `temperature_coefficient` α (1/K);
`thermal_voltage` e_0 (V), and by how much it goes up and down, `drift` e_d (V) in `drift_period`
t_d (s).

u (V) is what lies across the metal, whose spots warm (spots.py). `welding`: the `temperature` at
which they melt, and the `resistance` that is left then.

`film`: the `resistance` R_f (ohm) of an oxide film and the `voltage` across it at which it gives
way for good, which is what a dry-circuit limit of 20 mV guards against (ASTM B539, from memory).
That isn't damage. Left out: films that break by and by, contact force, fretting and arcs.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Literal

from pydantic import Field, model_validator

from drivers.fields import Data, Kelvins, Ohms, PerKelvin, Seconds, Volts
from drivers.simulated.conditions import Conditions
from drivers.simulated.parts.base import AtPort, Break, Changed, PartModel, Physics, Static, Vector
from drivers.simulated.parts.heating import kinks_of
from drivers.simulated.parts.spots import REFERENCE_K, Spots
from grammar.quantity import RESISTANCE, TEMPERATURE_POINT, VOLTAGE, write

EXAMPLE = """
[parts.joint]
model = "contact"
resistance = "180 uohm"
temperature_coefficient = "0.39 %/K"
thermal_voltage = "1.5 uV"
drift = "0.3 uV"
drift_period = "7 min"
film = { resistance = "4 ohm", voltage = "60 mV" }
welding = { temperature = "1083 °C", resistance = "15 uohm" }
"""

LARGEST_PER_KELVIN = 0.0045
"""Copper and silver have 0.0039; with much more the current would fall as the voltage rises."""


class Film(Data):
    """An oxide film: its resistance (ohm), and the voltage (V) at which it gives way."""

    resistance: Ohms = Field(gt=0, examples=["4 ohm"])
    voltage: Volts = Field(gt=0, examples=["60 mV"])


class Welding(Data):
    """The temperature (K) at which the spots melt, and the resistance (ohm) afterwards."""

    temperature: Kelvins = Field(gt=REFERENCE_K, examples=["1083 °C"])
    resistance: Ohms = Field(gt=0, examples=["15 uohm"])


class Contact(PartModel):
    """A contact's parameters."""

    model: Literal["contact"]
    resistance: Ohms = Field(gt=0, examples=["180 uohm"])
    temperature_coefficient: PerKelvin = Field(default=0.0, ge=0, le=LARGEST_PER_KELVIN)
    thermal_voltage: Volts = 0.0
    drift: Volts = 0.0
    drift_period: Seconds | None = Field(default=None, gt=0, examples=["7 min"])
    film: Film | None = None
    welding: Welding | None = None

    @model_validator(mode="after")
    def _fits_together(self) -> Contact:
        if (self.drift != 0) != (self.drift_period is not None):
            raise ValueError(
                "must have both “drift” and “drift_period”, or neither: as in "
                'drift = "0.3 uV", drift_period = "7 min"'
            )
        if self.welding is not None and self.welding.resistance > self.resistance:
            raise ValueError(
                "would have more resistance welded than before: “welding.resistance” is below "
                "“resistance”"
            )
        return self

    def physics(self, conditions: Conditions) -> Physics:
        """The contact, static where nothing changes by itself."""
        moves = self.drift or self.film or self.welding
        ambient = conditions.temperature
        if moves or not (ambient.is_constant or self.temperature_coefficient == 0):
            return ContactPhysics(self, conditions, (0.0,) if self.drift else ())
        return Spots(
            self.resistance,
            self.temperature_coefficient,
            ambient.at(0.0),
            self.thermal_voltage,
            0.0,
        )


class ContactPhysics:
    """A contact whose thermal voltage moves, or that changes.

    Its one state, if any, is how far the thermal voltage has drifted (V).
    """

    def __init__(self, part: Contact, conditions: Conditions, initial: Vector) -> None:
        self._part = part
        self._conditions = conditions
        self._film = part.film.resistance if part.film else 0.0
        self.initial = initial
        self.magnitudes: Vector = (abs(part.drift),) * len(initial)
        self.inductances: Vector = (0.0,)
        self.kinks: Sequence[float] = kinks_of(conditions.temperature)
        self.breaks = [*self._film_breaks(), *self._welds()]

    def _spots(self, time_s: float, state: Vector) -> Spots:
        part = self._part
        electromotive = part.thermal_voltage + sum(state)
        ambient = self._conditions.temperature.at(time_s)
        return Spots(
            part.resistance, part.temperature_coefficient, ambient, electromotive, self._film
        )

    def _film_breaks(self) -> list[Break]:
        film = self._part.film
        if film is None:
            return []
        before, most = film.resistance, film.voltage
        text = (
            f"the oxide film gave way at {write(most, VOLTAGE, 4)} across it: its "
            f"{write(before, RESISTANCE, 4)} are gone"
        )

        def left(time_s: float, state: Vector, ports: Sequence[AtPort]) -> float:
            return most - (before * ports[0].current) ** 2 / most

        return [Break(left, lambda _, state: self._becomes(state, text, film=None, damage=False))]

    def _welds(self) -> list[Break]:
        welding = self._part.welding
        if welding is None:
            return []
        melting, after = welding.temperature, welding.resistance
        text = (
            f"the contact welded: its spots reached {write(melting, TEMPERATURE_POINT, 4)}; "
            f"{write(after, RESISTANCE, 4)} are left"
        )

        def left(time_s: float, state: Vector, ports: Sequence[AtPort]) -> float:
            spots = self._spots(time_s, state)
            return melting - spots.temperature_at(spots.across_metal(ports[0])) ** 2 / melting

        return [
            Break(
                left,
                lambda _, state: self._becomes(
                    state, text, film=None, welding=None, resistance=after
                ),
            )
        ]

    def _becomes(
        self, state: Vector, text: str, damage: bool = True, **changes: float | None
    ) -> Changed:
        part = self._part.model_copy(update=changes)
        return Changed(ContactPhysics(part, self._conditions, state), text, damage)

    def law(self, port: int, time_s: float, state: Vector, before: Sequence[AtPort]) -> Static:
        """The law at that moment."""
        return self._spots(time_s, state)

    def rates(self, time_s: float, state: Vector, ports: Sequence[AtPort]) -> Sequence[float]:
        """The drift, where there is one."""
        period = self._part.drift_period
        if period is None:
            return ()
        turning = math.tau / period
        return (self._part.drift * turning * math.cos(turning * time_s),)

    def stored(self, state: Vector) -> float:
        """Nothing is stored."""
        return 0.0

    def lost(self, time_s: float, state: Vector, ports: Sequence[AtPort]) -> float:
        """All that goes in (W); what the thermal voltage drives comes from outside, as heat."""
        return ports[0].voltage * ports[0].current
