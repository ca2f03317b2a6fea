"""What sensors of each kind say within their span, at its ends and past them."""

from __future__ import annotations

import math
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as some
from pydantic import ValidationError

from drivers.sensors import SENSORS, Sensor

LOOP: dict[str, Any] = {
    "kind": "linear",
    "quantity": "pressure",
    "signals": ["4 mA", "20 mA"],
    "values": ["0 bar", "1.6 bar"],
}
EXAMPLES: list[dict[str, Any]] = [
    LOOP,
    {**LOOP, "signals": ["10 V", "0 V"]},
    {
        "kind": "table",
        "quantity": "illuminance",
        "signals": ["1 kohm", "10 kohm", "100 kohm"],
        "values": ["1000 lx", "100 lx", "1 lx"],
    },
    {"kind": "platinum", "resistance": "1 kohm", "wires": 3},
    {"kind": "thermistor", "resistance": "10 kohm", "beta": "3950 K"},
    {"kind": "thermistor", "coefficients": [1.125256672e-3, 2.347204473e-4, 8.563052732e-8]},
    {"kind": "photodiode", "sensitivity": "10 nA/lx"},
    *({"kind": "thermocouple", "type": letter, "reference": "25 °C"} for letter in "BEJKNRST"),
]


def sensor(keys: dict[str, Any]) -> Sensor:
    return SENSORS[keys["kind"]].model_validate(keys)


@pytest.mark.parametrize("keys", EXAMPLES, ids=lambda keys: keys["kind"])
@given(share=some.floats(1e-6, 1 - 1e-6))
def test_there_and_back(keys: dict[str, Any], share: float) -> None:
    """The signal of a value gives the value back: to 1e-9 of the span.

    Near absolute zero the voltage of a thermocouple hardly changes: there it gives the same signal.
    """
    found = sensor(keys)
    low, high = found.span
    value = low + share * (high - low)
    signal = found.signal(value, 298.15)
    back = found.value(signal, 298.15)
    slack = max(1e-12 * abs(signal), 1e-16)
    assert abs(back - value) <= 1e-9 * (high - low) or math.isclose(
        found.signal(back, 298.15), signal, rel_tol=0, abs_tol=slack
    )


@pytest.mark.parametrize("keys", EXAMPLES, ids=lambda keys: keys["kind"])
def test_past_the_span_is_over_range(keys: dict[str, Any]) -> None:
    """On the side where the signal lies, whichever way round the sensor goes."""
    found = sensor(keys)
    at_low, at_high = found.ends(298.15)
    room = abs(at_high - at_low)
    way = 1 if at_high > at_low else -1
    assert found.value(at_high + way * room, 298.15) == math.inf
    assert found.value(at_low - way * room, 298.15) == -math.inf
    assert math.isnan(found.value(math.nan, 298.15))
    # The simulation takes its functions a twentieth of the span past both ends to show the same.
    low, high = found.span
    past = 0.05 * (high - low)
    assert found.value(found.signal(high + past, 298.15), 298.15) == math.inf
    coldest = max(low - past, 0.0) if found.gives == "temperature" else low - past
    assert found.value(found.signal(coldest, 298.15), 298.15) == -math.inf
    assert abs(found.value(math.inf, 298.15)) == math.inf


def test_a_straight_line_reads_a_little_past_its_ends() -> None:
    """3.6 mA and 20.4 mA: a loop that is broken or at fault lies beyond."""
    loop = sensor(LOOP)
    assert loop.value(12e-3) == pytest.approx(80e3, rel=1e-12)
    assert loop.value(3.7e-3) == pytest.approx(-3e3, rel=1e-9)
    assert loop.value(3.5e-3) == -math.inf
    assert loop.value(20.5e-3) == math.inf
    assert loop.value(0.0) == -math.inf


def test_a_table_goes_in_straight_lines() -> None:
    table = sensor(EXAMPLES[2])
    assert table.value(5.5e3) == pytest.approx(550.0)
    assert table.value(55e3) == pytest.approx(50.5)
    assert table.excited is not None
    assert table.excited.current == 1e-4


