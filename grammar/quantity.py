"""Units and quantities: what they are, how they are read and how they are written.

Everything behind this module computes in plain SI floats; a unit is a matter of reading and
writing only. The module knows no recipe, no instrument and no time.

Temperatures: a value written in °C is a *point* on the scale and is kept in kelvin; a value in K is
a *difference* (or an absolute temperature, where the context asks for a point). Dimensions have a
file of their own (`grammar.dimension`), and this is the door to them.
"""

from __future__ import annotations

import math
import re
from decimal import Context, Decimal
from functools import lru_cache
from typing import NamedTuple

from grammar.dimension import (
    CAPACITANCE,
    CHARGE,
    CONDUCTANCE,
    CURRENT,
    ENERGY,
    FORCE,
    FREQUENCY,
    ILLUMINANCE,
    INDUCTANCE,
    IRRADIANCE,
    LENGTH,
    LINE_CYCLES,
    LUMINOUS_INTENSITY,
    MAGNETIC_FLUX,
    MAGNETIC_FLUX_DENSITY,
    MASS,
    PLAIN,
    POWER,
    PRESSURE,
    RESISTANCE,
    TEMPERATURE,
    TEMPERATURE_POINT,
    TIME,
    VOLTAGE,
    Dimension,
)

__all__ = [
    "ABSOLUTE_ZERO_C",
    "CAPACITANCE",
    "CHARGE",
    "CONDUCTANCE",
    "CURRENT",
    "ENERGY",
    "FORCE",
    "FREQUENCY",
    "ILLUMINANCE",
    "INDUCTANCE",
    "IRRADIANCE",
    "LENGTH",
    "LETTER_CODE_PATTERN",
    "LINE_CYCLES",
    "LONGEST_NUMBER",
    "LUMINOUS_INTENSITY",
    "MAGNETIC_FLUX",
    "MAGNETIC_FLUX_DENSITY",
    "MASS",
    "NUMBER_PATTERN",
    "PLAIN",
    "POWER",
    "PREFIXES",
    "PRESSURE",
    "RESISTANCE",
    "SIMPLE_UNITS",
    "TEMPERATURE",
    "TEMPERATURE_POINT",
    "TIME",
    "UNITS",
    "UNIT_PATTERN",
    "VOLTAGE",
    "Dimension",
    "Quantity",
    "Unit",
    "UnitError",
    "in_unit",
    "read",
    "read_unit",
    "respelt",
    "scaled",
    "spelt",
    "write",
]

LONGEST_NUMBER = 100

# Wide enough for every product of a number and a unit to be exact; the thread's own context is one
# that a notebook may have set to a few digits.
_EXACT = Context(prec=LONGEST_NUMBER + 50)
ABSOLUTE_ZERO_C = Decimal("-273.15")

PREFIXES = {
    "f": Decimal("1e-15"),
    "p": Decimal("1e-12"),
    "n": Decimal("1e-9"),
    "u": Decimal("1e-6"),
    "µ": Decimal("1e-6"),
    "μ": Decimal("1e-6"),
    "m": Decimal("1e-3"),
    "k": Decimal("1e3"),
    "M": Decimal("1e6"),
    "G": Decimal("1e9"),
    "T": Decimal("1e12"),
}


class Unit(NamedTuple):
    """A unit: the factor to SI, its dimension, and whether prefixes go with it."""

    scale: Decimal
    dimension: Dimension
    prefixed: bool = True


