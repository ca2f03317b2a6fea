"""What befalls a simulated instrument on command: its sense leads, its mains, its output."""

from __future__ import annotations

import numpy as np
import pytest

from drivers.channel import Acquisition, Capture, Pulse, Setpoint
from drivers.simulated.instruments.mishaps import Mishap
from tests.drivers.simulated_states import bank, channel, on, protected, resistor

SENSING = Acquisition(5.0, 5.0, 1e-3, None, remote_sense=True)


def test_open_sense_leads_let_the_output_run_up() -> None:
    """At 2 s the loop that holds 1 V on 1 ohm sees nothing: 3 A, its limit, from then on."""
    made, clock = channel(resistor(1.0), mishaps=(Mishap(2_000_000_000, "sense-open"),))
    made.configure(SENSING)
    on(made, "voltage", 1.0, -3.0, 3.0)
    assert made.measure()[1:4] == pytest.approx((1.0, 1.0, 0.0))
    clock.wait_until(2.5)
    assert made.measure()[1:4] == pytest.approx((0.0, 3.0, 1.0))
    (event,) = made.poll()
    assert (event.time, event.kind) == (2.0, "limit")
    assert made.circuit.motion().value("voltage", 0.0) == pytest.approx(3.0)


@pytest.mark.parametrize("level", [1.0, -1.0])
def test_it_runs_up_to_the_largest_voltage_of_the_instrument(level: float) -> None:
    """On 1 kohm no limit of 3 A is met: 32 V, less what the leads take, and nothing holds."""
    fault = Mishap(0, "sense-open")
    made, _ = channel(resistor(1000.0), lead_resistance=10.0, mishaps=(fault,))
    made.configure(SENSING)
    on(made, "voltage", level, -3.0, 3.0)
    reading = made.measure()
    assert reading[1:4] == pytest.approx((0.0, level * 32 / 1010, 0.0))
    assert made.poll() == []


def test_a_sense_fault_is_none_where_it_senses_locally() -> None:
    made, _ = channel(resistor(1.0), mishaps=(Mishap(0, "sense-reversed"),))
    on(made, "voltage", 1.0, -3.0, 3.0)
    assert made.measure()[1:3] == pytest.approx((1.0, 1.0))
    made.configure(SENSING)
    assert made.measure()[1:3] == pytest.approx((-3.0, 3.0))


def test_turned_sense_leads_charge_what_was_to_be_discharged() -> None:
    """10 F at 2 V are to be drawn down to 1 V at 1 A: they are charged at 1 A, and read -2 V.

    After 10 s they hold 3 V, to be read as -3 V less 10 mV across 10 mohm.
    """
    made, clock = channel(bank(2.0), mishaps=(Mishap(0, "sense-reversed"),))
    made.configure(SENSING)
    on(made, "voltage", 1.0, -1.0, 1.0)
    begin = clock.now()
    clock.wait_until(begin + 10.0)
    reading = made.measure()
    assert reading.voltage == pytest.approx(-(2.0 + (10.0005 / 10)) - 0.01, rel=1e-9)
    assert reading.current == pytest.approx(1.0)


def test_a_limit_that_is_sensed_the_wrong_way_round_drives_beyond_itself() -> None:
    """1 A into 10 F from 0 V, limit 1 V: seen as -1 V, where its lower limit takes over.

    From there, 0.99 V inside and 10 mV across, all that the instrument has flows: 4.5 A. That is
    after 9.9 s; 1 s later it holds 0.99 V + 0.45 V.
    """
    made, clock = channel(bank(), mishaps=(Mishap(0, "sense-reversed"),))
    made.configure(SENSING)
    on(made, "current", 1.0, -1.0, 1.0)
    begin = clock.now()
    clock.wait_until(begin + 10.9)
    reading = made.measure()
    inside = 0.99 + 4.5 * 1.0005 / 10
    assert reading[1:4] == pytest.approx((-(inside + 0.045), 4.5, 1.0), rel=1e-7)
    limit = made.poll()[0]
    assert limit.kind == "limit"
    assert limit.time - begin == pytest.approx(9.9, abs=1e-7)


