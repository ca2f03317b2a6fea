"""Units and quantities against the SI brochure, exact fractions, and each other."""

from __future__ import annotations

import decimal
import math
from fractions import Fraction

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from grammar import quantity
from grammar.parse import parse_expression
from grammar.quantity import (
    CAPACITANCE,
    CHARGE,
    CONDUCTANCE,
    CURRENT,
    ENERGY,
    FREQUENCY,
    ILLUMINANCE,
    INDUCTANCE,
    IRRADIANCE,
    LENGTH,
    LINE_CYCLES,
    MAGNETIC_FLUX,
    MAGNETIC_FLUX_DENSITY,
    MASS,
    PLAIN,
    POWER,
    PRESSURE,
    RESISTANCE,
    SIMPLE_UNITS,
    TEMPERATURE,
    TEMPERATURE_POINT,
    TIME,
    UNITS,
    VOLTAGE,
    Dimension,
    UnitError,
    in_unit,
    read,
    read_unit,
    write,
)
from grammar.tree import Binary, Name, Number

STEADY = settings(derandomize=True, deadline=None)

# What each unit is in the base units m, kg, s, A, K, cd (their exponents) and its factor: SI
# brochure, 9th edition, tables 2, 4 and 8; bar: the 8th edition, table 8; all from memory. Wh, Ah,
# %, ppm and rpm by their definition in hours, hundredths, millionths and turns a minute.
BROCHURE = {
    "m": (1, (1, 0, 0, 0, 0, 0)),
    "g": (Fraction(1, 1000), (0, 1, 0, 0, 0, 0)),
    "s": (1, (0, 0, 1, 0, 0, 0)),
    "A": (1, (0, 0, 0, 1, 0, 0)),
    "K": (1, (0, 0, 0, 0, 1, 0)),
    "cd": (1, (0, 0, 0, 0, 0, 1)),
    "lm": (1, (0, 0, 0, 0, 0, 1)),
    "lx": (1, (-2, 0, 0, 0, 0, 1)),
    "Hz": (1, (0, 0, -1, 0, 0, 0)),
    "N": (1, (1, 1, -2, 0, 0, 0)),
    "Pa": (1, (-1, 1, -2, 0, 0, 0)),
    "bar": (100_000, (-1, 1, -2, 0, 0, 0)),
    "J": (1, (2, 1, -2, 0, 0, 0)),
    "W": (1, (2, 1, -3, 0, 0, 0)),
    "C": (1, (0, 0, 1, 1, 0, 0)),
    "V": (1, (2, 1, -3, -1, 0, 0)),
    "ohm": (1, (2, 1, -3, -2, 0, 0)),
    "Ω": (1, (2, 1, -3, -2, 0, 0)),
    "\u2126": (1, (2, 1, -3, -2, 0, 0)),
    "S": (1, (-2, -1, 3, 2, 0, 0)),
    "F": (1, (-2, -1, 4, 2, 0, 0)),
    "H": (1, (2, 1, -2, -2, 0, 0)),
    "Wb": (1, (2, 1, -2, -1, 0, 0)),
    "T": (1, (0, 1, -2, -1, 0, 0)),
    "min": (60, (0, 0, 1, 0, 0, 0)),
    "h": (3600, (0, 0, 1, 0, 0, 0)),
    "d": (86400, (0, 0, 1, 0, 0, 0)),
    "Ah": (3600, (0, 0, 1, 1, 0, 0)),
    "Wh": (3600, (2, 1, -2, 0, 0, 0)),
    "rpm": (Fraction(1, 60), (0, 0, -1, 0, 0, 0)),
    "%": (Fraction(1, 100), (0, 0, 0, 0, 0, 0)),
    "ppm": (Fraction(1, 1_000_000), (0, 0, 0, 0, 0, 0)),
    "cm": (Fraction(1, 100), (1, 0, 0, 0, 0, 0)),
    "hPa": (100, (-1, 1, -2, 0, 0, 0)),
}
# SI brochure, 9th edition, table 7, from memory; "u" stands for micro where there is no µ.
PREFIXES = {"f": -15, "p": -12, "n": -9, "u": -6, "µ": -6, "μ": -6, "m": -3, "k": 3, "M": 6, "G": 9,
            "T": 12}  # fmt: skip
