"""Captures of the simulated instrument against closed forms, their triggers, what they refuse."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.channel import Acquisition, Capture, Pulse, Setpoint, Trigger, Waveform
from drivers.clock import VirtualClock
from drivers.faults import InstrumentError
from drivers.simulated.instruments.instrument import SimulatedChannel
from tests.drivers.simulated_bench import channels, on_part

# 10 mF behind 0.5 ohm: a time constant of 5 ms.
RC = 'model = "supercapacitor"\ncapacitance = "10 mF"\nseries_resistance = "0.5 ohm"'
C, R = 0.01, 0.5
TAU = R * C
FOUR_OHMS = 'model = "resistor"\nresistance = "4 ohm"'
SHORT = Acquisition(5.0, 5.0, 100e-6, None)


def at_zero(part: str = RC) -> tuple[SimulatedChannel, VirtualClock]:
    channel, clock, _ = on_part(part, ideal=True)
    channel.configure(SHORT)
    channel.program(Setpoint("voltage", 0.0, -4.0, 4.0))
    channel.switch(True)
    return channel, clock


def times(waveform: Waveform) -> npt.NDArray[np.float64]:
    return waveform.start + np.arange(len(waveform.voltage)) / waveform.rate_hz


def ended(channel: SimulatedChannel) -> Waveform:
    waveform = channel.end_capture()
    assert waveform is not None
    return waveform


def test_a_step_into_a_capacitor() -> None:
    """i = V/R·exp(-t/RC) from the step on, nothing before it."""
    channel, clock = at_zero()
    begin = clock.now()
    channel.begin_capture(Capture(100e3, 2000))
    clock.wait_until(begin + 2e-3)
    channel.program(Setpoint("voltage", 1.5, -4.0, 4.0))
    waveform = ended(channel)
    assert clock.now() == pytest.approx(begin + 20e-3, abs=1e-12)
    assert (waveform.start, waveform.rate_hz, len(waveform.current)) == (begin, 100e3, 2000)
    after = np.arange(2000) / 100e3 - 2e-3
    expected = np.where(after > -1e-9, 1.5 / R * np.exp(-np.maximum(after, 0) / TAU), 0.0)
    np.testing.assert_allclose(waveform.current, expected, rtol=0, atol=1e-9)
    np.testing.assert_allclose(waveform.voltage, np.where(after > -1e-9, 1.5, 0.0), atol=1e-12)
    assert waveform.limited == [0.0] * 2000
    assert (waveform.voltage_range, waveform.current_range) == (5.0, 5.0)


def test_through_the_limit_of_a_pulse_and_back() -> None:
    """2 A to 1.5 V at t*, decaying from there, then open at Q/C: as closed forms of the network."""
    channel, clock, _ = on_part(RC, ideal=True)
    channel.configure(SHORT)
    channel.program(Setpoint("current", 0.0, -0.1, 3.0))
    channel.switch(True)
    begin = clock.now()
    channel.begin_capture(Capture(200e3, 2000))
    clock.wait_until(begin + 1e-3)
    channel.pulse(Pulse(2.0, -0.5, 1.5, 5e-3))
    waveform = ended(channel)
    t = np.arange(2000) / 200e3 - 1e-3
    meets = C * (1.5 - 2.0 * R) / 2.0
    held = 1.5 - 2.0 * R * np.exp(-(t - meets) / TAU)
    left = 1.5 - 2.0 * R * math.exp(-(5e-3 - meets) / TAU)
    expected = np.select(
        [t < -1e-9, t < meets, t < 5e-3 - 1e-9],
        [0.0 * t, 2.0 * R + 2.0 * t / C, 1.5 + 0.0 * t],
        left,
    )
    np.testing.assert_allclose(waveform.voltage, expected, rtol=0, atol=1e-9)
    current = np.select(
        [t < -1e-9, t < meets, t < 5e-3 - 1e-9], [0.0 * t, 2.0 + 0.0 * t, (1.5 - held) / R], 0.0
    )
    np.testing.assert_allclose(waveform.current, current, rtol=0, atol=1e-9)
    inside = (t > meets - 1e-9) & (t < 5e-3 - 1e-9)
    assert waveform.limited == inside.astype(float).tolist()


def test_switching_on_and_off_within_a_capture() -> None:
    """The contact moves 5 ms after it is asked to; open, the terminals show the part."""
    channel, clock, _ = on_part(RC + '\ninitial = { voltage = "0.5 V" }', ideal=True)
    channel.configure(SHORT)
    channel.program(Setpoint("voltage", 1.0, -4.0, 4.0))
    begin = clock.now()
    channel.begin_capture(Capture(10e3, 200))
    channel.switch(True)
    channel.switch(False)
    waveform = ended(channel)
    t = np.arange(200) / 10e3
    charging = (t > 5e-3 - 1e-9) & (t < 10e-3 - 1e-9)
    decay = np.exp(-(t - 5e-3) / TAU)
    left = 1.0 - 0.5 * math.exp(-1.0)
    voltage = np.select([t < 5e-3 - 1e-9, charging], [0.5 + 0.0 * t, 1.0 + 0.0 * t], left)
    np.testing.assert_allclose(waveform.voltage, voltage, rtol=0, atol=1e-9)
    np.testing.assert_allclose(waveform.current, np.where(charging, decay, 0.0), rtol=0, atol=1e-9)
    assert waveform.start == begin


def test_samples_and_readings_do_not_disturb_each_other() -> None:
    """Noise included: readings are the same with a capture, samples the same with readings."""

    def run(capture: bool, reading: bool) -> tuple[Waveform | None, list[object]]:
        channel, clock, _ = on_part(RC, seed=7)
        channel.configure(SHORT)
        channel.program(Setpoint("voltage", 1.0, -1.0, 1.0))
        channel.switch(True)
        start = clock.now()
        if capture:
            channel.begin_capture(Capture(50e3, 1000))
        readings: list[object] = []
        for k in range(1, 20):
            clock.wait_until(start + k * 1e-3)
            if reading:
                readings.append(channel.measure())
        return channel.end_capture() if capture else None, readings

    sampled, read = run(True, True)
    assert run(True, False)[0] == sampled
    assert run(False, True)[1] == read
    assert run(True, True) == (sampled, read)


def test_pretrigger_at_the_exact_crossing() -> None:
    """v = I·(R + 0.5 ohm of leads) + I·t/C passes 1.3 V after 3 ms at 1 A."""
    channel, clock, _ = on_part(RC, leads="0.25 ohm", ideal=True)
    channel.configure(SHORT)
    channel.program(Setpoint("current", 1.0, -2.0, 2.0))
    channel.switch(True)
    begin = clock.now()
    channel.begin_capture(Capture(100e3, 500, Trigger("voltage", True, 1.3, 2e-3)))
    clock.wait_until(begin + 0.02)
    waveform = ended(channel)
    crossing = C * (1.3 - 1.0)
    assert waveform.start == pytest.approx(begin + crossing - 2e-3, abs=1e-12)
    assert clock.now() == begin + 0.02
    expected = 1.0 + (times(waveform) - begin) / C
    np.testing.assert_allclose(waveform.voltage, expected, rtol=0, atol=1e-9)
    assert waveform.voltage[199] < 1.3 < waveform.voltage[201]


def test_a_trigger_at_a_jump() -> None:
    channel, clock = at_zero(FOUR_OHMS)
    begin = clock.now()
    channel.begin_capture(Capture(100e3, 300, Trigger("current", True, 0.5, 1e-3)))
    clock.wait_until(begin + 10e-3)
    channel.pulse(Pulse(4.0, -4.0, 4.0, 1e-3))
    waveform = ended(channel)
    assert clock.now() == pytest.approx(begin + 12e-3, abs=1e-12)
    assert waveform.start == pytest.approx(begin + 9e-3, abs=1e-12)
    assert waveform.current == [0.0] * 100 + [1.0] * 100 + [0.0] * 100


def test_a_trigger_that_comes_sooner_has_less_before_it() -> None:
    channel, clock = at_zero(FOUR_OHMS)
    begin = clock.now()
    channel.begin_capture(Capture(100e3, 300, Trigger("current", True, 0.5, 2e-3)))
    channel.pulse(Pulse(4.0, -4.0, 4.0, 1e-3))
    waveform = ended(channel)
    assert waveform.start == begin
    assert waveform.current == [1.0] * 100 + [0.0] * 200
    assert clock.now() == pytest.approx(begin + 3e-3, abs=1e-12)


def test_a_trigger_passes_its_threshold_and_does_not_start_beyond_it() -> None:
    """At 4 V throughout until 20 ms, then down to 0 V and up again: only that is a passing."""
    channel, clock = at_zero(FOUR_OHMS)
    channel.program(Setpoint("voltage", 4.0, -4.0, 4.0))
    begin = clock.now()
    channel.begin_capture(Capture(10e3, 10, Trigger("voltage", True, 2.0, 0.0)))
    clock.wait_until(begin + 20e-3)
    channel.program(Setpoint("voltage", 0.0, -4.0, 4.0))
    clock.wait_until(begin + 30e-3)
    channel.program(Setpoint("voltage", 4.0, -4.0, 4.0))
    assert ended(channel).start == pytest.approx(begin + 30e-3, abs=1e-12)


def test_a_falling_trigger() -> None:
    """i = V/R·exp(-t/RC) falls through half of it at RC·ln 2."""
    channel, clock = at_zero()
    begin = clock.now()
    channel.begin_capture(Capture(10e3, 10, Trigger("current", False, 1.0, 0.0)))
    channel.program(Setpoint("voltage", 1.0, -4.0, 4.0))
    clock.wait_until(begin + 50e-3)
    waveform = ended(channel)
    assert waveform.start == pytest.approx(begin + TAU * math.log(2), abs=1e-12)
    assert waveform.current[0] == pytest.approx(1.0, abs=1e-9)


def test_a_trigger_that_does_not_come() -> None:
    channel, clock = at_zero(FOUR_OHMS)
    channel.begin_capture(Capture(100e3, 300, Trigger("current", True, 2.0, 1e-3)))
    for _ in range(100):
        channel.pulse(Pulse(4.0, -4.0, 4.0, 1e-3))
    before = clock.now()
    assert channel.end_capture() is None
    assert clock.now() == before
    with pytest.raises(InstrumentError) as refused:
        channel.end_capture()
    assert refused.value.message == "no capture is under way"


def test_waiting_long_for_a_trigger_keeps_only_what_its_record_may_need() -> None:
    channel, clock = at_zero(FOUR_OHMS)
    channel.begin_capture(Capture(100e3, 500, Trigger("current", True, 1.1, 4e-3)))
    for _ in range(1000):
        channel.pulse(Pulse(4.0, -4.0, 4.0, 1e-3))
        clock.wait_until(clock.now() + 1e-3)
    assert channel._capture is not None
    assert len(channel._capture._pieces) < 10
    channel.pulse(Pulse(5.0, -4.0, 4.0, 1e-3))
    waveform = ended(channel)
    one, none = [1.0] * 100, [0.0] * 100
    assert waveform.current == one + none + one + none + [1.25] * 100


@pytest.mark.parametrize("how", ["reset", "power_cycle"])
def test_a_capture_is_gone_after(how: str) -> None:
    channel, _ = at_zero(FOUR_OHMS)
    channel.begin_capture(Capture(100e3, 300))
    getattr(channel, how)()
    assert channel.circuit.watchers == []
    with pytest.raises(InstrumentError, match="no capture is under way"):
        channel.end_capture()


def test_another_capture_drops_the_first() -> None:
    channel, clock = at_zero(FOUR_OHMS)
    channel.begin_capture(Capture(100e3, 300))
    clock.wait_until(clock.now() + 1.0)
    begin = clock.now()
    channel.begin_capture(Capture(1e3, 2))
    assert ended(channel).start == begin
    assert channel.circuit.watchers == []


def test_samples_carry_the_meters_errors_and_noise() -> None:
    """White noise over the time of a sample; errors within the accuracy; digits of the range."""
    channel, clock, _ = on_part(FOUR_OHMS, seed=3)
    channel.configure(Acquisition(5.0, 5.0, 1e-3, None))
    channel.program(Setpoint("voltage", 4.0, -2.0, 2.0))
    channel.switch(True)
    clock.wait_until(clock.now() + 1e-3)  # the source is there, and its turn-on has died away
    channel.begin_capture(Capture(10e3, 20_000))
    waveform = ended(channel)
    volts = np.array(waveform.voltage)
    # 8 uV over 20 ms, so 8 uV·√200 over 100 us; of 20,000 samples the deviation is known to 0.5 %.
    assert volts.std() == pytest.approx(8e-6 * math.sqrt(200), rel=0.025)
    accuracy = (4 * 2e-4 + 500e-6) + (4 * 1.2e-4 + 300e-6) + 1.0 * 50e-6
    assert abs(volts.mean() - 4.0) < accuracy
    assert np.all(np.abs(volts / 1e-5 - np.rint(volts / 1e-5)) < 1e-6)


def test_a_sample_past_its_range_is_infinite() -> None:
    channel, clock = at_zero(FOUR_OHMS)
    channel.configure(Acquisition(5.0, 0.5, 1e-4, None))
    begin = clock.now()
    channel.begin_capture(Capture(1e3, 3))
    clock.wait_until(begin + 1e-3)
    channel.program(Setpoint("voltage", -4.0, -4.0, 4.0))
    assert ended(channel).current == [0.0, -math.inf, -math.inf]


def test_a_range_that_follows_the_readings_is_the_largest_for_samples() -> None:
    channel, clock, _ = on_part(FOUR_OHMS, ideal=True)
    channel.begin_capture(Capture(1e3, 20))
    channel.program(Setpoint("voltage", 4.0, -4.0, 4.0))
    channel.switch(True)
    waveform = ended(channel)
    assert (waveform.voltage_range, waveform.current_range) == (40.0, 12.0)
    assert waveform.current == [0.0] * 5 + [1.0] * 15
    assert clock.now() == pytest.approx(0.02)


CAPTURES = st.tuples(st.sampled_from((1e3, 7e3, 100e3)), st.integers(1, 300))
DEEDS = st.lists(
    st.tuples(
        st.sampled_from(("program", "pulse", "measure", "wait", "poll")),
        st.floats(-2, 2),
        st.floats(0.05, 3),
        st.sampled_from((1e-4, 1e-3, 3.3e-3)),
    ),
    max_size=8,
)


def charged(held: float, level: float, limit: float, t: float) -> float:
    """The capacitance's voltage after a time at a source: straight in its limit, then a decay."""
    if abs(level - held) > limit * R:
        slope = math.copysign(limit / C, level - held)
        straight = (abs(level - held) - limit * R) * C / limit
        if t <= straight:
            return held + slope * t
        held, t = held + slope * straight, t - straight
    return level + (held - level) * math.exp(-t / TAU)


