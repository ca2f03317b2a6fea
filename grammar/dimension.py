"""Dimensions: what kind of quantity a value is, by its exponents of the base dimensions.

The SI's base dimensions and one more: power line cycles (PLC), since their length is a property of
the bench. A *point* of temperature, as °C gives it, is kept apart from a difference. No unit of a
person's and no value is known here.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import NamedTuple


class Dimension(NamedTuple):
    """Exponents of the base dimensions. A half (as in V/√Hz) is 0.5 and exact in binary."""

    length: float = 0.0
    mass: float = 0.0
    time: float = 0.0
    current: float = 0.0
    temperature: float = 0.0
    luminosity: float = 0.0
    line_cycles: float = 0.0
    point: bool = False

    @property
    def exponents(self) -> tuple[float, ...]:
        """The seven exponents, without the mark of a temperature point."""
        return self[:7]

    def times(self, other: Dimension) -> Dimension:
        """The dimension of a product."""
        return _of(a + b for a, b in zip(self.exponents, other.exponents, strict=True))

    def over(self, other: Dimension) -> Dimension:
        """The dimension of a quotient."""
        return _of(a - b for a, b in zip(self.exponents, other.exponents, strict=True))

    def power(self, exponent: float) -> Dimension:
        """The dimension of a power (0.5 for a square root)."""
        return _of(a * exponent for a in self.exponents)

    @property
    def is_plain(self) -> bool:
        """True for a plain number: a ratio, a count, a percentage."""
        return not any(self.exponents)

    @property
    def name(self) -> str:
        """What the trade calls it: "voltage", "current", or its unit where it has no name."""
        return _NAMES.get(self) or self.unit

    @property
    def unit(self) -> str:
        """The unit in which a value of this dimension is written without a prefix."""
        if self in _WRITTEN_IN:
            return _WRITTEN_IN[self]
        over: list[str] = []
        under: list[str] = []
        symbols = ("m", "kg", "s", "A", "K", "cd", "PLC")
        for symbol, exponent in zip(symbols, self.exponents, strict=True):
            if exponent:
                (over if exponent > 0 else under).append(symbol + _power_text(abs(exponent)))
        return ("*".join(over) or "1") + "".join("/" + symbol for symbol in under)


def _of(exponents: Iterable[float]) -> Dimension:
    return Dimension._make((*exponents, False))


def _power_text(exponent: float) -> str:
    return "" if exponent == 1 else f"^{exponent:g}"


PLAIN = Dimension()
LENGTH = Dimension(length=1)
MASS = Dimension(mass=1)
TIME = Dimension(time=1)
CURRENT = Dimension(current=1)
TEMPERATURE = Dimension(temperature=1)
TEMPERATURE_POINT = Dimension(temperature=1, point=True)
LUMINOUS_INTENSITY = Dimension(luminosity=1)
LINE_CYCLES = Dimension(line_cycles=1)
FREQUENCY = PLAIN.over(TIME)
FORCE = MASS.times(LENGTH).over(TIME.power(2))
PRESSURE = FORCE.over(LENGTH.power(2))
ENERGY = FORCE.times(LENGTH)
POWER = ENERGY.over(TIME)
CHARGE = CURRENT.times(TIME)
VOLTAGE = POWER.over(CURRENT)
RESISTANCE = VOLTAGE.over(CURRENT)
CONDUCTANCE = CURRENT.over(VOLTAGE)
CAPACITANCE = CHARGE.over(VOLTAGE)
INDUCTANCE = RESISTANCE.times(TIME)
MAGNETIC_FLUX = VOLTAGE.times(TIME)
MAGNETIC_FLUX_DENSITY = MAGNETIC_FLUX.over(LENGTH.power(2))
ILLUMINANCE = LUMINOUS_INTENSITY.over(LENGTH.power(2))
IRRADIANCE = POWER.over(LENGTH.power(2))

_NAMES = {
    PLAIN: "plain number",
    LENGTH: "length",
    MASS: "mass",
    TIME: "time",
    CURRENT: "current",
    TEMPERATURE: "temperature difference",
    TEMPERATURE_POINT: "temperature",
    LUMINOUS_INTENSITY: "luminous intensity",
    LINE_CYCLES: "number of power line cycles",
    FREQUENCY: "frequency",
    FORCE: "force",
    PRESSURE: "pressure",
    ENERGY: "energy",
    POWER: "power",
    CHARGE: "charge",
    VOLTAGE: "voltage",
    RESISTANCE: "resistance",
    CONDUCTANCE: "conductance",
    CAPACITANCE: "capacitance",
    INDUCTANCE: "inductance",
    MAGNETIC_FLUX: "magnetic flux",
    MAGNETIC_FLUX_DENSITY: "magnetic flux density",
    ILLUMINANCE: "illuminance",
    IRRADIANCE: "irradiance",
    VOLTAGE.over(TIME): "voltage slope",
    CURRENT.over(TIME): "current slope",
    PLAIN.over(TEMPERATURE): "temperature coefficient",
    TEMPERATURE.over(POWER): "thermal resistance",
    ENERGY.over(TEMPERATURE): "heat capacity",
}

_WRITTEN_IN = {
    PLAIN: "",
    TEMPERATURE_POINT: "°C",
    FREQUENCY: "Hz",
    FORCE: "N",
    PRESSURE: "Pa",
    ENERGY: "J",
    POWER: "W",
    CHARGE: "C",
    VOLTAGE: "V",
    RESISTANCE: "ohm",
    CONDUCTANCE: "S",
    CAPACITANCE: "F",
    INDUCTANCE: "H",
    MAGNETIC_FLUX: "Wb",
    MAGNETIC_FLUX_DENSITY: "T",
    ILLUMINANCE: "lx",
    IRRADIANCE: "W/m^2",
    VOLTAGE.over(TIME): "V/s",
    CURRENT.over(TIME): "A/s",
    TEMPERATURE.over(TIME): "K/s",
    VOLTAGE.over(TEMPERATURE): "V/K",
    TEMPERATURE.over(POWER): "K/W",
    ENERGY.over(TEMPERATURE): "J/K",
}