WITHOUT_PREFIX = {"lm", "min", "h", "d", "rpm", "%", "ppm", "cm", "hPa", "degC", "°C", "PLC"}


@pytest.mark.parametrize("symbol", BROCHURE)
def test_a_unit_is_what_the_brochure_says(symbol: str) -> None:
    factor, exponents = BROCHURE[symbol]
    unit = read_unit(symbol)
    assert list(unit.dimension.exponents) == [*exponents, 0]
    # rpm is a third of a decimal that doesn't end; all others are exact.
    assert math.isclose(unit.scale, factor, rel_tol=1e-27)
    assert symbol == "rpm" or Fraction(unit.scale) == factor


def test_the_table_holds_no_other_unit() -> None:
    assert set(UNITS) == {*BROCHURE, "degC", "°C", "PLC"}


@pytest.mark.parametrize("prefix", PREFIXES)
def test_prefixes_go_with_the_units_that_take_them(prefix: str) -> None:
    for symbol in UNITS:
        if symbol in WITHOUT_PREFIX:
            # "hPa" and "cm" take no second prefix, and "m" + "in" is no unit of its own.
            assert prefix + symbol not in SIMPLE_UNITS
        elif prefix + symbol not in UNITS:
            unit = read_unit(prefix + symbol)
            factor = Fraction(read_unit(symbol).scale) * Fraction(10) ** PREFIXES[prefix]
            assert (Fraction(unit.scale), unit.dimension) == (factor, read_unit(symbol).dimension)


def test_a_written_unit_wins_over_a_prefixed_one() -> None:
    assert read("1 min").dimension == TIME
    assert read("1 cd").dimension == read_unit("cd").dimension
    assert read("1 Pa").dimension == PRESSURE
    assert read("1 T").dimension == MAGNETIC_FLUX_DENSITY
    assert read("1 m").dimension == LENGTH


