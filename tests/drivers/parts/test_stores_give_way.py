"""What supercapacitors, insulators, coils, motors and pumps don't bear, when, and what is left.

The times are closed forms beside each test; the circuits find them to 1e-8 or better.
"""

from __future__ import annotations

import math

import pytest

from drivers.simulated.circuits.circuit import OPEN
from drivers.simulated.circuits.dynamic import DynamicPort
from drivers.simulated.parts import coil, motor, pump
from drivers.simulated.parts.insulator import PUNCTURED_SHARE
from drivers.simulated.parts.supercapacitor import SPOILT_S
from drivers.simulated.parts.winding import AT_K, COPPER_PER_KELVIN
from tests.drivers.parts.driving import at, driven, holding, pushing
from tests.drivers.parts.examples import dynamic_of, part_of, refusal

BANK = """
[parts.bank]
model = "supercapacitor"
capacitance = "10 F"
capacitance_per_volt = "1 F/V"
series_resistance = "10 mohm"
"""


def slope(port: DynamicPort, time_s: float) -> float:
    """How fast the voltage rises (V/s), from half a second on either side."""
    before = at(port, time_s - 0.5)[0]
    return at(port, time_s + 0.5)[0] - before


def test_a_supercapacitor_gasses_and_is_punctured() -> None:
    """i·t = C·v + k·v²/2: 1 A reaches 2.8 V at 31.92 s; 70 % of it go on to 3.5 V."""
    text = BANK + 'bears_voltage = "2.8 V"\npuncture_voltage = "3.5 V"\n'
    (port,) = driven(dynamic_of(part_of(text)), pushing(1.0))
    assert at(port, 31.9)[0] < 2.81
    assert port.happened == []
    port.advance(32_500_000_000)
    (gassed,) = port.happened
    assert gassed.time_s == pytest.approx(28 + 2.8**2 / 2, rel=1e-9)
    assert gassed.damage
    assert gassed.text.startswith("the electrolyte gassed: more than the 2.8 V")
    voltage = at(port, 33.5)[0] - 0.02
    assert slope(port, 33.5) == pytest.approx(1 / (7 + 0.7 * voltage), rel=1e-3)
    port.advance(60_000_000_000)
    punctured = port.happened[1]
    rest = 7 * (3.5 - 2.8) + 0.35 * (3.5**2 - 2.8**2)
    assert punctured.time_s == pytest.approx(gassed.time_s + rest, rel=1e-9)
    assert punctured.text.startswith("the separator was punctured at 3.5 V")
    # A short of R_s inside and R_s in series, which is twice what it was.
    assert at(port, 2000.0)[0] == pytest.approx(0.04, rel=1e-6)
    assert len(port.happened) == 2


def test_a_supercapacitor_is_reversed() -> None:
    """-1 A reaches -0.25 V at 2.5 s + 0.5·0.25²; an hour is then its time constant."""
    text = BANK + 'bears_reversal = "0.25 V"\n'
    (port,) = driven(dynamic_of(part_of(text)), pushing(-1.0))
    port.advance(2_600_000_000)
    (reversed_,) = port.happened
    assert reversed_.time_s == pytest.approx(2.5 + 0.25**2 / 2, rel=1e-9)
    assert reversed_.text.startswith("it was reversed by more than the 0.25 V")
    port.connect(OPEN, 2_600_000_000)
    first = at(port, 3.0)[0]
    # At a small voltage next to constant, C = 10.25 F where SPOILT_S counts 10 F.
    assert at(port, 4.0)[0] / first == pytest.approx(1 - 10 / 10.25 / SPOILT_S, rel=1e-5)


def test_insulation_is_punctured() -> None:
    """1 nA into 100 Gohm and 100 pF: v = 100 V·(1 - exp(-t/τ)) is at 63 V after -τ·ln 0.37."""
    text = """
    [parts.it]
    model = "insulator"
    resistance = "100 Gohm"
    capacitance = "100 pF"
    bears_voltage = "63 V"
    """
    (port,) = driven(dynamic_of(part_of(text)), pushing(1e-9))
    port.advance(11_000_000_000)
    (punctured,) = port.happened
    # The series resistance of 100 kohm puts 0.1 mV on top of C, and a millionth on τ.
    assert punctured.time_s == pytest.approx(-10 * math.log(0.37), rel=3e-6)
    assert punctured.text == "the insulation was punctured: more than the 63 V that it bears"
    assert at(port, 20.0)[0] == pytest.approx(100 * PUNCTURED_SHARE, rel=1e-6)


