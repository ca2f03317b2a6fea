"""Photodiodes against closed forms, worked out elsewhere."""

from __future__ import annotations

import pytest

from drivers.channel import Acquisition, Setpoint
from drivers.clock import VirtualClock
from drivers.simulated.instruments.instrument import SimulatedChannel
from drivers.simulated.parts.photodiode import Receiver
from tests.drivers.simulated_bench import on_part

LIGHT = """model = "photodiode"
wavelength = "850 nm"
area = "30e-6 m^2"
transmission = "25 %"
quantum_efficiency = "80 %"
dark_current = "2 nA"
shunt_resistance = "100 Mohm"
"""


def on_level(text: str, level: float, *, current_range: float = 5e-3) -> SimulatedChannel:
    channel, _, _ = on_part(text, ideal=True)
    channel.configure(Acquisition(5.0, current_range, remote_sense=True))
    channel.program(Setpoint("voltage", level, -1e-3, 1e-3))
    channel.switch(True)
    return channel


@pytest.mark.parametrize(
    ("nanometres", "expected"),
    [(400, 0.3226218), (650, 0.5242604), (850, 0.6855712), (1310, 1.0565863), (1550, 1.2501593)],
)
def test_responsivity_at_one_electron_for_each_photon(nanometres: int, expected: float) -> None:
    """q·λ/(h·c), CODATA, to half a unit of the last digit."""
    ideal = Receiver.model_validate({"quantum_efficiency": 1, "dark_current": "1 nA"})
    assert ideal.responsivity_at(nanometres * 1e-9) == pytest.approx(expected, abs=5.1e-8)


def test_a_curve_of_responsivity() -> None:
    """At its points the table; between them what it can be, and no more than its neighbours."""
    table = [["650 nm", "0.4 A/W"], ["850 nm", "0.58 A/W"], ["950 nm", "0.62 A/W"]]
    curve = Receiver.model_validate({"responsivity_curve": table, "dark_current": "1 nA"})
    for wavelength, expected in ((650e-9, 0.4), (850e-9, 0.58), (950e-9, 0.62)):
        assert curve.responsivity_at(wavelength) == pytest.approx(expected, rel=1e-14)
    assert 0.4 < curve.responsivity_at(750e-9) < 0.58
    assert curve.responsivity_at(700e-9) == pytest.approx(0.45, abs=0.01)


def test_photocurrent_over_hours() -> None:
    """10 W/m² falling to 2 W/m² within three hours, at 0 V: i = −QE·q·λ/(h·c)·irradiance·area.

    0.8 · 0.6855712 A/W · 30 mm² · 25 % = 4.1134272 µA for each W/m².
    """
    profile = '[ { at = "0 h", value = "10 W/m^2" }, { at = "3 h", value = "2 W/m^2" } ]'
    text = f"{LIGHT}[conditions]\nirradiance = {profile}\n"
    channel, clock, _ = on_part(text, ideal=True)
    assert isinstance(clock, VirtualClock)
    channel.configure(Acquisition(5.0, 5e-3, remote_sense=True))
    channel.program(Setpoint("voltage", 0.0, -1e-3, 1e-3))
    channel.switch(True)
    for hours in (0.5, 1.0, 1.5, 2.5, 2.99):
        clock.wait_until(3600 * hours)
        reading = channel.measure()
        irradiance = 10 - 8 * reading.time / (3 * 3600)
        assert reading.current == pytest.approx(-4.1134272e-6 * irradiance, rel=1e-7, abs=0)


def test_in_the_dark() -> None:
    """In reverse the dark current and 5 V over 100 Mohm; at 0 V nothing, at 0.3 mV 3 pA.

    A junction of 2 nA has k·T/(q·2 nA) = 12.8 Mohm of its own at 0 V: here it is 1e-20 A.
    """
    reverse = on_level(LIGHT, -5.0, current_range=5e-6).measure()
    assert reverse.current == pytest.approx(-2e-9 - 50e-9, rel=1e-9, abs=0)
    assert on_level(LIGHT, 0.0).measure().current == 0.0
    shunt_only = LIGHT.replace("2 nA", "1e-20 A")
    offset = on_level(shunt_only, 0.3e-3, current_range=5e-9).measure()
    assert offset.current == pytest.approx(3e-12, rel=1e-9, abs=0)


@pytest.mark.parametrize(("celsius", "factor"), [(25, 1), (35, 2), (15, 0.5), (55, 8)])
def test_dark_current_over_temperature(celsius: float, factor: float) -> None:
    """Twice as much with each 10 K."""
    text = f'{LIGHT}dark_doubling = "10 K"\n[conditions]\ntemperature = "{celsius} °C"\n'
    reading = on_level(text, -5.0, current_range=5e-6).measure()
    assert reading.current == pytest.approx(-2e-9 * factor - 50e-9, rel=1e-9, abs=0)