@pytest.mark.parametrize(
    ("text", "value", "dimension"),
    [
        # Products and quotients of the brochure's table 4, whatever the way to them.
        ("1 V*A", 1.0, POWER),
        ("1 W*s", 1.0, ENERGY),
        ("1 kW*h", 3.6e6, ENERGY),
        ("1 V/A", 1.0, RESISTANCE),
        ("1 A/V", 1.0, CONDUCTANCE),
        ("1 C/V", 1.0, CAPACITANCE),
        ("1 V*s", 1.0, MAGNETIC_FLUX),
        ("1 Wb/A", 1.0, INDUCTANCE),
        ("1 Wb/m^2", 1.0, MAGNETIC_FLUX_DENSITY),
        ("1 N/m²", 1.0, PRESSURE),
        ("1 kg*m/s²", 1.0, Dimension(1, 1, -2)),
        ("1 W/m²", 1.0, IRRADIANCE),
        ("1 lm/m²", 1.0, ILLUMINANCE),
        ("1 s^-1", 1.0, FREQUENCY),
        ("1 mA*h", 3.6, CHARGE),
        ("2 mV/s", 0.002, VOLTAGE.over(TIME)),
        ("1 V·s", 1.0, MAGNETIC_FLUX),
        ("4 cm^2", 4e-4, LENGTH.power(2)),
        ("1 m³/h", 1 / 3600, LENGTH.power(3).over(TIME)),
        # °C within a product or quotient is a difference: K.
        ("5 °C/s", 5.0, TEMPERATURE.over(TIME)),
        ("5 mV/°C", 0.005, VOLTAGE.over(TEMPERATURE)),
        ("100 ppm/K", 1e-4, PLAIN.over(TEMPERATURE)),
        # A point: 0 °C is 273.15 K by definition.
        ("0 °C", 273.15, TEMPERATURE_POINT),
        ("25 degC", 298.15, TEMPERATURE_POINT),
        ("-273.15 °C", 0.0, TEMPERATURE_POINT),
        ("300 K", 300.0, TEMPERATURE),
        ("10 PLC", 10.0, LINE_CYCLES),
        ("3000 rpm", 50.0, FREQUENCY),
        # Roots, as densities of noise have them: √ is a power of one half.
        ("4.5 nV/√Hz", 4.5e-9, VOLTAGE.over(FREQUENCY.power(0.5))),
        ("4.5 nV/Hz^0.5", 4.5e-9, VOLTAGE.over(FREQUENCY.power(0.5))),
        ("3 V*s^0.5", 3.0, VOLTAGE.over(FREQUENCY.power(0.5))),
        ("2 √MHz", 2e3, FREQUENCY.power(0.5)),
        ("8 W^1.5", 8.0, POWER.power(1.5)),
        ("1 V·Hz^-0.5", 1.0, VOLTAGE.over(FREQUENCY.power(0.5))),
        # Ways of writing.
        ("2.7V", 2.7, VOLTAGE),
        ("  2.7   V ", 2.7, VOLTAGE),
        (".5 V", 0.5, VOLTAGE),
        ("1e-3 A", 0.001, CURRENT),
        ("1.5E+3 g", 1.5, MASS),
        ("−5 V", -5.0, VOLTAGE),
        ("-5V", -5.0, VOLTAGE),
        ("+5 V", 5.0, VOLTAGE),
        ("80 %", 0.8, PLAIN),
        ("80%", 0.8, PLAIN),
        ("5 μA", 5e-6, CURRENT),
        ("5 µA", 5e-6, CURRENT),
        ("3", 3.0, PLAIN),
    ],
)
def test_quantities_are_read(text: str, value: float, dimension: Dimension) -> None:
    assert read(text) == quantity.Quantity(value, dimension)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "“” is not a number with a unit"),
        ("V", "“V” is not a number with a unit"),
        ("nan", "“nan” is not a number with a unit"),
        ("inf V", "“inf V” is not a number with a unit"),
        ("٣ V", "“٣ V” is not a number with a unit"),
        ("1_000 V", "“_000 V” is not a unit that is known here"),
        ("1. V", "“. V” is not a unit that is known here"),
        ("1,5 V", "“1,5 V” has a decimal comma in place of a point"),
        ("4.2 Amps", "“Amps” is not a unit that is known here"),
        ("5 mkg", "“mkg” is not a unit that is known here"),
        ("5 kmin", "“kmin” is not a unit that is known here"),
        ("5 /V", "“V” is not a unit that is known here"),
        ("5 V/", "“/” is not a unit that is known here"),
        ("5 V//s", "“//s” is not a unit that is known here"),
        ("5 V V", "“V V” is not a unit that is known here"),
        ("5 V^10", "“0” is not a unit that is known here"),
        ("5 V^0.6", "“.6” is not a unit that is known here"),
        ("5 V^0.55", "“5” is not a unit that is known here"),
        ("5 √", "“√” is not a unit that is known here"),
        ("5 V/√Hz²", "“√Hz²” can be read in two ways: write ^0.5 for √"),
        ("1e400 V", "the number is too large"),
        ("-1e400 V", "the number is too large"),
        ("1e308 kV", "the number is too large"),
        ("1e-400 V", "the number is too small: it would be taken for 0"),
        ("1e-320 fV", "the number is too small: it would be taken for 0"),
        ("1e9999999999999999999 V", "“1e9999999999999999999” is too large or too small a number"),
        ("1" * 200 + " V", "a number of 202 characters is too long"),
    ],
)
def test_what_is_no_quantity_is_refused(text: str, message: str) -> None:
    with pytest.raises(UnitError) as refused:
        read(text)
    assert str(refused.value) == message


@STEADY
@given(st.text(alphabet="0123456789.,eE+-−^*·/²³ %°µVAsmCKohm(\n\x00Ω") | st.text())
def test_any_text_is_a_quantity_or_refused_and_never_anything_else(text: str) -> None:
    try:
        found = read(text)
    except UnitError:
        return
    assert math.isfinite(found.value)


