"""The parts that a bench file may name, one model a file, and the table of them by name."""

from __future__ import annotations

from drivers.simulated.parts.base import PartModel
from drivers.simulated.parts.cell import Cell
from drivers.simulated.parts.coil import Coil
from drivers.simulated.parts.contact import Contact
from drivers.simulated.parts.diode import Diode
from drivers.simulated.parts.insulator import Insulator
from drivers.simulated.parts.laser import LaserDiode
from drivers.simulated.parts.led import Led
from drivers.simulated.parts.motor import Motor
from drivers.simulated.parts.photodiode import Photodiode
from drivers.simulated.parts.pump import Pump
from drivers.simulated.parts.resettable_fuse import ResettableFuse
from drivers.simulated.parts.resistor import Resistor
from drivers.simulated.parts.solar import SolarCell, SolarModule
from drivers.simulated.parts.supercapacitor import Supercapacitor
from drivers.simulated.parts.suppressor import Suppressor

MODELS: dict[str, type[PartModel]] = {
    "cell": Cell,
    "coil": Coil,
    "contact": Contact,
    "diode": Diode,
    "insulator": Insulator,
    "laser diode": LaserDiode,
    "LED": Led,
    "motor": Motor,
    "photodiode": Photodiode,
    "pump": Pump,
    "resettable fuse": ResettableFuse,
    "resistor": Resistor,
    "solar cell": SolarCell,
    "solar module": SolarModule,
    "supercapacitor": Supercapacitor,
    "suppressor": Suppressor,
}
