"""The simulated instrument: it does what its specification says."""

from __future__ import annotations

import math
import statistics
from binascii import crc32

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.channel import Acquisition, Identity, Reading, Setpoint, State
from drivers.clock import VirtualClock
from drivers.simulated.circuits.network import NetworkCircuit
from drivers.simulated.conditions import Conditions
from drivers.simulated.instruments.instrument import SimulatedChannel
from drivers.simulated.parts.supercapacitor import Supercapacitor
from tests.drivers.simulated_bench import FIXED, channels, sourcing


def test_leads_with_and_without_remote_sense() -> None:
    """Ohm's law: 3 V over 100.1 ohm where the leads count, over 100 ohm where they are sensed."""
    channel, _ = sourcing(ideal=True)
    reading = channel.measure()
    assert (reading.voltage, reading.current) == pytest.approx((3.0, 3 / 100.1), rel=1e-14)
    channel.configure(Acquisition(5.0, 0.05, remote_sense=True))
    reading = channel.measure()
    assert (reading.voltage, reading.current) == pytest.approx((3.0, 0.03), rel=1e-14)


def test_reading_carries_time_and_ranges() -> None:
    channel, clock = sourcing(ideal=True)
    assert clock.now() == 0.005  # the switching time of the specification
    clock.wait_until(1.0)
    reading = channel.measure()
    assert (reading.time, reading.voltage_range, reading.current_range) == (1.01, 5.0, 0.05)
    assert clock.now() == 1.02  # one line cycle at 50 Hz
    channel.configure(Acquisition(5.0, 0.05, aperture_s=0.001, aperture_cycles=None, average=4))
    assert channel.measure().time == pytest.approx(1.022, abs=1e-12)
    assert clock.now() == 1.024


def test_resolution() -> None:
    """Readings are whole multiples of the range's resolution, and never a negative zero."""
    channel, _ = sourcing()
    for level in (3.0, -3.0):
        channel.program(Setpoint("voltage", level, -0.05, 0.05))
        for _ in range(100):
            reading = channel.measure()
            # The very float that the digits spell, as a person would write it down.
            for value, digits in ((reading.voltage, 5), (reading.current, 7)):
                assert value == float(f"{value:.{digits}f}")
    channel.program(Setpoint("current", 0.0, -5.0, 5.0))
    zeros = [r.current for r in (channel.measure() for _ in range(500)) if r.current == 0]
    assert all(math.copysign(1.0, zero) == 1.0 for zero in zeros)


@pytest.mark.parametrize("aperture", [0.02, 0.0002])
def test_noise_goes_with_the_root_of_the_aperture(aperture: float) -> None:
    """White noise: 8 µV and 200 nA at one line cycle, ten times that at a hundredth of it.

    The standard deviation of n = 4000 readings lies within 5/√(2n) = 5.6 % of the true one in all
    but one of a million seeds; the resolution (10 µV: 2.9 µV rectangular) adds in squares.
    """
    channel, clock = sourcing(seed=3)
    clock.wait_until(clock.now() + 1e-3)  # the source is there, and its turn-on has died away
    channel.configure(Acquisition(5.0, 0.05, aperture, None))
    readings = [channel.measure() for _ in range(4000)]
    factor = math.sqrt(0.02 / aperture)
    for values, noise, resolution in (
        ([r.voltage for r in readings], 8e-6, 10e-6),
        ([r.current for r in readings], 200e-9, 100e-9),
    ):
        expected = math.hypot(noise * factor, resolution / math.sqrt(12))
        assert statistics.stdev(values) == pytest.approx(expected, rel=0.056)


def test_errors_stay_within_the_specification_and_are_used() -> None:
    """Over 200 seeds the mean error of a run lies inside its limits, on both sides, spread out.

    Source: ±(0.02 % + 500 µV) at 3 V, read ±(0.012 % + 300 µV) on top; 8 µV noise over 10 readings.
    """
    source, measure = 3.0 * 2e-4 + 500e-6, 3.0 * 1.2e-4 + 300e-6
    errors = []
    for seed in range(200):
        channel, _ = sourcing(seed=seed)
        errors.append(statistics.fmean(channel.measure().voltage - 3.0 for _ in range(10)))
    assert max(map(abs, errors)) <= source + measure + 20e-6
    # Further than either error reaches alone on the meter's side.
    assert measure < 0.7 * source
    assert min(errors) < -0.75 * source
    assert max(errors) > 0.75 * source
    assert abs(statistics.fmean(errors)) < 0.2 * source


def test_errors_hold_for_the_whole_run() -> None:
    """Two means of the same run differ by noise only: 8 µV/√100 and the resolution."""
    channel, _ = sourcing(seed=9)
    first = statistics.fmean(channel.measure().voltage for _ in range(100))
    channel.switch(False)
    channel.switch(True)
    second = statistics.fmean(channel.measure().voltage for _ in range(100))
    assert first == pytest.approx(second, abs=6e-6)


