"""A thermocouple: the voltage between its two junctions, E(t) - E(t of the reference junction).

E is the reference function of its letter by NIST and IEC 60584-1. Type B reads from 250 °C on: it
gives next to nothing below, and at some voltages two answers.

Keys: `type`, and its `reference` junction: a temperature that it is kept at ("0 °C", ice), or the
name of a channel whose sensor reads it.
"""

from __future__ import annotations

import math
from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, Field

from drivers.fields import QuantityOf
from drivers.sensors.base import ZERO_CELSIUS, Signal, Thermometer
from drivers.sensors.thermocouple_functions import FUNCTIONS, millivolts
from grammar.quantity import TEMPERATURE_POINT, write

_B_READS_FROM = 250.0


def _reference(value: Any) -> float | str:
    if isinstance(value, str) and value.isidentifier():
        return value
    return QuantityOf(TEMPERATURE_POINT)(value)


class Thermocouple(Thermometer):
    """A thermocouple."""

    kind: Literal["thermocouple"]
    type: Literal["B", "E", "J", "K", "N", "R", "S", "T"] = Field(examples=["K"])
    reference: Annotated[float | str, BeforeValidator(_reference)] = Field(examples=["25 °C"])

    @property
    def reads(self) -> Signal:
        """A voltage."""
        return "voltage"

    @property
    def span(self) -> tuple[float, float]:
        """That of its reference function (K)."""
        low = _B_READS_FROM if self.type == "B" else FUNCTIONS[self.type][0].low
        return ZERO_CELSIUS + low, ZERO_CELSIUS + FUNCTIONS[self.type][-1].high

    @property
    def counts_from(self) -> float | str:
        """The temperature of its reference junction, or the channel that reads it."""
        return self.reference

    @property
    def method(self) -> str:
        """Its letter and its reference junction."""
        junction = self.reference
        if not isinstance(junction, str):
            junction = write(junction, TEMPERATURE_POINT)
        return f"thermocouple {self.type} by NIST and IEC 60584-1, its reference at {junction}"

    def signal(self, value: float, reference: float = math.nan) -> float:
        """The voltage (V) at a temperature (K), the reference junction at another (K)."""
        return 1e-3 * (
            millivolts(self.type, value - ZERO_CELSIUS)
            - millivolts(self.type, reference - ZERO_CELSIUS)
        )
