"""The sensors that a bench file may name, one kind a file, and the table of them by kind."""

from __future__ import annotations

from drivers.by_name import ByName
from drivers.sensors.base import Sensor

__all__ = ["SENSORS", "Sensor"]

SENSORS: ByName[Sensor] = ByName(
    __name__,
    {
        "linear": "linear:Linear",
        "photodiode": "photodiode:Photodiode",
        "platinum": "platinum:Platinum",
        "table": "table:Table",
        "thermistor": "thermistor:Thermistor",
        "thermocouple": "thermocouple:Thermocouple",
    },
)
