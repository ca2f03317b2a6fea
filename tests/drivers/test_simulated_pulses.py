"""Pulses of the simulated instrument against closed forms, and which of them it refuses."""

from __future__ import annotations

import math

import pytest

from drivers.channel import Acquisition, Pulse, Setpoint
from drivers.faults import InstrumentError
from tests.drivers.simulated_bench import channels, on_part

FOUR_OHMS = 'model = "resistor"\nresistance = "4 ohm"'

# 10 mF behind 0.5 ohm: a time constant of 5 ms.
RC = 'model = "supercapacitor"\ncapacitance = "10 mF"\nseries_resistance = "0.5 ohm"'
C, R = 0.01, 0.5
TAU = R * C

SHORT = Acquisition(None, None, 100e-6, None)


def mean_decay(start: float, end: float, tau: float) -> float:
    """Mean of exp(-t/τ) from start to end: τ (e^(-start/τ) - e^(-end/τ))/(end - start)."""
    return tau * (math.exp(-start / tau) - math.exp(-end / tau)) / (end - start)


def test_a_pulse_into_a_resistor() -> None:
    """Ohm's law at the pulse and after it; the aperture ends with the pulse."""
    channel, clock, _ = on_part(FOUR_OHMS, ideal=True)
    channel.configure(SHORT)
    channel.program(Setpoint("voltage", 4.0, -2.0, 2.0))
    channel.switch(True)
    begin = clock.now()
    reading = channel.pulse(Pulse(36.0, -12.0, 12.0, 1e-3))
    assert clock.now() == begin + 1e-3
    assert reading.time == pytest.approx(begin + 0.95e-3, abs=1e-12)
    assert (reading.voltage, reading.current, reading.limited) == (36.0, 9.0, 0.0)
    assert (reading.voltage_range, reading.current_range) == (40.0, 12.0)
    after = channel.measure()
    assert (after.voltage, after.current) == (4.0, 1.0)
    assert channel.read_back().setpoint == Setpoint("voltage", 4.0, -2.0, 2.0)


def test_a_pulse_shorter_than_the_aperture_is_read_over_its_width() -> None:
    channel, clock, _ = on_part(RC, ideal=True)
    channel.program(Setpoint("voltage", 0.0, -2.0, 2.0))
    channel.switch(True)
    begin = clock.now()
    reading = channel.pulse(Pulse(1.0, -4.0, 4.0, 2e-3))
    assert reading.time == pytest.approx(begin + 1e-3, abs=1e-12)
    assert reading.current == pytest.approx(2.0 * mean_decay(0, 2e-3, TAU), rel=1e-12)
    begin = clock.now()
    channel.measure()
    assert clock.now() == pytest.approx(begin + 0.02, abs=1e-12)


def test_a_voltage_pulse_into_a_capacitor_and_back() -> None:
    """i = V/R·exp(-t/RC); back at 0 V the charge comes out the same way."""
    channel, _, _ = on_part(RC, ideal=True)
    channel.configure(SHORT)
    channel.program(Setpoint("voltage", 0.0, -4.0, 4.0))
    channel.switch(True)
    reading = channel.pulse(Pulse(1.0, -4.0, 4.0, 3e-3))
    assert reading.current == pytest.approx(2.0 * mean_decay(2.9e-3, 3e-3, TAU), rel=1e-12)
    stored = 1 - math.exp(-3e-3 / TAU)
    after = channel.measure()
    assert after.current == pytest.approx(-stored / R * mean_decay(0, 1e-4, TAU), rel=1e-12)
    assert after.voltage == 0.0
    assert [e.kind for e in channel.poll()] == []