def test_b_reads_from_250_degrees_on() -> None:
    """Below it tells next to nothing: 0 mV is 0 °C and 42 °C. As a reference it may be cold."""
    couple = sensor({"kind": "thermocouple", "type": "B", "reference": "25 °C"})
    assert couple.value(couple.signal(500.0, 298.15), 298.15) == -math.inf
    assert couple.value(couple.signal(600.0, 298.15), 298.15) == pytest.approx(600.0)


@pytest.mark.parametrize(
    ("tolerance", "at_0", "at_100"),
    [("AA", 0.1, 0.27), ("A", 0.15, 0.35), ("B", 0.3, 0.8), ("C", 0.6, 1.6)],
)
def test_tolerances_of_platinum(tolerance: str, at_0: float, at_100: float) -> None:
    """The classes of IEC 60751, from memory."""
    found = sensor({"kind": "platinum", "resistance": "100 ohm", "tolerance": tolerance})
    assert found.error(273.15) == pytest.approx(at_0)
    assert found.error(373.15) == pytest.approx(at_100)
    stated = sensor({"kind": "platinum", "resistance": "100 ohm", "uncertainty": "50 mK"})
    assert stated.error(373.15) == 0.05


def test_uncertainties_as_they_are_written() -> None:
    assert sensor({**LOOP, "uncertainty": "0.5 %"}).error(80e3) == 400.0
    assert sensor({**LOOP, "uncertainty": "2 hPa"}).error(80e3) == 200.0
    assert sensor(LOOP).error(80e3) == 0.0
    humid = {**LOOP, "quantity": "humidity", "values": ["0 %", "100 %"], "uncertainty": "3 %"}
    assert sensor(humid).error(0.5) == 0.03


@pytest.mark.parametrize(("wires", "leads"), [(2, 2), (3, 1), (4, 0)])
def test_leads_that_count(wires: int, leads: int) -> None:
    found = sensor({"kind": "platinum", "resistance": "100 ohm", "wires": wires})
    assert found.excited is not None
    assert found.excited.leads == leads


@pytest.mark.parametrize(
    ("keys", "place", "words"),
    [
        ({**LOOP, "signals": ["4 mA", "20 V"]}, "signals", "“20 V” is a voltage"),
        ({**LOOP, "signals": ["4 kg", "20 kg"]}, "signals", "signals of a voltage or current"),
        ({**LOOP, "signals": ["1 ohm", "2 ohm"]}, "signals", "signals of a voltage or current"),
        ({**LOOP, "signals": ["4 mA"]}, "signals", "must have two entries"),
        ({**LOOP, "signals": "4 mA"}, "signals", "must be a list"),
        ({**LOOP, "values": ["1 bar", "1 bar"]}, "values", "hold no value twice"),
        ({**LOOP, "values": ["1 V", "2 V"]}, "values", "expected a pressure"),
        ({**EXAMPLES[2], "values": ["1 lx", "2 lx"]}, "values", "there are 2 and 3"),
        ({**LOOP, "uncertainty": "0 bar"}, "uncertainty", "must be greater than 0"),
        ({**EXAMPLES[3], "uncertainty": "1 %"}, "uncertainty", "write it in K"),
        ({**EXAMPLES[3], "resistance": "0 ohm"}, "resistance", "greater than 0"),
        ({"kind": "thermistor", "beta": "3950 K"}, "", "needs either “resistance” and “beta”"),
        ({**EXAMPLES[4], "coefficients": [1, 1, 1]}, "", "needs either"),
        ({"kind": "thermistor", "coefficients": [1, 0, 1]}, "", "no thermistor has"),
        ({**EXAMPLES[4], "lowest": "200 °C"}, "", "“lowest” that isn't below"),
        ({"kind": "photodiode", "responsivity": "1 A/W"}, "", "needs either “responsivity”"),
        ({**EXAMPLES[-1], "type": "Q"}, "type", "'B', 'E', 'J'"),
        ({**EXAMPLES[-1], "reference": "3 V"}, "reference", "expected a temperature"),
    ],
)
def test_what_no_sensor_can_be(keys: dict[str, Any], place: str, words: str) -> None:
    with pytest.raises(ValidationError) as caught:
        sensor(keys)
    (problem,) = caught.value.errors()
    assert problem["loc"] == ((place,) if place else ())
    assert words in problem["msg"]