def test_a_seed_is_a_run() -> None:
    """The same seed gives the same bits, another one others, and other channels change nothing."""

    def run(seed: int, *others: str) -> list[Reading]:
        found, _ = channels("smu", *others, seed=seed)
        channel = found[0]
        channel.configure(FIXED)
        channel.program(Setpoint("voltage", 3.0, -0.05, 0.05))
        channel.switch(True)
        return [channel.measure() for _ in range(50)]

    assert run(1) == run(1)
    assert run(1) == run(1, "third", "second")
    assert run(1) != run(2)
    # Two of a kind are two instruments: each has its own errors and noise.
    (one, other), _ = channels("smu", "third")
    for channel in (one, other):
        channel.configure(Acquisition(40.0, 5e-9))
    assert one.measure().current != other.measure().current


def test_over_range_is_infinite_with_its_sign() -> None:
    """30 mA on the 5 mA range; the specification lets a range hold 5 % more than its name."""
    for sign in (1, -1):
        channel, _ = sourcing(ideal=True)
        channel.configure(Acquisition(5.0, 0.005))
        channel.program(Setpoint("voltage", sign * 3.0, -0.05, 0.05))
        assert channel.measure().current == sign * math.inf
        channel.program(Setpoint("voltage", sign * 0.52, -0.05, 0.05))
        assert channel.measure().current == pytest.approx(sign * 0.52 / 100.1)
        channel.program(Setpoint("voltage", sign * 0.53, -0.05, 0.05))
        assert channel.measure().current == sign * math.inf


def test_autorange_follows_the_reading() -> None:
    channel, _ = sourcing(ideal=True)
    channel.configure(Acquisition(None, None))
    found = []
    for level in (3.0, 0.3, 3e-6, 0.0, 4.0):
        channel.program(Setpoint("voltage", level, -0.05, 0.05))
        reading = channel.measure()
        assert reading.current == pytest.approx(level / 100.1, rel=1e-12)
        found.append((reading.voltage_range, reading.current_range))
    assert found == [(5.0, 0.05), (0.5, 0.005), (0.5, 50e-9), (0.5, 5e-9), (5.0, 0.05)]


def test_limit_in_control_is_flagged_and_told_once() -> None:
    channel, clock = sourcing(ideal=True)
    assert channel.poll() == []
    channel.program(Setpoint("voltage", 3.0, -0.01, 0.01))
    first, second = channel.measure(), channel.measure()
    assert (first.limited, second.limited) == (1.0, 1.0)
    assert (first.current, first.voltage) == pytest.approx((0.01, 1.001))
    now = clock.now()
    channel.program(Setpoint("voltage", 0.5, -0.01, 0.01))
    assert channel.measure().limited == 0.0
    limit, level = channel.poll()
    assert (limit.kind, limit.time, limit.exact) == ("limit", 0.005, True)
    assert limit.text == "the current limit of 10 mA took control"
    assert (level.kind, level.time) == ("level", now)
    assert level.text == "the voltage level of 500 mV took control"
    assert channel.poll() == []


def test_limited_during_a_part_of_the_aperture() -> None:
    """The crossing lies within one long aperture: limited, with the mean of both pieces.

    2 V to 2.2 V at 1 A into 10 F is reached when v + 10 mohm·1 A = 2.2 V, after close to 1.9 s;
    from then on the current falls with τ = 0.1 s, so that 1.9 s + 0.1 s of 1 A have gone in.
    """
    (channel,), _ = channels("third", ideal=True)
    channel.configure(Acquisition(5.0, 5.0, 1.0, None, average=4))
    channel.program(Setpoint("voltage", 2.2, -1.0, 1.0))
    channel.switch(True)
    reading = channel.measure()
    assert reading.limited == 1.0
    # The leak of 0.22 mA holds for 4 s beside it.
    assert reading.current == pytest.approx((1.9 + 0.1 + 4 * 0.22e-3) / 4, rel=5e-4)
    assert channel.measure().limited == 0.0


def test_the_limit_in_control_at_the_end_of_the_aperture_counts() -> None:
    """-1 A from 2 V down to 1.9 V takes less than a second, and the aperture lasts two."""
    (channel,), _ = channels("third", ideal=True)
    channel.configure(Acquisition(5.0, 5.0, 1.0, None, average=2))
    channel.program(Setpoint("current", -1.0, 1.9, 2.7))
    channel.switch(True)
    assert channel.measure().limited == 1.0
    (limit,) = channel.poll()
    assert limit.text == "the voltage limit of 1.9 V took control"


def test_a_poll_does_not_disturb_the_readings() -> None:
    """Not by a bit: the steps between readings are the same, looked at or not."""

    def run(poll: bool) -> list[Reading]:
        (channel,), clock = channels("third", ideal=True)
        channel.configure(Acquisition(5.0, 5.0))
        channel.program(Setpoint("voltage", 2.001, -3.0, 3.0))
        channel.switch(True)
        found = []
        for k in range(300):
            clock.wait_until(0.1 * (k + 1))
            found.append(channel.measure())
            if poll:
                clock.wait_until(0.1 * (k + 1) + 0.05)
                channel.poll()
        return found

    assert run(True) == run(False)


