"""Dimensions: what kind of quantity a value is, by its exponents of the base dimensions.

The SI's base dimensions and one more: power line cycles (PLC), since their length is a property of
the bench. A *point* of temperature, as °C gives it, is kept apart from a difference. No unit of a
person's and no value is known here.

A dimension that has no unit of its own is written as the trade would: as the simplest product of
units that have a name, "A/Hz^0.5" or "W/K", worked out where it is first asked for.
"""

from __future__ import annotations

from collections.abc import Iterable
from functools import cache, lru_cache
from itertools import combinations
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
        return _WRITTEN_IN[self] if self in _WRITTEN_IN else _product_of_units(self)


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
    # What other products say as shortly, as the trade says it.
    PRESSURE.over(TIME): "Pa/s",
    FORCE.over(LENGTH): "N/m",
    PLAIN.over(VOLTAGE): "A/W",
    CURRENT.over(IRRADIANCE): "A*m^2/W",
    VOLTAGE.over(IRRADIANCE): "V*m^2/W",
    VOLTAGE.power(2).times(TIME): "V^2/Hz",
    CURRENT.power(2).times(TIME): "A^2*s",
    TIME.power(0.5): "s^0.5",
    FREQUENCY.power(0.5): "Hz^0.5",
    FREQUENCY.over(VOLTAGE): "Hz/V",
}

# The units that products are made of, in the order in which they are written, with what each
# weighs: little where it is read off an instrument, much where it would hide what was measured.
_WEIGHTS: dict[str, tuple[float, Dimension]] = {
    "V": (1, VOLTAGE),
    "A": (1, CURRENT),
    "W": (1, POWER),
    "ohm": (1, RESISTANCE),
    "J": (1.5, ENERGY),
    "F": (1.5, CAPACITANCE),
    "N": (1.5, FORCE),
    "C": (2, CHARGE),
    "S": (2, CONDUCTANCE),
    "H": (1.9, INDUCTANCE),
    "T": (3, MAGNETIC_FLUX_DENSITY),
    "Pa": (2.5, PRESSURE),
    "lx": (1, ILLUMINANCE),
    "m": (1, LENGTH),
    "kg": (1, MASS),
    "s": (1, TIME),
    "K": (1, TEMPERATURE),
    "cd": (1, LUMINOUS_INTENSITY),
    "PLC": (1, LINE_CYCLES),
    "Hz": (0.9, FREQUENCY),
}
_POWERS = (1.0, -1.0, 2.0, -2.0, 3.0, -3.0, 4.0, -4.0)
# The density of a noise is by a root of the bandwidth; what diffuses goes by a root of the time.
_POWERS_OF = {"s": (*_POWERS, -0.5), "Hz": (-0.5,)}
_BASE = ("m", "kg", "s", "A", "K", "cd", "PLC")

_Factor = tuple[str, float]
_Product = tuple[_Factor, ...]


@cache
def _factors() -> dict[Dimension, _Factor]:
    """What a product may be made of, by its dimension; of two of one dimension the lighter."""
    factors = [(symbol, power) for symbol in _WEIGHTS for power in _POWERS_OF.get(symbol, _POWERS)]
    factors.sort(key=lambda factor: _complexity((factor,)), reverse=True)
    return {_WEIGHTS[symbol][1].power(power): (symbol, power) for symbol, power in factors}


@lru_cache(maxsize=1024)
def _product_of_units(dimension: Dimension) -> str:
    """The simplest product of up to three named units, or of base units where that is simpler."""
    squared = _WRITTEN_IN.get(dimension.power(2), " ")
    if squared.isalpha():
        return f"{squared}^0.5"
    factors = _factors()
    base = tuple(f for f in zip(_BASE, dimension.exponents, strict=True) if f[1])
    found = [base]
    if dimension in factors:
        found.append((factors[dimension],))
    for made, factor in factors.items():
        rest = factors.get(dimension.over(made))
        if rest is not None:
            found.append((factor, rest))
    if len(found) == 1:
        low = {made: factor for made, factor in factors.items() if abs(factor[1]) <= 2}
        for (made, factor), (also_made, also) in combinations(low.items(), 2):
            rest = factors.get(dimension.over(made).over(also_made))
            if rest is not None:
                found.append((factor, also, rest))
    return _product_text(min(found, key=_complexity))


def _complexity(product: _Product) -> tuple[float, int, bool, float, list[int]]:
    """How hard a product is to read; at last the order of its units decides."""
    weight = sum(_WEIGHTS[symbol][0] + max(abs(power) - 1, 0) / 2 for symbol, power in product)
    nothing_over = len(product) > 1 and all(power < 0 for _, power in product)
    return (
        weight + nothing_over,
        len(product),
        any(symbol not in _BASE for symbol, _ in product),
        sum(abs(power) for _, power in product),
        sorted(map([*_WEIGHTS].index, (symbol for symbol, _ in product))),
    )


def _product_text(product: _Product) -> str:
    ordered = sorted(product, key=lambda factor: [*_WEIGHTS].index(factor[0]))
    over = [symbol + _power_text(power) for symbol, power in ordered if power > 0]
    under = [f"/{symbol}{_power_text(-power)}" for symbol, power in ordered if power < 0]
    return ("*".join(over) or "1") + "".join(under)
