"""What a simulated instrument does besides giving and reading: how it rests, waits and protects."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from drivers.channel import Acquisition, Pulse, Reading, Setpoint
from drivers.figures import RangeSettling
from tests.drivers.simulated_states import AT_1_MS, bank, channel, on, protected, resistor

# One quantity after the other


def test_sequential_reading_takes_the_current_after_the_voltage() -> None:
    """1 A into 10 F: 0.1 V/s. Windows of 1 s, the second one 0.5 s after the first.

    The voltage is that of the first window's middle, 0.5 s on; the reading is dated in the middle
    of all 2.5 s. The current is that of the second window: in a discharge through 1 ohm it falls by
    exp(-1.5 s/10 s) between the two.
    """
    how: dict[str, Any] = {"measures": "sequential", "skew": 0.5}
    made, clock = channel(bank(), **how)
    made.configure(Acquisition(5.0, 5.0, 1.0, None))
    on(made, "current", 1.0, -4.0, 4.0)
    begin = clock.now()
    reading = made.measure()
    assert clock.now() == begin + 2.5
    assert reading.time == pytest.approx(begin + 1.25, rel=1e-15)
    assert reading.voltage == pytest.approx(0.1 * 0.5 + 0.01, rel=1e-12)

    made, _ = channel(bank(2.0, 1.0), **how)
    made.configure(Acquisition(5.0, 5.0, 1.0, None))
    on(made, "voltage", 0.0, -4.0, 4.0)
    reading = made.measure()
    assert reading.voltage == 0.0
    in_the_first = -2.0 * 10 * (1 - math.exp(-0.1))
    assert reading.current == pytest.approx(in_the_first * math.exp(-0.15), rel=1e-12)


def test_a_limit_in_either_window_is_told() -> None:
    """0.9 s at the limit of 1 A to 0.1 V: in control in the first window of 1 s, then no more."""
    made, _ = channel(bank(), measures="sequential", skew=0.2)
    made.configure(Acquisition(5.0, 5.0, 1.0, None))
    on(made, "voltage", 0.1, -1.0, 1.0)
    assert made.measure().limited == 1.0
    assert made.measure().limited == 0.0


# Measured or programmed


@pytest.mark.parametrize("mode", ["voltage", "current"])
def test_the_level_is_reported_in_place_of_what_is_forced(mode: str) -> None:
    """A level of 0.3 exactly, though the real one is off by the source's error."""
    made, _ = channel(resistor(1.0), ideal=False, source_value="programmed")
    made.configure(Acquisition(5.0, 5.0))
    on(made, mode, 0.3, -4.0, 4.0)
    reading = made.measure()
    forced, other = reading.voltage, reading.current
    if mode == "current":
        forced, other = other, forced
    assert forced == 0.3
    assert other != 0.3
    assert other == pytest.approx(0.3, abs=5e-3)
    made.switch(False)
    assert made.measure().voltage == pytest.approx(0.0, abs=1e-3)


# Off, reset and power-on


def test_an_open_output_leaks() -> None:
    """10 F at 2 V through 1 kohm: τ = 1e4 s and a bit; the current leaves the part."""
    made, clock = channel(bank(2.0, 10.0), ideal=False, off_leakage_resistance=1000.0)
    clock.wait_until(1000.0)
    mean = made.circuit.mean(clock.now_ns, clock.now_ns + 1_000_000)
    total = 10.0 + 1000.0 + made.specification.output_resistance
    left = 2.0 * math.exp(-1000.0005 / (10 * total))
    assert mean[0] == pytest.approx(left * (1 - 10.0 / total), rel=1e-9)
    assert mean[1] == pytest.approx(-left / total, rel=1e-9)


def test_an_ideal_open_output_leaks_nothing() -> None:
    made, clock = channel(bank(2.0), off_leakage_resistance=1000.0)
    clock.wait_until(1000.0)
    assert made.measure()[1:3] == (2.0, 0.0)


@pytest.mark.parametrize("when", ["off_state", "reset_state", "power_on_state"])
def test_each_state_has_its_rest(when: str) -> None:
    """At 0 V the part is shorted through the leads of 0.2 ohm: -1 V/0.2 ohm; open, it isn't."""
    rests: dict[str, Any] = {when: "zero volts"}
    made, _ = channel(bank(1.0, 0.01), lead_resistance=0.19, **rests)

    def shorted() -> bool:
        return made.measure().current != 0

    assert shorted() == (when == "power_on_state")
    on(made, "voltage", 1.0, -1.0, 1.0)
    made.switch(False)
    assert shorted() == (when == "off_state")
    made.reset()
    assert shorted() == (when == "reset_state")
    on(made, "voltage", 0.5, -1.0, 1.0)
    made.power_cycle()
    assert shorted() == (when == "power_on_state")


