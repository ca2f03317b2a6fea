"""A diode against Shockley's equation and the Lambert W function, worked out elsewhere."""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from drivers.bench import open_simulated, read_bench
from drivers.channel import Acquisition, Setpoint
from drivers.simulated.parts.junction import BOLTZMANN_J_PER_K, ELEMENTARY_CHARGE_C, Junction

BENCH = """
title = "Ridge station workshop"
line_frequency = "50 Hz"

[channels.smu]
specification = "demo-source-measure"
part = "blocking"
leads = { per_lead_resistance = "LEAD" }

[parts.blocking]
model = "diode"
saturation_current = "1 pA"
"""


@pytest.mark.parametrize(("kelvins", "volts"), [(298.15, 0.0256925791), (300.0, 0.0258519998)])
def test_thermal_voltage(kelvins: float, volts: float) -> None:
    """CODATA: k·T/q, to the last of the digits listed."""
    found = BOLTZMANN_J_PER_K * kelvins / ELEMENTARY_CHARGE_C
    assert found == pytest.approx(volts, abs=5e-11)


@pytest.mark.parametrize(
    ("level", "current"), [(0.6, 0.01387073), (0.65, 0.09711230), (0.7, 0.67990651)]
)
def test_forward_current(level: float, current: float) -> None:
    """Shockley's equation with I0 = 1e-12 A at 298.15 K, to half a unit of the last digit."""
    file, _ = read_bench(Path("b.bench.toml"), BENCH.replace("LEAD", "0 ohm"))
    assert file is not None
    channel = open_simulated(file, ideal=True).channels["smu"]
    channel.configure(Acquisition(5.0, 5.0))
    channel.program(Setpoint("voltage", level, -1.0, 1.0))
    channel.switch(True)
    reading = channel.measure()
    assert reading.current == pytest.approx(current, abs=5.1e-9)
    assert (reading.voltage, reading.limited) == (level, 0.0)
    # The same point forced the other way round gives the voltage back.
    channel.program(Setpoint("current", reading.current, -1.0, 1.0))
    assert channel.measure().voltage == pytest.approx(level, rel=1e-12)


def test_load_line() -> None:
    """5 V through 1 kohm (Lambert W, 1e-9): the leads are the resistor."""
    file, _ = read_bench(Path("b.bench.toml"), BENCH.replace("LEAD", "500 ohm"))
    assert file is not None
    channel = open_simulated(file, ideal=True).channels["smu"]
    channel.configure(Acquisition(5.0, 5.0))
    channel.program(Setpoint("voltage", 5.0, -1.0, 1.0))
    channel.switch(True)
    reading = channel.measure()
    assert reading.current == pytest.approx(4.42932892109e-3, rel=1e-9)
    assert reading.voltage - 1000 * reading.current == pytest.approx(0.570671078909, rel=1e-9)


@pytest.mark.parametrize("voltage", [-40.0, -1.0, -1e-6, 0.0, 1e-9, 1e-3, 0.3, 0.7, 5.0, 40.0])
@pytest.mark.parametrize("resistance", [0.0, 1e-6, 1e-3, 1.0, 1e3, 1e9, 1e12])
@pytest.mark.parametrize("saturation", [1e-15, 1e-9, 1e-3])
def test_load_line_holds(voltage: float, resistance: float, saturation: float) -> None:
    """Kirchhoff: the junction's and the resistance's voltages add up to the source's.

    They do to 1e-12 of the source's voltage; in reverse the current itself says whether it is
    right, since the junction's voltage is then what is left over.
    """
    junction = Junction(saturation, 0.0257, 0.0)
    current = junction.current_through(voltage, resistance)
    if resistance == 0:
        exact = saturation * math.expm1(min(voltage / 0.0257, 700))
        assert current == pytest.approx(exact, rel=1e-12)
    elif current > -0.999 * saturation:
        total = junction.voltage_at(current) + resistance * current
        assert total == pytest.approx(voltage, rel=1e-12, abs=1e-18)
    else:
        # Nothing passes the saturation current in reverse.
        assert -saturation <= current <= -0.999 * saturation
        assert voltage < -resistance * saturation * 0.999


def test_reverse_leaks_and_meets_the_limit() -> None:
    """Forced backwards it carries its saturation current, and the voltage limit takes over."""
    file, _ = read_bench(Path("b.bench.toml"), BENCH.replace("LEAD", "0 ohm"))
    assert file is not None
    channel = open_simulated(file, ideal=True).channels["smu"]
    channel.configure(Acquisition(40.0, 5e-9))
    channel.program(Setpoint("current", -1e-9, -20.0, 20.0))
    channel.switch(True)
    reading = channel.measure()
    assert (reading.voltage, reading.current, reading.limited) == (-20.0, -1e-12, 1.0)
    assert [event.text for event in channel.poll()] == ["the voltage limit of -20 V took control"]