_ONE = Decimal(1)
UNITS = {
    "m": Unit(_ONE, LENGTH),
    "cm": Unit(Decimal("0.01"), LENGTH, False),
    "g": Unit(Decimal("0.001"), MASS),
    "s": Unit(_ONE, TIME),
    "A": Unit(_ONE, CURRENT),
    "K": Unit(_ONE, TEMPERATURE),
    "degC": Unit(_ONE, TEMPERATURE_POINT, False),
    "°C": Unit(_ONE, TEMPERATURE_POINT, False),
    "cd": Unit(_ONE, LUMINOUS_INTENSITY),
    "lm": Unit(_ONE, LUMINOUS_INTENSITY, False),
    "lx": Unit(_ONE, ILLUMINANCE),
    "Hz": Unit(_ONE, FREQUENCY),
    "N": Unit(_ONE, FORCE),
    "Pa": Unit(_ONE, PRESSURE),
    "hPa": Unit(Decimal(100), PRESSURE, False),
    "bar": Unit(Decimal(100000), PRESSURE),
    "J": Unit(_ONE, ENERGY),
    "W": Unit(_ONE, POWER),
    "C": Unit(_ONE, CHARGE),
    "V": Unit(_ONE, VOLTAGE),
    "ohm": Unit(_ONE, RESISTANCE),
    "Ω": Unit(_ONE, RESISTANCE),  # U+03A9, the Greek letter
    "\u2126": Unit(_ONE, RESISTANCE),  # the ohm sign of its own
    "S": Unit(_ONE, CONDUCTANCE),
    "F": Unit(_ONE, CAPACITANCE),
    "H": Unit(_ONE, INDUCTANCE),
    "Wb": Unit(_ONE, MAGNETIC_FLUX),
    "T": Unit(_ONE, MAGNETIC_FLUX_DENSITY),
    "Ah": Unit(Decimal(3600), CHARGE),
    "Wh": Unit(Decimal(3600), ENERGY),
    "min": Unit(Decimal(60), TIME, False),
    "h": Unit(Decimal(3600), TIME, False),
    "d": Unit(Decimal(86400), TIME, False),
    "rpm": Unit(_ONE / 60, FREQUENCY, False),
    "PLC": Unit(_ONE, LINE_CYCLES, False),
    "%": Unit(Decimal("0.01"), PLAIN, False),
    "ppm": Unit(Decimal("1e-6"), PLAIN, False),
}


def _simple_units() -> dict[str, Unit]:
    """Every unit with every prefix that it takes; a written unit wins over a prefixed one."""
    table = {}
    for symbol, unit in UNITS.items():
        if unit.prefixed:
            for prefix, factor in PREFIXES.items():
                table[prefix + symbol] = Unit(factor * unit.scale, unit.dimension)
    return table | UNITS


SIMPLE_UNITS = _simple_units()

# One atom of a unit: a symbol of the table with a power, or its root. The look-ahead makes it a
# whole word; the prefixes stand once, since a pattern with every prefixed symbol takes the lexer
# long to compile.
_PREFIXED = "|".join(re.escape(symbol) for symbol, unit in UNITS.items() if unit.prefixed)
_ALONE = "|".join(re.escape(symbol) for symbol, unit in UNITS.items() if not unit.prefixed)
_POWER = r"\^-?[0-9](?:\.5)?|²|³"
_ATOM = rf"√?(?:[{''.join(PREFIXES)}]?(?:{_PREFIXED})|{_ALONE})(?:{_POWER})?(?!\w)"
UNIT_PATTERN = rf"(?:{_ATOM}[*·/]?)+(?<![*·/])"
NUMBER_PATTERN = r"(?:[0-9]+(?:\.[0-9]+)?|\.[0-9]+)(?:[eE][+-]?[0-9]+)?"
# As printed on a part, by the letter code of IEC 60062 (from memory): the letter of the multiplier
# stands for the decimal point, as in 4k7 ohm, R47 ohm, 2n2 F. K is its kilo and L its milli, k and
# m are what people write. One that begins with its letter has a space before the unit.
_LETTERS = {
    "ohm": {"L": -3, "m": -3, "R": 0, "K": 3, "k": 3, "M": 6, "G": 9, "T": 12},
    "F": {"p": -12, "n": -9, "u": -6, "µ": -6, "μ": -6, "m": -3, "F": 0},
}
_LETTERS["Ω"] = _LETTERS["\u2126"] = _LETTERS["ohm"]
_ANY_LETTER = "".join(sorted({letter for letters in _LETTERS.values() for letter in letters}))
# 2Gohm*A is no code and a unit behind it, but 2 and a product of units.
LETTER_CODE_PATTERN = (
    rf"(?:[0-9]+[{_ANY_LETTER}][0-9]*[ ]*|[{_ANY_LETTER}][0-9]+[ ]+)(?:{'|'.join(_LETTERS)})"
    r"(?!\w|\^|²|³|[*·/](?:√|[^\W\d]))"
)
_LETTER_CODE = re.compile(
    r"(?P<whole>[0-9]*)(?P<letter>[^\W\d])(?P<rest>[0-9]*)(?P<space>\s*)(?P<unit>\S+)\Z"
)
_SPELLINGS = (
    ("µ", "u"), ("μ", "u"), ("Ω", "ohm"), ("\u2126", "ohm"), ("degC", "°C"), ("·", "*"),
    ("²", "^2"), ("³", "^3"),
)  # fmt: skip
_QUANTITY = re.compile(
    rf"\s*(?P<sign>[-+−]?)\s*(?P<number>{NUMBER_PATTERN})\s*(?P<unit>.*?)\s*\Z", re.DOTALL
)
_PART = re.compile(rf"(?P<join>[*·/]?)(?P<root>√?)(?P<symbol>[^*·/^²³√]+)(?P<power>{_POWER})?")
_ROOT = re.compile(r"√([^*·/^²³√]+)")