def test_power_on_may_bring_the_last_state_back() -> None:
    made, _ = channel(resistor(1.0), power_on_state="last")
    on(made, "voltage", 0.5, -1.0, 1.0)
    made.power_cycle()
    assert made.read_back().output
    assert made.measure().current == pytest.approx(0.5, rel=1e-4)


# Ranges that settle


def settling(error: float = 0.0) -> RangeSettling:
    return RangeSettling.model_construct(wait=0.1, error=error, decay=0.05 if error else 0.0)


def test_a_reading_waits_for_a_range_that_was_set() -> None:
    """100 ms after the range was changed, what is left of it counting from the change."""
    made, clock = channel(resistor(1.0), range_settling=settling())
    on(made, "voltage", 0.3, -1.0, 1.0)
    clock.wait_until(1.0)
    made.configure(Acquisition(5.0, 0.5, 1e-3, None))
    clock.wait_until(1.04)
    made.measure()
    assert clock.now() == pytest.approx(1.101, abs=1e-12)
    made.measure()
    assert clock.now() == pytest.approx(1.102, abs=1e-12)
    clock.wait_until(2.0)
    made.configure(Acquisition(5.0, 0.5, 1e-3, None))
    made.measure()
    assert clock.now() == pytest.approx(2.001, abs=1e-12)


def test_autorange_waits_and_looks_again() -> None:
    """The first reading finds the range, waits 100 ms and is taken anew; the next one is plain."""
    made, clock = channel(resistor(1.0), range_settling=settling())
    made.configure(Acquisition(5.0, None, 1e-3, None))
    on(made, "voltage", 0.3, -1.0, 1.0)
    clock.wait_until(1.0)
    begin = clock.now()
    reading = made.measure()
    assert reading.current_range == 0.5
    assert clock.now() - begin == pytest.approx(0.102, abs=1e-12)
    assert reading.time == pytest.approx(begin + 0.1015, abs=1e-12)
    made.measure()
    assert clock.now() - begin == pytest.approx(0.103, abs=1e-12)


def test_a_range_that_has_been_waited_for_is_not_quite_settled() -> None:
    """1 % of 500 mA after the wait, within the noise nothing of it half a second later."""
    plain, _ = channel(resistor(1.0), ideal=False, range_settling=settling())
    made, clock = channel(resistor(1.0), ideal=False, range_settling=settling(0.01))
    readings: list[Reading] = []
    for each in (plain, made):
        on(each, "voltage", 0.3, -1.0, 1.0)
        each.configure(Acquisition(5.0, 0.5, 20e-3, None))
        readings.append(each.measure())
    off = abs(readings[1].current - readings[0].current)
    mean = 0.005 * math.exp(-0.01 / 0.05)
    assert off == pytest.approx(mean, rel=0.02)
    clock.wait_until(clock.now() + 0.5)
    assert made.measure().current == pytest.approx(readings[0].current, abs=20e-6)


def test_a_pulse_waits_for_no_range() -> None:
    """A pulse keeps its width, though its level needs another range."""
    made, clock = channel(resistor(1.0), range_settling=settling())
    made.configure(Acquisition(0.5, 5.0, 1e-3, None))
    on(made, "voltage", 0.3, -4.0, 4.0)
    clock.wait_until(1.0)
    made.measure()
    made.configure(Acquisition(None, None, 1e-3, None))
    clock.wait_until(2.0)
    begin = clock.now()
    assert made.pulse(Pulse(3.0, -4.0, 4.0, 0.002)).voltage == pytest.approx(3.0, rel=1e-3)
    assert clock.now() == begin + 0.002


# Protections and damage


def test_an_over_voltage_drops_the_output_at_its_exact_time() -> None:
    """1 A into 10 F behind 10 mohm passes 1.5 V when 10 F hold 1.49 V: after 14.9 s, to 1 ns.

    The instrument is asked long after: the part has kept what it had then.
    """
    made, clock = channel(bank(), **protected(volts=1.5))
    on(made, "current", 1.0, -4.0, 4.0)
    begin = clock.now()
    clock.wait_until(3600.0)
    (dropped,) = made.poll()
    assert (dropped.kind, dropped.exact) == ("dropped", True)
    assert dropped.time == pytest.approx(begin + 14.9, abs=2e-8)
    assert dropped.text == "the over-voltage protection of 1.5 V dropped the output"
    assert not made.read_back().output
    assert made.measure()[1:3] == pytest.approx((1.49, 0.0), rel=1e-8)
    assert made.poll() == []


def test_an_output_that_dropped_stays_off_whatever_is_programmed() -> None:
    made, clock = channel(bank(), **protected(volts=1.5))
    on(made, "current", 1.0, -4.0, 4.0)
    clock.wait_until(60.0)
    made.program(Setpoint("current", 0.5, -4.0, 4.0))
    made.configure(AT_1_MS)
    assert not made.read_back().output
    assert made.measure().current == 0.0
    made.switch(True)
    assert made.read_back().output
    assert [event.kind for event in made.poll()] == ["dropped"]


