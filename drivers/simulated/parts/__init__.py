"""The parts that a bench file may name, one model a file, and the table of them by name."""

from __future__ import annotations

from drivers.simulated.parts.base import PartModel
from drivers.simulated.parts.diode import Diode
from drivers.simulated.parts.resistor import Resistor
from drivers.simulated.parts.supercapacitor import Supercapacitor

MODELS: dict[str, type[PartModel]] = {
    "diode": Diode,
    "resistor": Resistor,
    "supercapacitor": Supercapacitor,
}