class UnitError(ValueError):
    """A text that is no quantity, or whose unit isn't known."""


class Quantity(NamedTuple):
    """A value in SI with its dimension; a temperature point is in kelvin."""

    value: float
    dimension: Dimension

    def __str__(self) -> str:
        return write(self.value, self.dimension)


@lru_cache(maxsize=4096)
def read_unit(text: str) -> Unit:
    """The scale and dimension of a unit as written, with products, quotients, powers and roots.

    Raises UnitError, naming the piece that isn't known. Within a product or quotient °C means K.
    """
    simple = SIMPLE_UNITS.get(text)
    if simple is not None:
        return simple
    scale, dimension, position = _ONE, PLAIN, 0
    while position < len(text):
        part = _PART.match(text, position)
        symbol = part["symbol"].strip() if part else text[position:]
        unit = SIMPLE_UNITS.get(symbol)
        if part is None or unit is None or (position > 0) != bool(part["join"]):
            raise UnitError(f"“{symbol}” is not a unit that is known here")
        if part["root"] and part["power"]:
            raise UnitError(f"“√{symbol}{part['power']}” can be read in two ways: write ^0.5 for √")
        power = float((part["power"] or "^1").replace("²", "^2").replace("³", "^3")[1:])
        power *= (-1 if part["join"] == "/" else 1) * (0.5 if part["root"] else 1)
        scale = _EXACT.multiply(scale, _scale_to(unit.scale, power))
        dimension = dimension.times(unit.dimension.power(power))
        position = part.end()
    if position == 0:
        raise UnitError("the unit is missing")
    return Unit(scale, dimension, False)


def _scale_to(scale: Decimal, power: float) -> Decimal:
    """The scale of a power of a unit, which may end in a half."""
    if power == int(power):
        return _EXACT.power(scale, int(power))
    return _EXACT.sqrt(_EXACT.power(scale, int(2 * power)))


def spelt(unit: str) -> str:
    """A unit in the one way of writing it: `uohm/W^2` for `µΩ/W²`, `V/Hz^0.5` for `V/√Hz`."""
    unit = _ROOT.sub(r"\1^0.5", unit)
    for written, one in _SPELLINGS:
        unit = unit.replace(written, one)
    return unit


def respelt(number: str) -> str:
    """A number as it was written, a space, and its unit in the one way of writing it."""
    coded = _letter_code(number) is not None
    match = (_LETTER_CODE if coded else _QUANTITY).match(number)
    if match is None:
        return "23"["²³".index(number)] if number in ("²", "³") else number
    unit = spelt(match["unit"])
    digits = spelt(number[: match.start("unit")].strip()).replace("−", "-")
    return f"{digits} {unit}" if unit else digits


@lru_cache(maxsize=16384)
def read(text: str) -> Quantity:
    """A quantity from its text: "2.7 V", "350mF", "80 %", "-5 °C", "3". Raises UnitError.

    The decimal digits are scaled before they become a float, so that "350 mF" is exactly the
    float 0.35.
    """
    if len(text) > LONGEST_NUMBER:
        raise UnitError(f"a number of {len(text)} characters is too long")
    match = _QUANTITY.match(text)
    if match is None or match["unit"][:1].isalpha():
        coded = _letter_code(text)
        if coded is not None:
            return coded
    if match is None:
        raise UnitError(f"“{text.strip()[:40]}” is not a number with a unit")
    if match["unit"].startswith(","):
        raise UnitError(f"“{text.strip()[:40]}” has a decimal comma in place of a point")
    unit = read_unit(match["unit"]) if match["unit"] else Unit(_ONE, PLAIN)
    digits = match["number"]
    exponent = re.search(r"[eE]([+-]?[0-9]+)", digits)
    if exponent and len(exponent[1].lstrip("+-0")) > 3:
        raise UnitError(f"“{digits}” is too large or too small a number")
    number = Decimal(("-" if match["sign"] in ("-", "−") else "") + digits)
    return Quantity(scaled(number, unit), unit.dimension)