def test_the_limit_takes_over_in_mid_pulse() -> None:
    """2 A until v = I·R + I·t/C meets 1.5 V, at t* = C·(1.5 V - I·R)/I; then i = I·exp(-(t-t*)/RC).

    The charge that is left is I·t* + I·τ·(1 - exp(-(w-t*)/τ)), and stands open as Q/C.
    """
    channel, clock, _ = on_part(RC, ideal=True)
    channel.configure(SHORT)
    channel.program(Setpoint("current", 0.0, -0.1, 3.0))
    channel.switch(True)
    begin, width = clock.now(), 5e-3
    reading = channel.pulse(Pulse(2.0, -0.5, 1.5, width))
    meets = C * (1.5 - 2.0 * R) / 2.0
    decayed = mean_decay(width - 1e-4 - meets, width - meets, TAU)
    assert reading.current == pytest.approx(2.0 * decayed, rel=1e-12)
    assert reading.voltage == pytest.approx(1.5, rel=1e-15)
    assert reading.limited == 1.0
    charge = 2.0 * meets + 2.0 * TAU * (1 - math.exp(-(width - meets) / TAU))
    after = channel.measure()
    assert after.current == 0.0
    assert after.voltage == pytest.approx(charge / C, rel=1e-12)
    limit, level = channel.poll()
    assert (limit.kind, limit.text) == ("limit", "the voltage limit of 1.5 V took control")
    assert limit.time == pytest.approx(begin + meets, abs=1e-15)
    assert (level.kind, level.text) == ("level", "the current level of 0 A took control")
    assert level.time == begin + width


def test_a_train_leaves_the_charge_of_all_its_pulses() -> None:
    """n pulses of I·w each on an ideal capacitor: v = n·I·w/C, read at 0 A."""
    channel, clock, _ = on_part(RC, ideal=True)
    channel.configure(SHORT)
    channel.program(Setpoint("current", 0.0, -0.1, 3.0))
    channel.switch(True)
    start = clock.now()
    for k in range(7):
        clock.wait_until(start + k * 0.05)
        channel.pulse(Pulse(1.5, -0.1, 3.0, 1e-3))
    assert channel.measure().voltage == pytest.approx(7 * 1.5e-3 / C, rel=1e-12)


def test_a_pulse_into_a_diode_meets_its_limit() -> None:
    """A pulse of 10 V is held at 1 A; the junction's voltage follows from Shockley's equation."""
    part = 'model = "diode"\nsaturation_current = "1 nA"\ntemperature = "26.85 °C"'
    channel, _, _ = on_part(part, ideal=True)
    channel.configure(SHORT)
    channel.program(Setpoint("voltage", 0.0, -0.1, 0.1))
    channel.switch(True)
    reading = channel.pulse(Pulse(10.0, -1.0, 1.0, 1e-3))
    # k/q of the SI's exact constants.
    volts = 1.380649e-23 * 300 / 1.602176634e-19 * math.log1p(1.0 / 1e-9)
    assert reading.voltage == pytest.approx(volts, rel=1e-12)
    assert (reading.current, reading.limited) == (1.0, 1.0)
    assert channel.measure().current == 0.0


def test_errors_of_a_pulse_stay_within_the_accuracy() -> None:
    """Source and meter each within their stated accuracy of the ranges in force (40 V, 12 A)."""
    readings = set()
    for seed in range(20):
        channel, _, _ = on_part(FOUR_OHMS, seed=seed)
        channel.configure(Acquisition(40.0, 12.0, 1e-3, None))
        channel.program(Setpoint("voltage", 4.0, -2.0, 2.0))
        channel.switch(True)
        volts = channel.pulse(Pulse(36.0, -12.0, 12.0, 2e-3)).voltage
        # Five deviations of white noise over 1 ms beside the two accuracies and a digit.
        noise = 5 * 80e-6 * math.sqrt(0.02 / 1e-3)
        bound = (36 * 2e-4 + 5e-3) + (36 * 1.5e-4 + 3e-3) + 1e-4 + noise
        assert abs(volts - 36.0) <= bound + 9 * 50e-6
        readings.add(volts)
    assert len(readings) > 10


def in_pulses() -> tuple[float, float, float]:
    return 36.0, -12.0, 12.0