@pytest.mark.parametrize("beside", ["", 'parallel_resistance = "1 kohm"\n'])
def test_a_coil_burns_out(beside: str) -> None:
    """Without a way for its heat: C·dθ/dt = i²·R·(1 + α·θ), so ln((1 + α·θ2)/(1 + α·θ1)) is linear.

    From 23 °C to 130 °C at 2 A in 12 ohm and 30 J/K. With R_p the winding carries R_p/(R_p + R) of
    the current, which falls as it warms: its time is bounded, not met.
    """
    text = f"""
    [parts.it]
    model = "coil"
    resistance = "12 ohm"
    inductance = "80 mH"
    {beside}heating = {{ heat_capacity = "30 J/K", bears = "130 °C" }}
    """
    (port,) = driven(dynamic_of(part_of(text)), pushing(2.0))
    port.advance(120_000_000_000)
    (burnt,) = port.happened
    warm = (1 + COPPER_PER_KELVIN * (403.15 - AT_K)) / (1 + COPPER_PER_KELVIN * (296.15 - AT_K))
    alone_s = math.log(warm) / COPPER_PER_KELVIN * 30 / (4 * 12)
    if beside:
        assert alone_s * 1.024 < burnt.time_s < alone_s * (1 + 18 / 1000) ** 2
        assert at(port, 121.0)[0] == pytest.approx(2000.0)
    else:
        # A current source forces its 2 A on the inductance at once.
        assert burnt.time_s == pytest.approx(alone_s, rel=1e-8)
        assert at(port, 121.0)[0] == pytest.approx(1e6)
    assert burnt.text.startswith("the winding burnt out: it reached 130 °C")


def test_a_coil_that_is_let_go() -> None:
    """The current goes round through 2.2 kohm: 1100 V at 0.5 A, which the insulation doesn't bear.

    Below that it would have decayed with L/(R + R_p).
    """
    part = dynamic_of(part_of(coil.EXAMPLE))
    (port,) = driven(part, holding(3.0))
    assert at(port, 1.0)[1] == pytest.approx(3 / at_winding(0.0) + 3 / 2200, rel=1e-3)
    port.connect(OPEN, 1_000_000_000)
    held = at(port, 1.0 + 1e-9)[0]
    decay = math.exp(-30e-6 / (0.08 / (2200 + at_winding(0.25))))
    assert at(port, 1.00003)[0] / held == pytest.approx(decay, rel=1e-4)
    assert port.happened == []
    port.connect(holding(6.0), 2_000_000_000)
    port.connect(OPEN, 4_000_000_000)
    port.advance(4_000_001_000)
    (punctured,) = port.happened
    assert punctured.time_s == 4.0
    assert punctured.text.startswith("the winding's insulation was punctured at 600 V")


@pytest.mark.parametrize("sign", [1, -1])
def test_insulation_bears_what_it_says(sign: int) -> None:
    """Open from the start, with a current that goes round: 2.2 kohm make 599.9 or 600.2 V of it."""
    before, after = 'current = "0 A"', f'current = "{sign * 0.2728} A"'
    assert refusal(coil.EXAMPLE, before, after) == (
        "ridge.bench.toml:5:1: error: “parts.vane” would give way before anything is done to it: "
        "the winding's insulation was punctured at 600 V: turns are shorted [bench-value]"
    )
    (port,) = driven(dynamic_of(part_of(coil.EXAMPLE.replace("0 A", f"{sign * 0.2727} A"))))
    port.advance(1000)
    assert port.happened == []


def at_winding(current: float) -> float:
    """12 ohm at 20 °C, at 23 °C and a little warmed: only to a few parts in a thousand."""
    return 12 * (1 + COPPER_PER_KELVIN * 3) + current**2


def _motor(*changes: tuple[str, str]) -> str:
    text = motor.EXAMPLE
    for before, after in changes:
        assert before in text
        text = text.replace(before, after)
    return text