@settings(max_examples=100, deadline=None, derandomize=True)
@given(CAPTURES, DEEDS)
def test_samples_whatever_happens_meanwhile(
    capture: tuple[float, int], deeds: list[tuple[str, float, float, float]]
) -> None:
    """Against the closed form of the one time constant, from one source to the next."""
    channel, clock = at_zero()
    channel.begin_capture(Capture(*capture))
    begin = clock.now()
    sources = [(begin, 0.0, 4.0)]
    for what, level, limit, duration in deeds:
        if what == "program":
            channel.program(Setpoint("voltage", level, -limit, limit))
            sources.append((clock.now(), level, limit))
        elif what == "pulse":
            _, base, base_limit = sources[-1]
            sources.append((clock.now(), level, limit))
            channel.pulse(Pulse(level, -limit, limit, duration))
            sources.append((clock.now(), base, base_limit))
        elif what == "measure":
            channel.measure()
        elif what == "poll":
            channel.poll()
        else:
            clock.wait_until(clock.now() + duration)
    waveform = ended(channel)
    held, upcoming = 0.0, 0
    since, level, limit = begin, 0.0, 4.0
    for t, voltage, current in zip(
        times(waveform), waveform.voltage, waveform.current, strict=True
    ):
        while upcoming < len(sources) and sources[upcoming][0] <= t + 1e-11:
            held = charged(held, level, limit, sources[upcoming][0] - since)
            since, level, limit = sources[upcoming]
            upcoming += 1
        inner = charged(held, level, limit, max(0.0, float(t) - since))
        expected = min(limit, max(-limit, (level - inner) / R))
        assert current == pytest.approx(expected, abs=1e-9)
        assert voltage == pytest.approx(inner + R * expected, abs=1e-9)


