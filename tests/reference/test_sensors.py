"""Sensors against the standards' tables and against libraries that were written by others.

The numbers come from the package rtd-sensor (IEC 60751), the package thermocouple-its90 (NIST
Standard Reference Database 60, its 12,026 table points checked by its author) and, for
thermistors, from the formula worked out in another place with tight tolerances.
"""

from __future__ import annotations

import math
from typing import Any

import pytest
import rtd_sensor.pt100
import thermocouple_its90
from hypothesis import given
from hypothesis import strategies as some

from drivers.sensors import SENSORS, Sensor

ZERO = 273.15
LETTERS = "BEJKNRST"


def sensor(kind: str, **keys: Any) -> Sensor:
    return SENSORS[kind].model_validate({"kind": kind, **keys})


PLATINUM = sensor("platinum", resistance="100 ohm")
COUPLES = {c: sensor("thermocouple", type=c, reference="0 °C") for c in LETTERS}


@pytest.mark.parametrize(
    ("celsius", "ohms"),
    [
        (-200, 18.5200800),
        (-100, 60.2558400),
        (25, 109.7346563),
        (100, 138.5055000),
        (850, 390.4811250),
    ],
)
def test_platinum_resistance(celsius: float, ohms: float) -> None:
    """IEC 60751 by rtd-sensor: to 1e-7 ohm."""
    assert PLATINUM.signal(celsius + ZERO) == pytest.approx(ohms, abs=1e-7)


@pytest.mark.parametrize(("ohms", "celsius"), [(110, 25.6840467), (50, -125.1463609)])
def test_platinum_temperature(ohms: float, celsius: float) -> None:
    """IEC 60751, solved elsewhere: to 1e-6 K."""
    assert PLATINUM.value(ohms) - ZERO == pytest.approx(celsius, abs=1e-6)


@given(celsius=some.floats(-200, 850))
def test_platinum_beside_another_library(celsius: float) -> None:
    ohms = rtd_sensor.pt100.celsius_to_resistance(celsius)
    assert PLATINUM.signal(celsius + ZERO) == pytest.approx(ohms, abs=1e-7)
    assert PLATINUM.value(ohms) - ZERO == pytest.approx(celsius, abs=1e-6)


@pytest.mark.parametrize(
    ("letter", "celsius", "millivolts"),
    [
        ("K", -100, -3.553631),
        ("K", 25, 1.000242),
        ("K", 100, 4.096230),
        ("K", 500, 20.644286),
        ("J", 100, 5.268916),
        ("T", -100, -3.378582),
        ("T", 100, 4.278519),
        ("S", 1000, 9.587098),
    ],
)
def test_thermocouple_voltage(letter: str, celsius: float, millivolts: float) -> None:
    """NIST SRD 60 by thermocouple-its90: to 1e-6 mV."""
    volts = COUPLES[letter].signal(celsius + ZERO, ZERO)
    assert 1e3 * volts == pytest.approx(millivolts, abs=1e-6)


def test_thermocouple_with_a_warm_reference() -> None:
    """NIST SRD 60: K at 1.000 mV, the reference junction at 25 °C."""
    assert COUPLES["K"].value(1e-3, 25 + ZERO) - ZERO == pytest.approx(49.446273, abs=1e-6)


@pytest.mark.parametrize("letter", LETTERS)
@given(share=some.floats(1e-6, 1 - 1e-6), celsius=some.floats(0, 50))
def test_thermocouple_beside_another_library(letter: str, share: float, celsius: float) -> None:
    """Both ways round, over the whole span of each letter and with a reference of any room."""
    couple, judge = COUPLES[letter], thermocouple_its90.get(letter)
    low, high = couple.span
    kelvins = low + share * (high - low)
    millivolts = judge.emf(kelvins - ZERO, reference=celsius)
    volts = couple.signal(kelvins, celsius + ZERO)
    assert 1e3 * volts == pytest.approx(millivolts, abs=1e-6)
    # Near absolute zero a kelvin is next to no voltage: what comes back is judged by that.
    back = couple.value(volts, celsius + ZERO)
    assert couple.signal(back, celsius + ZERO) == pytest.approx(volts, abs=1e-12)


@pytest.mark.parametrize(("celsius", "ohms"), [(0, 33620.6037), (50, 3588.18258), (85, 1086.67077)])
def test_thermistor_by_beta(celsius: float, ohms: float) -> None:
    """R0·exp(beta (1/T − 1/T0)) with 10 kohm at 25 °C and 3950 K, to 1e-8 of it."""
    found = sensor("thermistor", resistance="10 kohm", at="25 °C", beta="3950 K")
    assert found.signal(celsius + ZERO) == pytest.approx(ohms, rel=1e-8)
    assert found.value(ohms) - ZERO == pytest.approx(celsius, abs=1e-6)


def test_thermistor_by_beta_the_other_way() -> None:
    """The same, at 1 kohm."""
    found = sensor("thermistor", resistance="10 kohm", at="25 °C", beta="3950 K")
    assert found.value(1000.0) - ZERO == pytest.approx(87.719674, abs=1e-6)


@pytest.mark.parametrize(
    ("ohms", "celsius"), [(20e3, 9.896952), (5e3, 41.580290), (1e3, 87.226796)]
)
def test_thermistor_by_steinhart_and_hart(ohms: float, celsius: float) -> None:
    """Through 32650, 10000 and 3603 ohm at 0, 25 and 50 °C: to 1e-6 K."""
    found = sensor("thermistor", coefficients=[1.125256672e-3, 2.347204473e-4, 8.563052732e-8])
    assert found.value(ohms) - ZERO == pytest.approx(celsius, abs=1e-6)
    assert found.signal(found.value(ohms)) == pytest.approx(ohms, rel=1e-8)


def test_photodiode_at_quantum_efficiency_one() -> None:
    """CODATA: e·λ/(h·c) is 0.5242604 A/W at 650 nm; of 7.5 mm² in full sun 3.93 mA come out."""
    found = sensor("photodiode", responsivity="0.5242604 A/W", area="7.5 mm^2")
    assert found.signal(1000.0) == pytest.approx(-0.5242604 * 7.5e-6 * 1000, rel=1e-12)
    assert math.isclose(found.value(found.signal(812.5)), 812.5, rel_tol=1e-12)