def _letter_code(text: str) -> Quantity | None:
    """A value with its letter in place of the point, None where the text is none."""
    match = _LETTER_CODE.match(text.strip())
    letters = _LETTERS.get(match["unit"]) if match else None
    if match is None or letters is None or match["letter"] not in letters:
        return None
    if not match["whole"] and (not match["rest"] or match["space"] == ""):
        return None  # R47ohm is a name
    number = Decimal(f"{match['whole'] or 0}.{match['rest'] or 0}")
    unit = UNITS[match["unit"]]
    return Quantity(scaled(_EXACT.scaleb(number, letters[match["letter"]]), unit), unit.dimension)


def scaled(number: Decimal, unit: Unit) -> float:
    """The SI value of a number in a unit. Raises UnitError where a float can't hold it."""
    if unit.dimension.point:
        value = float(_EXACT.subtract(number, ABSOLUTE_ZERO_C))
    else:
        value = float(_EXACT.multiply(number, unit.scale))
    if math.isinf(value):
        raise UnitError("the number is too large")
    if value == 0 and number and not unit.dimension.point:
        raise UnitError("the number is too small: it would be taken for 0")
    return value


def in_unit(value: float, unit: Unit) -> float:
    """An SI value as a number in a unit."""
    if not math.isfinite(value):
        return value
    exact = Decimal(repr(float(value)))
    if unit.dimension.point:
        return float(_EXACT.add(exact, ABSOLUTE_ZERO_C))
    return float(_EXACT.divide(exact, unit.scale))


_PREFIX_BY_POWER = {
    -15: "f", -12: "p", -9: "n", -6: "u", -3: "m", 0: "", 3: "k", 6: "M", 9: "G", 12: "T",
}  # fmt: skip
_DURATIONS = (("d", 86400), ("h", 3600), ("min", 60))


def write(value: float, dimension: Dimension, digits: int = 6, unit: str | None = None) -> str:
    """A value for a person: a fitting prefix, at most `digits` significant digits, no padding.

    Times over two minutes are written in parts ("3 h 10 min"). `unit` fixes the unit instead.
    """
    if math.isnan(value):
        return "no value"
    if math.isinf(value):
        return "unbounded" if value > 0 else "-unbounded"
    if unit is not None:
        return f"{_digits(in_unit(value, read_unit(unit)), digits)} {unit}".rstrip()
    if dimension.point:
        return f"{_digits(in_unit(value, UNITS['°C']), digits)} °C"
    if dimension == TIME and abs(value) >= 120:
        return _duration(value)
    symbol = dimension.unit
    if not symbol:
        return _digits(value, digits)
    if symbol not in SIMPLE_UNITS or value == 0 or symbol in ("kg", "PLC"):
        return f"{_digits(value, digits)} {symbol}"
    return _with_prefix(value, symbol, digits)


def _with_prefix(value: float, symbol: str, digits: int) -> str:
    # Rounded before the prefix is chosen: 999.9999 mV is 1 V.
    rounded, exponent = f"{value:.{digits - 1}e}".split("e")
    power = min(12, max(-15, 3 * (int(exponent) // 3)))
    number = float(f"{rounded}e{int(exponent) - power}")
    return f"{_digits(number, digits)} {_PREFIX_BY_POWER[power]}{symbol}"


def _digits(value: float, digits: int) -> str:
    text = f"{value:.{digits}g}"
    if "e" in text and 1e-4 <= abs(value) < 1e15:
        text = f"{Decimal(text):f}"
    return "0" if text == "-0" else text


def _duration(value: float) -> str:
    # Rounded before it is taken apart, or 3599.999 s would end in “60 s”.
    if abs(value) >= 1e9:
        return f"{_digits(value, 6)} s"
    places = 2 if abs(value) < 3600 else 0
    rest, parts = round(abs(value) * 10**places), []
    for symbol, seconds in _DURATIONS:
        count, rest = divmod(rest, seconds * 10**places)
        if count:
            parts.append(f"{count} {symbol}")
    if rest:
        parts.append(f"{rest / 10**places:g} s")
    return ("-" if value < 0 else "") + " ".join(parts)