@pytest.mark.parametrize(
    ("capture", "message"),
    [
        (
            Capture(500e3, 10),
            "sampling at 500 kHz is faster than the instrument's 400 kHz",
        ),
        (
            Capture(1e3, 1_000_001),
            "a capture of 1000001 samples doesn't fit: the instrument's memory holds 1 to 1000000",
        ),
        (
            Capture(1e3, 0),
            "a capture of 0 samples doesn't fit: the instrument's memory holds 1 to 1000000",
        ),
        (Capture(math.nan, 10), "a capture can't sample nan times a second"),
        (
            Capture(1e3, 10, Trigger("current", True, math.inf, 0.0)),
            "the threshold of a trigger is no finite number",
        ),
        (
            Capture(1e3, 10, Trigger("current", True, 1.0, 0.02)),
            "a record of 0.01 s can't begin 0.02 s before its trigger",
        ),
    ],
)
def test_captures_that_are_refused(capture: Capture, message: str) -> None:
    channel, clock = at_zero(FOUR_OHMS)
    channel.begin_capture(Capture(1e3, 3))
    begin = clock.now()
    with pytest.raises(InstrumentError) as refused:
        channel.begin_capture(capture)
    assert refused.value.message == message
    assert ended(channel).start == begin


def test_an_instrument_without_captures_says_so() -> None:
    (channel,), _ = channels("second")
    with pytest.raises(InstrumentError) as refused:
        channel.begin_capture(Capture(1e3, 3))
    assert refused.value.message == "this instrument makes no captures"
