"""Dimensions: their products, and the unit that the trade writes for each."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from grammar import quantity
from grammar.quantity import (
    CAPACITANCE,
    CURRENT,
    ENERGY,
    FREQUENCY,
    ILLUMINANCE,
    INDUCTANCE,
    IRRADIANCE,
    LENGTH,
    LINE_CYCLES,
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
    read,
    read_unit,
    write,
)

STEADY = settings(derandomize=True, deadline=None)


dimensions = st.builds(
    Dimension, *[st.integers(-4, 4).map(float) for _ in range(7)], point=st.just(False)
)
with_halves = st.builds(
    Dimension, *[st.integers(-8, 8).map(lambda n: n / 2) for _ in range(7)], point=st.just(False)
)


@STEADY
@given(dimensions, dimensions, dimensions)
def test_dimensions_multiply_as_a_commutative_group(
    a: Dimension, b: Dimension, c: Dimension
) -> None:
    assert a.times(b) == b.times(a)
    assert a.times(b).times(c) == a.times(b.times(c))
    assert a.times(PLAIN) == a
    assert a.over(a) == PLAIN
    assert a.over(a).is_plain
    assert a.times(b).over(b) == a
    assert a.power(2) == a.times(a)
    assert a.power(3).power(0.5) == a.power(1.5)
    assert a.power(0) == PLAIN


def test_a_product_with_a_point_is_of_differences() -> None:
    assert TEMPERATURE_POINT.times(PLAIN) == TEMPERATURE
    assert TEMPERATURE_POINT.over(TIME) == TEMPERATURE.over(TIME)
    assert TEMPERATURE != TEMPERATURE_POINT


@STEADY
@given((dimensions | with_halves).filter(lambda d: "1/" not in d.unit and not d.is_plain))
def test_the_unit_of_a_dimension_is_read_as_that_dimension(dimension: Dimension) -> None:
    assert read_unit(dimension.unit).dimension == dimension
    assert read_unit(dimension.unit).scale == 1


PER_ROOT_HERTZ = PLAIN.over(FREQUENCY.power(0.5))


@pytest.mark.parametrize(
    ("dimension", "unit"),
    [
        # What calculations and products of readings come to, as data sheets write it.
        (VOLTAGE.times(PER_ROOT_HERTZ), "V/Hz^0.5"),
        (CURRENT.times(PER_ROOT_HERTZ), "A/Hz^0.5"),
        (POWER.times(PER_ROOT_HERTZ), "W/Hz^0.5"),
        (TEMPERATURE.times(PER_ROOT_HERTZ), "K/Hz^0.5"),
        (ILLUMINANCE.times(PER_ROOT_HERTZ), "lx/Hz^0.5"),
        (VOLTAGE.power(2).over(FREQUENCY), "V^2/Hz"),
        (VOLTAGE.over(TIME.power(0.5)), "V/s^0.5"),
        (TIME.power(0.5), "s^0.5"),
        (VOLTAGE.power(0.5), "V^0.5"),
        (VOLTAGE.power(2), "V^2"),
        (CURRENT.power(2), "A^2"),
        (CURRENT.power(2).times(TIME), "A^2*s"),
        (VOLTAGE.power(3), "V^3"),
        (POWER.over(TEMPERATURE), "W/K"),
        (POWER.over(TIME), "W/s"),
        (CURRENT.over(POWER), "A/W"),
        (CURRENT.over(TEMPERATURE), "A/K"),
        (CURRENT.over(ILLUMINANCE), "A/lx"),
        (CURRENT.over(IRRADIANCE), "A*m^2/W"),
        (CURRENT.over(VOLTAGE.power(2)), "A/V^2"),
        (CURRENT.over(LENGTH.power(2)), "A/m^2"),
        (VOLTAGE.over(LENGTH), "V/m"),
        (VOLTAGE.over(PRESSURE), "V/Pa"),
        (VOLTAGE.over(LINE_CYCLES), "V/PLC"),
        (RESISTANCE.times(LENGTH), "ohm*m"),
        (RESISTANCE.over(TEMPERATURE), "ohm/K"),
        (CAPACITANCE.over(VOLTAGE), "F/V"),
        (CAPACITANCE.over(LENGTH), "F/m"),
        (INDUCTANCE.over(LENGTH), "H/m"),
        (ENERGY.over(MASS), "J/kg"),
        (ENERGY.over(MASS).over(TEMPERATURE), "J/kg/K"),
        (IRRADIANCE.over(TEMPERATURE), "W/m^2/K"),
        (PRESSURE.over(TIME), "Pa/s"),
        (FREQUENCY.over(VOLTAGE), "Hz/V"),
        # What base units say best.
        (LENGTH.over(TIME), "m/s"),
        (LENGTH.over(TIME.power(2)), "m/s^2"),
        (LENGTH.power(3).over(TIME), "m^3/s"),
        (MASS.over(LENGTH.power(3)), "kg/m^3"),
        (MASS.times(LENGTH.power(2)), "m^2*kg"),
        (PLAIN.over(TEMPERATURE), "1/K"),
        (Dimension(3, -4, 1.5, 2, -4, 1, 2), "A^2*m^3*s^1.5*cd*PLC^2/kg^4/K^4"),
    ],
)
def test_a_derived_dimension_is_written_as_the_trade_writes_it(
    dimension: Dimension, unit: str
) -> None:
    assert dimension.unit == unit
    if not unit.startswith("1/"):
        assert read(f"1 {unit}") == quantity.Quantity(1.0, dimension)


def test_a_density_of_noise_is_shown_in_the_unit_asked_for() -> None:
    density = CURRENT.times(PER_ROOT_HERTZ)
    assert write(4.48056e-13, density) == "4.48056e-13 A/Hz^0.5"
    assert write(4.48056e-13, density, unit="fA/Hz^0.5") == "448.056 fA/Hz^0.5"
    assert write(4.48056e-13, density, unit="fA/√Hz") == "448.056 fA/√Hz"


@pytest.mark.parametrize(
    ("written", "unit"), [("fA/√Hz", "fA/Hz^0.5"), ("√Hz·V", "Hz^0.5*V"), ("µΩ/√s", "uohm/s^0.5")]
)
def test_a_root_has_one_way_of_writing(written: str, unit: str) -> None:
    assert quantity.spelt(written) == unit
    assert quantity.respelt(f"2 {written}") == f"2 {unit}"
    assert read_unit(written) == read_unit(unit)
