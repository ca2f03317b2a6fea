"""Units, their products, quotients and powers against pint, a library of its own making."""

from __future__ import annotations

import math
from functools import cache
from typing import Any

import pint
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from grammar.parse import parse_expression
from grammar.quantity import PLAIN, PREFIXES, SIMPLE_UNITS, UNITS, read, read_unit
from grammar.tree import Number

# What pint calls them. Not judged: PLC, which has no length by itself, and rpm, whose turn pint
# takes for an angle of 2 pi; °C is judged as the difference that it is within a product.
CALLED = {
    "m": "meter", "cm": "centimeter", "g": "gram", "s": "second", "A": "ampere", "K": "kelvin",
    "degC": "kelvin", "°C": "kelvin", "cd": "candela", "lm": "lumen", "lx": "lux", "Hz": "hertz",
    "N": "newton", "Pa": "pascal", "hPa": "hectopascal", "bar": "bar", "J": "joule", "W": "watt",
    "C": "coulomb", "V": "volt", "ohm": "ohm", "Ω": "ohm", "\u2126": "ohm", "S": "siemens",
    "F": "farad", "H": "henry", "Wb": "weber", "T": "tesla", "Ah": "ampere*hour", "Wh": "watt*hour",
    "min": "minute", "h": "hour", "d": "day", "%": "percent", "ppm": "ppm",
}  # fmt: skip
NOT_JUDGED = {"PLC", "rpm"}
POWERS = {"f": -15, "p": -12, "n": -9, "u": -6, "µ": -6, "μ": -6, "m": -3, "k": 3, "M": 6, "G": 9,
          "T": 12}  # fmt: skip
BASES = ("[length]", "[mass]", "[time]", "[current]", "[temperature]", "[luminosity]")


@cache
def registry() -> Any:
    return pint.UnitRegistry()


@cache
def judged(symbol: str) -> Any:
    """A unit of the table, by pint: 1 of it in base units."""
    if symbol in CALLED:
        return registry().Quantity(1.0, CALLED[symbol]).to_base_units()
    prefix, unit = symbol[0], symbol[1:]
    return 10.0 ** POWERS[prefix] * judged(unit)


def assert_same(text: str, theirs: Any) -> None:
    ours = read_unit(text)
    base = theirs.to_base_units()
    exponents = [float(base.dimensionality.get(name, 0)) for name in BASES]
    assert list(ours.dimension.exponents) == [*exponents, 0], text
    # Both round; a product of four powers of four takes some bits.
    assert math.isclose(float(ours.scale), base.magnitude, rel_tol=1e-13), text


def test_every_unit_is_judged() -> None:
    assert set(UNITS) == set(CALLED) | NOT_JUDGED
    assert set(POWERS) == set(PREFIXES)


@pytest.mark.parametrize("symbol", sorted(set(SIMPLE_UNITS) - NOT_JUDGED))
def test_a_unit(symbol: str) -> None:
    assert_same(symbol, judged(symbol))


atoms = st.tuples(
    st.sampled_from(sorted(set(SIMPLE_UNITS) - NOT_JUDGED)),
    st.sampled_from(
        ["", "", "", "^1", "^2", "^3", "^-1", "^-2", "²", "³", "^0", "^0.5", "^1.5", "^-0.5", "√"]
    ),
    st.sampled_from("*·/"),
)


@settings(derandomize=True, deadline=None, max_examples=400)
@given(st.lists(atoms, min_size=2, max_size=4))
def test_products_quotients_powers_and_roots(parts: list[tuple[str, str, str]]) -> None:
    """With those of °C as differences."""
    text, theirs = "", registry().Quantity(1.0)
    for symbol, power, join in parts:
        written = f"√{symbol}" if power == "√" else symbol + power
        text += (join if text else "") + written
        spelt = power.replace("²", "^2").replace("³", "^3").replace("√", "^0.5")
        factor = judged(symbol) ** float(spelt.removeprefix("^") or 1)
        theirs = theirs / factor if join == "/" and text != written else theirs * factor
    assert_same(text, theirs)
    assert parse_expression(f"2 {text}") == Number(read(f"2 {text}"), text)
    assert read(f"2 {text}").dimension == read_unit(text).dimension


powers = st.integers(-4, 4).map(lambda halves: halves / 2)


@settings(derandomize=True, deadline=None, max_examples=200)
@given(st.dictionaries(st.sampled_from(["V", "A", "W", "K", "s", "m", "Hz", "lx"]), powers))
def test_the_unit_that_a_product_is_written_in(factors: dict[str, float]) -> None:
    """What we name for it is, by pint, what the product is."""
    dimension, theirs = PLAIN, registry().Quantity(1.0)
    for symbol, power in factors.items():
        dimension = dimension.times(UNITS[symbol].dimension.power(power))
        theirs = theirs * judged(symbol) ** power
    named = registry().Quantity(1.0, (dimension.unit or "1").replace("^", "**")).to_base_units()
    assert named.dimensionality == theirs.dimensionality
    assert math.isclose(named.magnitude, 1.0, rel_tol=1e-12)
