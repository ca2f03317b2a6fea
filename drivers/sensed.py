"""The quantities that a channel can read through a sensor, with their dimensions.

Recipes, bench files and the conditions of a simulation all know these by the same names. The module
knows no sensor.
"""

from __future__ import annotations

from grammar.quantity import (
    FREQUENCY,
    ILLUMINANCE,
    IRRADIANCE,
    PLAIN,
    PRESSURE,
    TEMPERATURE,
    TEMPERATURE_POINT,
    Dimension,
)

SENSED: dict[str, Dimension] = {
    "temperature": TEMPERATURE_POINT,
    "pressure": PRESSURE,
    "humidity": PLAIN,
    "illuminance": ILLUMINANCE,
    "irradiance": IRRADIANCE,
    "speed": FREQUENCY,
}
"""What a channel reads through a sensor, in place of its own terminals' voltage and current."""


def difference(dimension: Dimension) -> Dimension:
    """The dimension of a difference of two values: of temperatures it is in K."""
    return TEMPERATURE if dimension == TEMPERATURE_POINT else dimension