numbers = st.from_regex(r"\A-?(0|[1-9][0-9]{0,20})(\.[0-9]{1,20})?(e-?[0-9]{1,2})?\Z")
symbols = st.sampled_from(sorted(set(SIMPLE_UNITS) - {"rpm", "degC", "°C"}))


@STEADY
@given(numbers, symbols)
def test_digits_are_scaled_before_they_are_rounded(number: str, symbol: str) -> None:
    """The float is the one nearest to the exact value: oracle, a fraction's own rounding."""
    exact = Fraction(number) * Fraction(SIMPLE_UNITS[symbol].scale)
    assert read(f"{number} {symbol}").value == float(exact)


@STEADY
@given(numbers)
def test_a_temperature_is_rounded_once(number: str) -> None:
    assert read(f"{number} °C").value == float(Fraction(number) + Fraction(27315, 100))


def test_the_numbers_of_a_label_are_the_floats_of_the_program() -> None:
    assert read("350 mF").value == 0.35
    assert read("4.7 uF").value == 4.7e-6
    assert read("0.1 %").value == 0.001


def test_the_thread_s_decimal_context_changes_nothing() -> None:
    with decimal.localcontext(prec=3):
        assert read("1.23456789 kV").value == 1234.56789
        assert in_unit(1234.56789, read_unit("kV")) == 1.23456789
        assert write(1234.56789, VOLTAGE) == "1.23457 kV"


WRITTEN = [VOLTAGE, CURRENT, RESISTANCE, CAPACITANCE, CHARGE, ENERGY, POWER, PLAIN, MASS, FREQUENCY,
           IRRADIANCE, LINE_CYCLES, VOLTAGE.over(TIME), TEMPERATURE, LENGTH,
           VOLTAGE.over(FREQUENCY.power(0.5))]  # fmt: skip


@STEADY
@given(st.floats(1e-15, 1e15) | st.floats(-1e15, -1e-15) | st.just(0.0), st.sampled_from(WRITTEN),
       st.integers(1, 15))  # fmt: skip
def test_what_is_written_is_read_again(value: float, dimension: Dimension, digits: int) -> None:
    again = read(write(value, dimension, digits))
    assert again.dimension == dimension
    # Half a unit of the last digit written, and the last bit of reading it.
    assert math.isclose(again.value, value, rel_tol=0.5 * 10 ** (1 - digits) * (1 + 1e-12) + 3e-16)


@STEADY
@given(st.floats(-200, 1e4), st.integers(3, 12))
def test_a_temperature_written_is_read_again(celsius: float, digits: int) -> None:
    again = read(write(celsius + 273.15, TEMPERATURE_POINT, digits))
    assert again.dimension == TEMPERATURE_POINT
    assert math.isclose(
        again.value - 273.15, celsius, rel_tol=0.5 * 10 ** (1 - digits), abs_tol=2e-12
    )


@STEADY
@given(st.floats(0, 1e9, exclude_max=True))
def test_the_parts_of_a_duration_add_up(seconds: float) -> None:
    """To a hundredth of a second within an hour, to a second beyond it."""
    words = write(seconds, TIME, 12).split()
    parts = [read(" ".join(pair)).value for pair in zip(words[::2], words[1::2], strict=True)]
    assert parts == sorted(parts, reverse=True)
    within = 1e-9 if seconds < 120 else 0.005 if seconds < 3600 else 0.5
    assert math.isclose(math.fsum(parts), seconds, rel_tol=1e-11, abs_tol=within * 1.0001)


