"""A sensor in its surroundings as a simulated part: what an instrument finds at its leads.

A voltage comes from an inner resistance of 10 ohm (common practice, no source); a current is held
as long as the instrument leaves it the voltage that it has to drive it; a resistance is one, with
what of its leads the instrument can't tell apart. Nothing of it lags or warms itself.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from drivers.simulated.conditions import Conditions, Profile
from drivers.simulated.parts.base import Dynamic, Static
from drivers.simulated.parts.ohmic import Ohmic
from drivers.simulated.parts.stateless import Stateless

if TYPE_CHECKING:
    from drivers.sensors.base import Sensor

_INNER_OHMS = 10.0
_LEAST_OHMS = 1e-3
_PAST = 0.05


def sensing(sensor: Sensor, conditions: Conditions, lead_ohms: float) -> Static | Dynamic:
    """A sensor in these conditions, on leads of `lead_ohms` each.

    A reference junction that another channel reads is as warm as the air. Past its span a sensor
    gives no more than shows that it is past.
    """
    surroundings: Profile = getattr(conditions, sensor.gives)
    junction, excited = sensor.counts_from, sensor.excited
    air = conditions.temperature if isinstance(junction, str) else Profile.constant(junction or 0.0)
    low, high = sensor.span
    room = _PAST * (high - low)
    # Of 2 wires both leads are the instrument's to see, as of any part without remote sense.
    leads = lead_ohms if excited is not None and excited.wires == 3 else 0.0

    def law_at(time_s: float) -> Static:
        value = min(max(surroundings.at(time_s), low - room), high + room)
        signal = sensor.signal(value, air.at(time_s))
        if sensor.reads == "voltage":
            return Ohmic(_INNER_OHMS, signal)
        if sensor.reads == "resistance":
            return Ohmic(max(signal, _LEAST_OHMS) + leads)
        return _Loop(signal, sensor.drives)

    if surroundings.is_constant and air.is_constant:
        return law_at(0.0)
    return Stateless(law_at, kinks=Conditions(surroundings, air).kinks)


class _Loop:
    """A current (A) that is held as long as there is a voltage (V) to drive it."""

    def __init__(self, amperes: float, volts: float) -> None:
        self._amperes = amperes
        self._volts = math.copysign(volts, amperes)
        # Half of its voltage is enough to drive all of it.
        self._ohms = volts / (2 * abs(amperes)) if amperes else 0.0

    def voltage_at(self, current: float) -> float:
        """The voltage (V) at a current (A): below what it holds, it is that of the open loop."""
        if abs(current) > abs(self._amperes) or current * self._amperes < 0:
            return math.copysign(math.inf, current)
        return self._ohms * current - self._volts

    def current_through(self, voltage: float, series_resistance: float) -> float:
        """The current (A) from a voltage (V) through a resistance in series (ohm)."""
        if self._amperes == 0:
            return 0.0
        held = (voltage + self._volts) / (self._ohms + series_resistance)
        return min(self._amperes, held) if self._amperes > 0 else max(self._amperes, held)
