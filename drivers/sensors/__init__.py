"""The sensors that a bench file may name, one kind a file, and the table of them by kind."""

from __future__ import annotations

from drivers.sensors.base import Sensor
from drivers.sensors.linear import Linear
from drivers.sensors.photodiode import Photodiode
from drivers.sensors.platinum import Platinum
from drivers.sensors.table import Table
from drivers.sensors.thermistor import Thermistor
from drivers.sensors.thermocouple import Thermocouple

__all__ = ["SENSORS", "Sensor"]

SENSORS: dict[str, type[Sensor]] = {
    "linear": Linear,
    "photodiode": Photodiode,
    "platinum": Platinum,
    "table": Table,
    "thermistor": Thermistor,
    "thermocouple": Thermocouple,
}