def test_output_off_is_open() -> None:
    """The bank goes on by itself: 10 F with 10 kohm beside it, τ = 1e5 s."""
    (channel,), clock = channels("third", ideal=True)
    clock.wait_until(1000.0)
    reading = channel.measure()
    assert reading.current == 0.0
    assert reading.voltage == pytest.approx(2 * math.exp(-1000.01 / 1e5), rel=1e-12)
    assert reading.limited == 0.0


def test_identity_and_reset() -> None:
    channel, _ = sourcing()
    serial = f"{crc32(b'smu') % 1_000_000:06d}"
    assert channel.identify() == Identity("RIDGE", "DEMO-SMU", serial, "1.0")
    assert channel.read_back() == State(Setpoint("voltage", 3.0, -0.05, 0.05), True, 5.0, 0.05)
    channel.reset()
    assert channel.read_back() == State(None, False, None, None)


def test_a_dropped_output_and_a_power_cycle_are_told() -> None:
    channel, clock = sourcing()
    channel.drop_output("the interlock is open")
    assert channel.read_back().output is False
    (dropped,) = channel.poll()
    assert (dropped.kind, dropped.text, dropped.time) == (
        "dropped",
        "the interlock is open",
        clock.now(),
    )
    channel.switch(True)
    channel.power_cycle()
    assert channel.read_back() == State(None, False, None, None)
    assert [event.kind for event in channel.poll()] == ["power cycle"]


def test_a_part_above_the_limit_pushes_back_no_more_than_the_instrument_takes() -> None:
    """0 A with a limit of ±1 V on a bank at 2 V: it sinks the most that it can, 4.5 A.

    It goes on until 1 V + 4.5 A·10 mohm is left, holds 1 V until the leak of 0.1 mA takes the bank
    below it, and is back at its 0 A.
    """
    (channel,), clock = channels("third", ideal=True)
    channel.configure(Acquisition(5.0, 5.0, 1e-3, None))
    channel.program(Setpoint("current", 0.0, -1.0, 1.0))
    channel.switch(True)
    reading = channel.measure()
    assert (reading.current, reading.limited) == (-4.5, 1.0)
    clock.wait_until(10.0)
    reading = channel.measure()
    assert (reading.current, reading.limited) == (0.0, 0.0)
    assert 1.0 - 10 * 0.1e-3 / 10 < reading.voltage < 1.0
    assert [event.kind for event in channel.poll()] == ["limit", "level"]


@pytest.mark.parametrize("sign", [1, -1])
def test_an_instrument_that_only_sources_takes_nothing(sign: int) -> None:
    """A bank at ±2 V on a level of ±1 V: a source without sink leaves it alone."""
    (channel,), _ = channels("third", ideal=True)
    specification = channel.specification.model_copy(
        update={"continuous": (channel.specification.continuous[0].model_copy(
            update={"direction": "source"}),)}
    )  # fmt: skip
    network = Supercapacitor.model_validate(
        {
            "model": "supercapacitor",
            "capacitance": "10 F",
            "series_resistance": "10 mohm",
            "initial": {"voltage": f"{2 * sign} V"},
        }
    ).physics(Conditions())
    lone = SimulatedChannel(
        "lone", specification, NetworkCircuit(network), VirtualClock(), line_frequency_hz=50.0,
        ideal=True,
    )  # fmt: skip
    lone.configure(Acquisition(5.0, 5.0))
    lone.program(Setpoint("voltage", sign * 1.0, -1.0, 1.0))
    lone.switch(True)
    reading = lone.measure()
    assert (reading.voltage, reading.current, reading.limited) == (sign * 2.0, 0.0, 1.0)
    lone.program(Setpoint("voltage", sign * 2.5, -1.0, 1.0))
    assert lone.measure().current == sign * 1.0


@settings(max_examples=60, deadline=None, derandomize=True)
@given(
    st.sampled_from(("voltage", "current")),
    st.floats(0, 2.7),
    st.floats(0.01, 4),
    st.lists(st.integers(1, 30_000), min_size=1, max_size=8),
    st.sampled_from((1, -1)),
)
def test_ideal_readings_pass_neither_level_nor_limit(
    mode: str, voltage: float, current: float, waits_ms: list[int], sign: int
) -> None:
    """A bank between 0 V and the level or limit never reads past either of them.

    Rounding of voltages of up to 3 V over 10 milliohm leaves 1e-13 A.
    """
    (channel,), clock = channels("third", ideal=True)
    channel.configure(Acquisition(5.0, 5.0, 2e-3, None))
    highest = max(2.0, voltage)
    if mode == "voltage":
        channel.program(Setpoint("voltage", voltage, -current, current))
    else:
        channel.program(Setpoint("current", sign * current, 0.0, highest))
    channel.switch(True)
    for wait_ms in waits_ms:
        clock.spend_ns(wait_ms * 1_000_000)
        reading = channel.measure()
        assert abs(reading.current) <= current + 1e-12
        if mode == "current":
            assert -1e-12 <= reading.voltage <= highest + 1e-12
        else:
            assert min(2.0 - 0.04, voltage) - 1e-12 <= reading.voltage <= highest + 1e-12
