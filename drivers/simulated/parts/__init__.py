"""The parts that a bench file may name, one model a file, and the table of them by name."""

from __future__ import annotations

from drivers.by_name import ByName
from drivers.simulated.parts.base import PartModel

MODELS: ByName[PartModel] = ByName(
    __name__,
    {
        "cell": "cell:Cell",
        "coil": "coil:Coil",
        "contact": "contact:Contact",
        "diode": "diode:Diode",
        "insulator": "insulator:Insulator",
        "laser diode": "laser:LaserDiode",
        "LED": "led:Led",
        "motor": "motor:Motor",
        "photodiode": "photodiode:Photodiode",
        "pump": "pump:Pump",
        "resettable fuse": "resettable_fuse:ResettableFuse",
        "resistor": "resistor:Resistor",
        "solar cell": "solar:SolarCell",
        "solar module": "solar:SolarModule",
        "supercapacitor": "supercapacitor:Supercapacitor",
        "suppressor": "suppressor:Suppressor",
    },
)
