"""Values as they are printed on parts, against the tables of IEC 60062 and their own arithmetic."""

from __future__ import annotations

from fractions import Fraction

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from grammar.parse import parse_expression
from grammar.quantity import CAPACITANCE, RESISTANCE, UnitError, read, respelt
from grammar.tree import Binary, Name, Number

# IEC 60062:2016, the examples of its letter and digit code for resistance and capacitance values,
# from memory: what is printed, and the value in ohm or farad.
RESISTANCES = {
    "R10": "0.1", "R15": "0.15", "R332": "0.332", "R590": "0.59", "1R0": "1", "1R5": "1.5",
    "3R32": "3.32", "5R90": "5.9", "10R": "10", "15R": "15", "33R2": "33.2", "100R": "100",
    "150R": "150", "332R": "332", "590R": "590", "1K0": "1e3", "1K5": "1.5e3", "3K32": "3.32e3",
    "10K": "10e3", "33K2": "33.2e3", "100K": "100e3", "332K": "332e3", "1M0": "1e6",
    "1M5": "1.5e6", "3M32": "3.32e6", "10M": "10e6", "33M2": "33.2e6", "100M": "100e6",
    "1G0": "1e9", "1G5": "1.5e9", "3G32": "3.32e9", "10G": "10e9", "100G": "100e9", "1T0": "1e12",
    "1T5": "1.5e12", "3T32": "3.32e12", "10T": "10e12", "4L7": "4.7e-3", "L50": "0.5e-3",
}  # fmt: skip
CAPACITANCES = {
    "p10": "0.1e-12", "p15": "0.15e-12", "p332": "0.332e-12", "1p0": "1e-12", "1p5": "1.5e-12",
    "3p32": "3.32e-12", "10p": "10e-12", "33p2": "33.2e-12", "100p": "100e-12", "332p": "332e-12",
    "1n0": "1e-9", "1n5": "1.5e-9", "3n32": "3.32e-9", "10n": "10e-9", "33n2": "33.2e-9",
    "100n": "100e-9", "1µ0": "1e-6", "1µ5": "1.5e-6", "3µ32": "3.32e-6", "10µ": "10e-6",
    "100µ": "100e-6", "1m0": "1e-3", "3m32": "3.32e-3", "10m": "10e-3", "1F0": "1",
}  # fmt: skip
PRINTED = [
    *((code, value, "ohm") for code, value in RESISTANCES.items()),
    *((code, value, "F") for code, value in CAPACITANCES.items()),
]
STEADY = settings(derandomize=True, deadline=None)


@pytest.mark.parametrize(("code", "value", "unit"), PRINTED)
def test_what_is_printed_is_what_is_read(code: str, value: str, unit: str) -> None:
    """Exactly: the float nearest to the decimal value, whatever the multiplier."""
    text = f"{code} {unit}"
    dimension = RESISTANCE if unit == "ohm" else CAPACITANCE
    assert (read(text).value, read(text).dimension) == (float(Fraction(value)), dimension)
    assert parse_expression(text) == Number(read(text), text)
    assert parse_expression(f"2 * {text}") == Binary(
        "*", Number(read("2"), "2"), Number(read(text), text)
    )
    assert respelt(text) == text.replace("µ", "u")


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("4k7 ohm", 4700.0),
        ("4k7Ω", 4700.0),
        ("4K7\u2126", 4700.0),
        ("47R Ω", 47.0),
        ("5m6 ohm", 0.0056),
        ("2u2 F", 2.2e-6),
        ("2μ2F", 2.2e-6),
    ],
)
def test_what_people_write_beside_the_standard(text: str, value: float) -> None:
    """k, m and u in place of K, L and µ: common practice, no source."""
    assert read(text).value == value
    assert parse_expression(text) == Number(read(text), text)


@pytest.mark.parametrize(
    "text",
    ["4k7", "4k7 V", "4k7 kohm", "k ohm", "R ohm", "4k7k ohm", "4.7k ohm", "4kk7 ohm", "2n2 ohm",
     "4M7 F", "R47ohm", "4k7 ohms", "4k7 ohm/V", "-4k7 ohm", "4k-7 ohm"],
)  # fmt: skip
def test_what_is_no_code_is_refused(text: str) -> None:
    with pytest.raises(UnitError):
        read(text)


def test_a_name_that_looks_like_a_code_is_a_name() -> None:
    """The resistor R47 stands in many a recipe; only beside a unit is it a value."""
    for name in ("R47", "p33", "R47ohm", "L4", "m1F"):
        assert parse_expression(name) == Name(name)
        assert parse_expression(f"{name} * 2") == Binary("*", Name(name), Number(read("2"), "2"))
    assert parse_expression("R47 ohm") == Number(read("0.47 ohm"), "0.47 ohm")


@STEADY
@given(
    st.integers(0, 9999),
    st.sampled_from("LRKMGT"),
    st.text(alphabet="0123456789", max_size=4),
)
def test_the_letter_is_the_point_and_the_multiplier(whole: int, letter: str, rest: str) -> None:
    power = {"L": -3, "R": 0, "K": 3, "M": 6, "G": 9, "T": 12}[letter]
    exact = Fraction(f"{whole}.{rest or 0}") * Fraction(10) ** power
    assert read(f"{whole}{letter}{rest} ohm").value == float(exact)
    assert parse_expression(f"{whole}{letter}{rest}ohm") == Number(
        read(f"{whole}{letter}{rest} ohm"), ""
    )