def test_a_bound_is_found_after_control_has_passed_on_the_way() -> None:
    """-1 A with limits of -3 V and 1 V on 10 F at 2 V behind 0.1 ohm: three stretches to -2.2 V.

    The most that it takes, 4.5 A, down to 1.45 V inside: 0.55 V·10 F/4.5 A. The limit holds 1 V
    until the current has fallen to 1 A: ln 4.5 times 1 s. Then -1 A from 1.1 V to -2.1 V inside.
    """
    made, clock = channel(bank(2.0, 0.1), **protected(volts=2.2))
    on(made, "current", -1.0, -3.0, 1.0)
    begin = clock.now()
    clock.wait_until(1000.0)
    events = made.poll()
    assert [event.kind for event in events] == ["limit", "level", "dropped"]
    expected = begin + 0.55 * 10 / 4.5 + math.log(4.5) + 32.0
    assert events[-1].time == pytest.approx(expected, abs=1e-7)
    assert made.measure().voltage == pytest.approx(-2.1, rel=1e-8)


def test_an_over_current_drops_at_once() -> None:
    """1 V on an empty bank behind 0.1 ohm runs into its limit of 4 A, past 3.5 A from the first."""
    made, clock = channel(bank(0.0, 0.1), **protected(amperes=3.5))
    on(made, "voltage", 1.0, -4.0, 4.0)
    begin = clock.now()
    clock.wait_until(10.0)
    dropped = made.poll()[-1]
    assert (dropped.kind, dropped.time) == ("dropped", begin)
    assert dropped.text == "the over-current protection of 3.5 A dropped the output"
    assert made.measure()[1:3] == pytest.approx((0.0, 0.0), abs=1e-8)


def test_a_reading_over_a_drop_is_the_mean_of_both() -> None:
    """0.149 V inside and 10 mV across are reached after 1.49 s of 2 s: then nothing flows."""
    made, _ = channel(bank(), **protected(volts=0.159))
    made.configure(Acquisition(5.0, 5.0, 1.0, None, average=2))
    on(made, "current", 1.0, -4.0, 4.0)
    reading = made.measure()
    assert reading.current == pytest.approx(1.49 / 2, rel=1e-7)
    kept = 0.149
    assert reading.voltage == pytest.approx(((kept / 2 + 0.01) * 1.49 + kept * 0.51) / 2, rel=1e-7)
    assert [event.kind for event in made.poll()] == ["dropped"]
    assert not made.read_back().output


def test_a_pulse_over_a_drop_leaves_the_output_off() -> None:
    made, _ = channel(resistor(1.0), **protected(amperes=2.0))
    on(made, "voltage", 0.3, -4.0, 4.0)
    made.pulse(Pulse(3.0, -4.0, 4.0, 0.002))
    assert not made.read_back().output
    assert [event.kind for event in made.poll()] == ["dropped"]


def test_a_protection_has_nothing_to_drop_while_the_output_is_off() -> None:
    """A bank of 3 V past the bound of 2.5 V: told when the output goes on, not before."""
    made, clock = channel(bank(3.0), **protected(volts=2.5))
    clock.wait_until(5.0)
    assert made.measure().voltage == 3.0
    assert made.poll() == []
    on(made, "current", 0.0, -4.0, 4.0)
    assert [event.kind for event in made.poll()] == ["dropped"]
    assert not made.read_back().output


@pytest.mark.parametrize("sign", [1, -1])
def test_too_much_voltage_from_outside_damages_the_instrument(sign: int) -> None:
    """It is told once, with the output off, and when it began."""
    made, clock = channel(bank(sign * 3.0), largest_outside_voltage=2.5)
    clock.wait_until(5.0)
    (damage,) = made.poll()
    assert (damage.kind, damage.time) == ("damage", 0.0)
    assert damage.text == "more than the 2.5 V that the instrument bears from outside"
    clock.wait_until(9.0)
    made.measure()
    assert made.poll() == []


def test_what_it_puts_out_by_itself_within_its_bounds_is_no_drop() -> None:
    """A level and a limit that stand at the bound by rounding are not past it."""
    made, clock = channel(resistor(1.0), **protected(volts=2.0, amperes=2.0))
    on(made, "voltage", 2.0, -2.0, 2.0)
    clock.wait_until(5.0)
    assert made.measure().current == pytest.approx(2.0, rel=1e-3)
    assert [event.kind for event in made.poll()] == []


def test_readings_foreseen_end_before_a_drop() -> None:
    """Of 100 readings 100 ms apart, those that begin and end before 1.49 s are foreseen."""
    made, clock = channel(bank(), **protected(volts=0.159))
    on(made, "current", 1.0, -4.0, 4.0)
    begins_ns = clock.now_ns + np.arange(100) * 100_000_000
    found = made.peek_many(begins_ns)
    assert len(found.voltage) == 15
    plain, _ = channel(bank())
    on(plain, "current", 1.0, -4.0, 4.0)
    assert len(plain.peek_many(begins_ns).voltage) == 100