def test_samples_show_what_the_sense_leads_see() -> None:
    """100 samples at 1 kHz, half of them before the sense leads drop off."""
    made, clock = channel(resistor(1.0), mishaps=(Mishap(1_050_000_000, "sense-open"),))
    made.configure(SENSING)
    on(made, "voltage", 1.0, -3.0, 3.0)
    clock.wait_until(1.0)
    made.begin_capture(Capture(1000.0, 100))
    waveform = made.end_capture()
    assert waveform is not None
    assert waveform.voltage == pytest.approx([1.0] * 50 + [0.0] * 50)
    assert waveform.current == pytest.approx([1.0] * 50 + [3.0] * 50)


def test_readings_foreseen_end_before_a_mishap() -> None:
    made, clock = channel(resistor(1.0), mishaps=(Mishap(2_000_000_000, "sense-open"),))
    made.configure(SENSING)
    on(made, "voltage", 1.0, -3.0, 3.0)
    begins_ns = 1_000_000_000 + np.arange(100) * 100_000_000
    clock.wait_until(1.0)
    assert len(made.peek_many(begins_ns).voltage) == 10
    made.take(10)
    clock.wait_until(2.0)
    assert len(made.peek_many(begins_ns[10:]).voltage) == 0
    assert made.measure().voltage == 0.0


def test_the_mains_fail_at_their_time() -> None:
    """Whatever is asked next: all that was set is lost, the output is off since 2 s."""
    made, clock = channel(bank(), mishaps=(Mishap(2_000_000_000, "power-cycle"),))
    on(made, "current", 1.0, -4.0, 4.0)
    begin = clock.now()
    clock.wait_until(10.0)
    assert made.read_back() == (None, False, None, None)
    (event,) = made.poll()
    assert (event.time, event.kind, event.text) == (2.0, "power cycle", "the instrument restarted")
    assert made.measure().voltage == pytest.approx((2.0 - begin) / 10)


def test_a_command_during_which_the_mains_fail_is_lost() -> None:
    """Its contact takes 5 ms to close: the mains fail after 2 of them."""
    made, clock = channel(resistor(1.0), mishaps=(Mishap(1_002_000_000, "power-cycle"),))
    clock.wait_until(1.0)
    on(made, "voltage", 1.0, -3.0, 3.0)
    assert made.read_back() == (None, False, None, None)
    assert [event.kind for event in made.poll()] == ["power cycle"]


def test_a_pulse_during_which_the_mains_fail_leaves_nothing_set() -> None:
    made, clock = channel(resistor(1.0), mishaps=(Mishap(1_001_000_000, "power-cycle"),))
    on(made, "voltage", 0.3, -4.0, 4.0)
    clock.wait_until(1.0)
    made.pulse(Pulse(3.0, -4.0, 4.0, 0.002))
    assert made.read_back() == (None, False, None, None)


def test_an_output_that_sticks_goes_on_and_no_longer_off() -> None:
    made, _ = channel(resistor(1.0), mishaps=(Mishap(0, "output-stuck"),))
    on(made, "voltage", 1.0, -3.0, 3.0)
    made.switch(False)
    assert made.read_back().output
    made.reset()
    assert made.read_back() == (Setpoint("voltage", 1.0, -3.0, 3.0), True, 5.0, 5.0)
    assert made.measure().current == pytest.approx(1.0)
    made.program(Setpoint("voltage", 1.0, 0.0, 0.0))
    assert made.measure().current == 0.0


def test_a_protection_cant_open_an_output_that_sticks() -> None:
    """It says so once, and the part is charged on: 20 s at 1 A into 10 F."""
    made, clock = channel(bank(), mishaps=(Mishap(0, "output-stuck"),), **protected(volts=1.5))
    on(made, "current", 1.0, -4.0, 4.0)
    begin = clock.now()
    clock.wait_until(begin + 20.0)
    assert [event.kind for event in made.poll()] == ["dropped"]
    assert made.read_back().output
    assert made.measure().voltage == pytest.approx(2.01, rel=1e-3)