def test_a_rotor_bursts() -> None:
    """Without friction ω = k·i·t/J: 1 A reaches 6000 rpm (628.3 rad/s) after 2.513 s."""
    text = _motor(('viscous_friction = "1e-4 N*m*s"\n', ""), ('friction_torque = "5 mN*m"\n', ""))
    (port,) = driven(dynamic_of(part_of(text)), pushing(1.0))
    port.advance(3_000_000_000)
    (burst,) = port.happened
    assert burst.time_s == pytest.approx(100 * math.tau * 2e-4 / 0.05, rel=1e-9)
    assert burst.text == "the rotor burst: it passed the 6000 rpm that it bears"
    port.connect(holding(12.0), 3_000_000_000)
    assert abs(at(port, 3.5)[1]) < 1e-9


def test_a_motor_that_is_held_burns_out_and_can_still_be_felt() -> None:
    """12 V stall it against 5 N·m: the winding burns out; spun before, it still brings its EMF."""
    stalled = _motor(
        ('friction_torque = "5 mN*m"', 'friction_torque = "5 N*m"'),
        ('thermal_resistance = "15 K/W", ', ""),
    )
    (port,) = driven(dynamic_of(part_of(stalled)), holding(12.0))
    # Adiabatic, at v²/R: C·dθ/dt = v²/(R·(1 + α·θ)), so θ + α·θ²/2 is linear in time.
    port.advance(20_000_000_000)
    (burnt,) = port.happened
    low, high = 296.15 - AT_K, 428.15 - AT_K
    span = (high - low) + COPPER_PER_KELVIN * (high**2 - low**2) / 2
    assert burnt.time_s == pytest.approx(20 * 0.5 / 144 * span, rel=1e-3)
    assert burnt.text.startswith("the winding burnt out: it reached 155 °C")
    assert abs(at(port, 21.0)[1]) < 1e-9

    spun = _motor(
        ('speed = "0 rpm"', 'speed = "3000 rpm"'),
        ('"155 °C"', '"23.2 °C"'),
        ('"15 K/W"', '"1 K/W"'),
    )
    (port,) = driven(dynamic_of(part_of(spun)), holding(0.0))
    port.advance(1_000_000_000)
    (burnt,) = port.happened
    port.connect(OPEN, 1_000_000_000)
    assert 0.5 < at(port, 1.001)[0] < 0.05 * 50 * math.tau


def test_a_vessel_bursts_and_the_sensor_says_so() -> None:
    text = pump.EXAMPLE.replace('bears_pressure = "4 bar"', 'bears_pressure = "1 bar"')
    drive, sensor = driven(dynamic_of(part_of(text)), holding(12.0), OPEN)
    sensor.advance(30_000_000_000)
    for port in (drive, sensor):
        (burst,) = port.happened
        assert burst.text == "the vessel burst: its pressure passed the 1 bar that it bears"
    # The sensor lags by 2 ms: it is a little below 0.5 V + 4 V·(1/2.5) when it bursts.
    ports = driven(dynamic_of(part_of(text)), holding(12.0), OPEN)
    assert 2.0 < at(ports[1], burst.time_s)[0] < 2.1
    assert at(ports[1], burst.time_s + 0.1)[0] == pytest.approx(0.5, abs=0.02)


def test_a_pump_whose_motor_burns_out_keeps_its_pressure() -> None:
    """Nothing drives it any more; the sensor still tells of the vessel, which leaks."""
    text = pump.EXAMPLE.replace('bears = "130 °C"', 'bears = "25 °C"').replace("18 J/K", "0.5 J/K")
    drive, sensor = driven(dynamic_of(part_of(text)), holding(12.0), OPEN)
    drive.advance(60_000_000_000)
    (burnt,) = drive.happened
    assert burnt.text.startswith("the winding burnt out: it reached 25 °C")
    again = driven(dynamic_of(part_of(text)), holding(12.0), OPEN)
    before, after = (at(again[1], burnt.time_s + since)[0] for since in (-1e-3, 1e-3))
    assert before > 0.6
    assert after == pytest.approx(before, abs=1e-3)
    assert abs(at(drive, 61.0)[1]) < 1e-6
    first, later = at(sensor, 61.0)[0], at(sensor, 71.0)[0]
    assert 0.5 < later < first
    # dp/dt = -p·G·p_a/V: 0.3 cm³/(s·bar), 895 hPa, 250 cm³.
    decay = math.exp(-10 * 0.3e-6 / 1e5 * 89500 / 250e-6)
    assert (later - 0.5) / (first - 0.5) == pytest.approx(decay, rel=1e-6)