@pytest.mark.parametrize(
    ("waits", "widths", "message"),
    [
        (
            [0.0],
            [6e-3],
            "36 V with -12 A is outside what the instrument bears continuously, and a pulse of 6 "
            "ms is longer than the 5 ms that it bears",
        ),
        (
            [0.0, 0.05],
            [5e-3, 1e-3],
            "36 V with -12 A is outside what the instrument bears continuously, and 5 ms in every "
            "50 ms is a duty of 10 %, more than the 5 % that it bears",
        ),
        (
            [k * 0.02 for k in range(201)],
            [1e-3] * 201,
            "36 V with -12 A is outside what the instrument bears continuously, and 201 pulses in "
            "a row with rests of 19 ms are more than it bears: after 200 in a row it needs 1 s",
        ),
    ],
)
def test_pulses_past_the_envelope(waits: list[float], widths: list[float], message: str) -> None:
    channel, clock, _ = on_part(FOUR_OHMS, ideal=True)
    channel.configure(SHORT)
    channel.program(Setpoint("voltage", 4.0, -2.0, 2.0))
    channel.switch(True)
    start = clock.now()
    for wait, width in zip(waits[:-1], widths[:-1], strict=True):
        clock.wait_until(start + wait)
        channel.pulse(Pulse(*in_pulses(), width))
    clock.wait_until(start + waits[-1])
    before = clock.now()
    with pytest.raises(InstrumentError) as refused:
        channel.pulse(Pulse(*in_pulses(), widths[-1]))
    assert refused.value.message == message
    assert refused.value.advice == (
        "Pulse shorter or more seldom, or lower the level or the limit."
    )
    assert clock.now() == before
    reading = channel.measure()
    assert (reading.voltage, reading.current) == (4.0, 1.0)


def test_a_rest_begins_a_new_row_and_continuous_pulses_count_for_none() -> None:
    channel, clock, _ = on_part(FOUR_OHMS, ideal=True)
    channel.configure(SHORT)
    channel.program(Setpoint("voltage", 4.0, -2.0, 2.0))
    channel.switch(True)
    for _ in range(200):
        channel.pulse(Pulse(*in_pulses(), 1e-3))
        clock.wait_until(clock.now() + 0.019)
    for _ in range(3):
        channel.pulse(Pulse(8.0, -4.0, 4.0, 0.01))
    clock.wait_until(clock.now() + 1.0)
    assert channel.pulse(Pulse(*in_pulses(), 1e-3)).voltage == 36.0


@pytest.mark.parametrize(
    ("name", "pulse", "message"),
    [
        (
            "smu",
            Pulse(40.0, -12.0, 13.0, 1e-3),
            "13 A is beyond the largest range of 12 A",
        ),
        (
            "smu",
            Pulse(20.0, 1.0, 2.0, 1e-3),
            "a current limit from 1 A to 2 A would force a current: it must hold 0 A",
        ),
        (
            "smu",
            Pulse(1.0, -0.1, 0.1, 1e-6),
            "a pulse of 1 us can't be measured: the shortest aperture is 2.5 us",
        ),
        (
            "smu",
            Pulse(1.0, -0.1, 0.1, math.nan),
            "a pulse of no value can't be measured: the shortest aperture is 2.5 us",
        ),
        ("smu", Pulse(math.nan, -0.1, 0.1, 1e-3), "a level or limit is no finite number"),
        ("second", Pulse(1.0, -0.1, 0.1, 1e-3), "this instrument makes no pulses"),
    ],
)
def test_pulses_that_can_not_be_made(name: str, pulse: Pulse, message: str) -> None:
    (channel,), clock = channels(name, ideal=True)
    channel.program(Setpoint("voltage", 1.0, -0.1, 0.1))
    channel.switch(True)
    before = clock.now()
    with pytest.raises(InstrumentError) as refused:
        channel.pulse(pulse)
    assert refused.value.message == message
    assert clock.now() == before
    assert channel.measure().voltage == pytest.approx(1.0, rel=1e-2)


def test_a_pulse_needs_the_output_and_a_range() -> None:
    (channel,), _ = channels("smu", ideal=True)
    channel.program(Setpoint("voltage", 1.0, -0.1, 0.1))
    with pytest.raises(InstrumentError) as refused:
        channel.pulse(Pulse(2.0, -0.1, 0.1, 1e-3))
    assert refused.value.message == "a pulse needs the output on"
    channel.configure(Acquisition(5.0, 5.0))
    channel.switch(True)
    with pytest.raises(InstrumentError) as refused:
        channel.pulse(Pulse(20.0, -0.1, 0.1, 1e-3))
    assert refused.value.message == "a level of 20 V doesn't fit the range of 5 V"


def test_what_only_pulses_bear_is_refused_as_a_level() -> None:
    (channel,), _ = channels("smu")
    with pytest.raises(InstrumentError) as refused:
        channel.program(Setpoint("voltage", 36.0, -12.0, 12.0))
    assert refused.value.message == (
        "36 V with -12 A is outside what the instrument bears continuously as a sink"
    )