@pytest.mark.parametrize(
    ("value", "dimension", "written"),
    [
        (2.7, VOLTAGE, "2.7 V"),
        (0.35, CAPACITANCE, "350 mF"),
        (0.9999999, VOLTAGE, "1 V"),
        (999.9994, VOLTAGE, "999.999 V"),
        (999.9996, VOLTAGE, "1 kV"),
        (-0.0, VOLTAGE, "0 V"),
        (1e-20, CURRENT, "1e-05 fA"),
        (1.7976931348623157e308, VOLTAGE, "1.79769e+296 TV"),
        (5e-324, VOLTAGE, "4.94066e-309 fV"),
        (1234567.0, PLAIN, "1234570"),
        (1e-5, PLAIN, "1e-05"),
        (0.001, PLAIN, "0.001"),
        (5.0, MASS, "5 kg"),
        (298.15, TEMPERATURE_POINT, "25 °C"),
        (0.04, IRRADIANCE, "0.04 W/m^2"),
        (119.0, TIME, "119 s"),
        (0.002, TIME, "2 ms"),
        (120.0, TIME, "2 min"),
        (125.04, TIME, "2 min 5.04 s"),
        (3599.996, TIME, "1 h"),
        (7199.0, TIME, "1 h 59 min 59 s"),
        (11400.0, TIME, "3 h 10 min"),
        (86400.0, TIME, "1 d"),
        (-200.0, TIME, "-3 min 20 s"),
        (1e300, TIME, "1e+300 s"),
        (math.inf, VOLTAGE, "unbounded"),
        (-math.inf, TEMPERATURE_POINT, "-unbounded"),
        (math.nan, VOLTAGE, "no value"),
        (3.0, PLAIN.over(LENGTH), "3 1/m"),
    ],
)
def test_a_value_is_written_for_a_person(value: float, dimension: Dimension, written: str) -> None:
    assert write(value, dimension) == written


@pytest.mark.parametrize(
    ("value", "dimension", "unit", "written"),
    [
        (0.02, RESISTANCE, "mohm", "20 mohm"),
        (0.8, PLAIN, "%", "80 %"),
        (50.0, FREQUENCY, "rpm", "3000 rpm"),
        (298.15, TEMPERATURE_POINT, "°C", "25 °C"),
        (7200.0, TIME, "h", "2 h"),
        (math.inf, TIME, "h", "unbounded"),
    ],
)
def test_a_unit_may_be_asked_for(
    value: float, dimension: Dimension, unit: str, written: str
) -> None:
    assert write(value, dimension, unit=unit) == written


@STEADY
@given(st.floats(1e-270, 1e290) | st.floats(-1e290, -1e-270) | st.just(0.0), symbols)
def test_a_value_in_a_unit_and_back(value: float, symbol: str) -> None:
    """Rounded twice, so that the last bit may differ."""
    unit = SIMPLE_UNITS[symbol]
    number = decimal.Decimal(repr(in_unit(value, unit)))
    assert math.isclose(quantity.scaled(number, unit), value, rel_tol=4e-16)


@pytest.mark.parametrize("space", ["", " "])
@pytest.mark.parametrize("symbol", sorted(SIMPLE_UNITS))
def test_the_grammar_takes_a_number_and_its_unit_as_one(symbol: str, space: str) -> None:
    for number in ("5", "2.7", "1e-3", ".5"):
        text = f"{number}{space}{symbol}"
        assert parse_expression(text) == Number(read(text), text)
        assert parse_expression(f"{text} * x") == Binary("*", Number(read(text), text), Name("x"))


@STEADY
@given(st.lists(symbols, min_size=2, max_size=4), st.sampled_from("*/·"), st.booleans())
def test_the_grammar_takes_products_and_quotients_of_units(
    parts: list[str], join: str, spaced: bool
) -> None:
    text = f"2{' ' if spaced else ''}{join.join(parts)}"
    assert parse_expression(text) == Number(read(text), text)


def test_a_quotient_by_a_name_is_a_division() -> None:
    five = Number(read("5 V"), "5V")
    assert parse_expression("5V/s_total") == Binary("/", five, Name("s_total"))
    assert parse_expression("5 V/s") == Number(read("5 V/s"), "5 V/s")
    assert parse_expression("5 V / s") == Binary("/", five, Name("s"))
    assert parse_expression("5 V*rate") == Binary("*", five, Name("rate"))


def test_a_minus_before_a_temperature_belongs_to_it() -> None:
    assert parse_expression("-5 °C") == Number(read("-5 °C"), "-5 °C")
    assert parse_expression("−5 °C") == Number(read("-5 °C"), "-5 °C")
    assert parse_expression("20 °C - 5 °C") == Binary(
        "-", Number(read("20 °C"), "20 °C"), Number(read("5 °C"), "5 °C")
    )
