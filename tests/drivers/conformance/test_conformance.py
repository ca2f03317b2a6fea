"""What every channel does alike, whether its instrument is in process or at the end of a wire.

The judge is Ohm's law where the part is a resistor, and the in-process instrument elsewhere: the
same seed must give the same readings to the printed digit.
"""

from __future__ import annotations

import math
import random
from collections.abc import Callable
from typing import Any

import pytest

from drivers.channel import Acquisition, Channel, Reading, Setpoint, State
from drivers.clock import VirtualClock
from drivers.faults import InstrumentError

BANK_PART = """
model = "supercapacitor"
capacitance = "10 F"
series_resistance = "10 mohm"
slow_branches = [ { resistance = "5 ohm", capacitance = "2 F" } ]
leakage_resistance = "10 kohm"
initial = { voltage = "1.2 V" }
"""
FAST = Acquisition(voltage_range=5.0, current_range=5.0, aperture_s=2e-3, aperture_cycles=None)
AUTOMATIC = Acquisition(voltage_range=None, current_range=None)

# A time read over a wire is the middle of two readings of the clock, each rounded to a float.
NANOSECOND = 1e-9


def printed(value: float) -> str:
    """A value with the twelve digits that answers have."""
    return f"{value:.11E}"


def same(reading: Reading, expected: Reading) -> None:
    assert printed(reading.voltage) == printed(expected.voltage)
    assert printed(reading.current) == printed(expected.current)
    assert reading.time == pytest.approx(expected.time, rel=0, abs=NANOSECOND)
    assert reading.limited == expected.limited
    assert (reading.voltage_range, reading.current_range) == (
        expected.voltage_range,
        expected.current_range,
    )


def same_state(state: State, expected: State) -> None:
    assert state.output == expected.output
    assert (state.voltage_range, state.current_range) == (
        expected.voltage_range,
        expected.current_range,
    )
    assert (state.setpoint is None) == (expected.setpoint is None)
    if state.setpoint is not None and expected.setpoint is not None:
        assert state.setpoint.mode == expected.setpoint.mode
        assert [printed(value) for value in state.setpoint[1:]] == [
            printed(value) for value in expected.setpoint[1:]
        ]


def charge_and_discharge(channel: Channel, clock: VirtualClock) -> list[Any]:
    """A charge through the end of constant current, a rest, a discharge; what was seen."""
    seen: list[Any] = []
    channel.reset()
    channel.configure(FAST)
    seen.append(channel.measure())
    channel.program(Setpoint("voltage", 2.7, -2.0, 2.0))
    seen.append(channel.read_back())
    channel.switch(True)
    for _ in range(20):
        clock.wait_until(clock.now() + 1.0)
        seen.append(channel.measure())
    channel.switch(False)
    seen.append(channel.read_back())
    channel.configure(AUTOMATIC)
    for _ in range(3):
        clock.wait_until(clock.now() + 0.25)
        seen.append(channel.measure())
    channel.program(Setpoint("current", -1.5, 0.5, 2.8))
    channel.switch(True)
    for _ in range(12):
        clock.wait_until(clock.now() + 2.0)
        seen.append(channel.measure())
    seen.append(channel.read_back())
    channel.switch(False)
    return seen


def test_the_same_programme_gives_the_same_readings(
    opened: Callable[..., Any], in_process: Callable[..., Any]
) -> None:
    reference, tried = in_process(BANK_PART), opened(BANK_PART)
    expected = charge_and_discharge(reference.channel, reference.clock)
    seen = charge_and_discharge(tried.channel, tried.clock)
    readings = [item for item in expected if isinstance(item, Reading)]
    # The programme is worth its name: both controls were seen, and different voltages.
    assert {reading.limited for reading in readings} == {0.0, 1.0}
    assert len({reading.voltage for reading in readings}) > 20
    assert len(seen) == len(expected)
    for item, wanted in zip(seen, expected, strict=True):
        if isinstance(wanted, Reading):
            same(item, wanted)
        else:
            same_state(item, wanted)
    assert tried.clock.now_ns == reference.clock.now_ns


def test_ohms_law_in_voltage_mode(opened: Callable[..., Any]) -> None:
    """5 V over 10 Ω is 0.5 A (Ohm's law)."""
    channel = opened(ideal=True).channel
    channel.reset()
    channel.configure(FAST)
    channel.program(Setpoint("voltage", 5.0, -1.0, 1.0))
    channel.switch(True)
    reading = channel.measure()
    assert reading.voltage == pytest.approx(5.0, rel=1e-9)
    assert reading.current == pytest.approx(0.5, rel=1e-9)
    assert reading.limited == 0.0


@pytest.mark.parametrize(("level", "voltage", "current"), [(5.0, 2.0, 0.2), (-5.0, -1.0, -0.1)])
def test_each_side_of_the_limit_holds(
    opened: Callable[..., Any], level: float, voltage: float, current: float
) -> None:
    """Limits of -0.1 A and 0.2 A over 10 Ω leave -1 V and 2 V (Ohm's law)."""
    channel = opened(ideal=True).channel
    channel.reset()
    channel.configure(FAST)
    channel.program(Setpoint("voltage", level, -0.1, 0.2))
    channel.switch(True)
    reading = channel.measure()
    assert reading.voltage == pytest.approx(voltage, rel=1e-9)
    assert reading.current == pytest.approx(current, rel=1e-9)
    assert reading.limited == 1.0


@pytest.mark.parametrize(("level", "limited"), [(0.1, 0.0), (1.0, 1.0)])
def test_current_mode_and_its_voltage_limit(
    opened: Callable[..., Any], level: float, limited: float
) -> None:
    """10 Ω at 0.1 A is 1 V; at 1 A the limit of 3 V leaves 0.3 A (Ohm's law)."""
    channel = opened(ideal=True).channel
    channel.reset()
    channel.program(Setpoint("current", level, -3.0, 3.0))
    channel.switch(True)
    reading = channel.measure()
    assert reading.voltage == pytest.approx(min(10 * level, 3.0), rel=1e-9)
    assert reading.current == pytest.approx(min(level, 0.3), rel=1e-9)
    assert reading.limited == limited


def test_a_limit_is_seen_as_an_event(opened: Callable[..., Any]) -> None:
    channel = opened(ideal=True).channel
    channel.reset()
    channel.poll()
    channel.program(Setpoint("voltage", 5.0, -0.2, 0.2))
    channel.switch(True)
    channel.measure()
    assert [event.kind for event in channel.poll()] == ["limit"]
    channel.program(Setpoint("voltage", 1.0, -0.2, 0.2))
    channel.measure()
    assert [event.kind for event in channel.poll()] == ["level"]
    channel.measure()
    assert channel.poll() == []


def test_reset_switches_off_and_forgets(opened: Callable[..., Any]) -> None:
    channel = opened(ideal=True).channel
    channel.program(Setpoint("voltage", 5.0, -1.0, 1.0))
    channel.switch(True)
    assert channel.read_back().output is True
    channel.reset()
    state = channel.read_back()
    assert state.output is False
    assert state.setpoint is None
    assert channel.measure().current == 0.0


def test_nothing_goes_on_that_was_not_programmed(opened: Callable[..., Any]) -> None:
    opening = opened()
    opening.channel.reset()
    with pytest.raises(InstrumentError, match="the output can't go on"):
        opening.channel.switch(True)
    assert opening.simulated.read_back().output is False


@pytest.mark.parametrize(
    "setpoint",
    [
        Setpoint("voltage", 50.0, -1.0, 1.0),
        Setpoint("voltage", 20.0, -6.0, 6.0),
        Setpoint("current", 1.0, -45.0, 45.0),
        Setpoint("current", 5.5, -1.0, 1.0),
        Setpoint("voltage", math.inf, -1.0, 1.0),
        Setpoint("voltage", math.nan, -1.0, 1.0),
    ],
)
def test_what_is_outside_the_envelope_is_the_instruments_error(
    opened: Callable[..., Any], setpoint: Setpoint
) -> None:
    channel = opened(ideal=True).channel
    channel.reset()
    with pytest.raises(InstrumentError):
        channel.program(setpoint)
    # The refusal leaves nothing behind: the next setpoint is taken, and its errors are its own.
    channel.reset()
    channel.program(Setpoint("voltage", 5.0, -1.0, 1.0))
    channel.switch(True)
    assert channel.measure().current == pytest.approx(0.5, rel=1e-9)


@pytest.mark.parametrize(
    "acquisition",
    [
        Acquisition(voltage_range=100.0, current_range=None),
        Acquisition(voltage_range=None, current_range=50.0),
        Acquisition(None, None, aperture_s=100.0, aperture_cycles=None),
        Acquisition(None, None, aperture_s=None, aperture_cycles=1e9),
        Acquisition(None, None, aperture_s=0.01, aperture_cycles=1.0),
        Acquisition(None, None, average=0),
    ],
)
def test_an_acquisition_that_cannot_be(
    opened: Callable[..., Any], acquisition: Acquisition
) -> None:
    channel = opened().channel
    channel.reset()
    with pytest.raises(InstrumentError):
        channel.configure(acquisition)


def test_a_symmetric_limit_has_no_sides(opened: Callable[..., Any]) -> None:
    channel = opened(ideal=True, specification="demo-symmetric-source").channel
    channel.reset()
    with pytest.raises(InstrumentError, match="symmetric limit"):
        channel.program(Setpoint("voltage", 5.0, -0.1, 0.2))
    channel.program(Setpoint("voltage", 5.0, -0.2, 0.2))
    assert channel.read_back().setpoint == Setpoint("voltage", 5.0, -0.2, 0.2)
    channel.switch(True)
    assert channel.measure().current == pytest.approx(0.2, rel=1e-9)


def test_an_instrument_that_is_blind_with_its_output_off(opened: Callable[..., Any]) -> None:
    channel = opened(specification="demo-symmetric-source").channel
    channel.reset()
    with pytest.raises(InstrumentError, match="can't measure with its output off"):
        channel.measure()
    channel.program(Setpoint("voltage", 1.0, -0.2, 0.2))
    channel.switch(True)
    assert channel.measure().voltage == pytest.approx(1.0, abs=0.1)


@pytest.mark.parametrize("sign", [1, -1])
def test_past_its_range_a_reading_is_infinite(opened: Callable[..., Any], sign: int) -> None:
    channel = opened(ideal=True).channel
    channel.reset()
    channel.configure(Acquisition(voltage_range=None, current_range=0.05))
    channel.program(Setpoint("voltage", sign * 2.0, -1.0, 1.0))
    channel.switch(True)
    reading = channel.measure()
    assert reading.current == sign * math.inf
    assert reading.voltage == pytest.approx(sign * 2.0, rel=1e-9)
    assert reading.current_range == 0.05


@pytest.mark.parametrize(
    ("acquisition", "duration_s"),
    [
        (Acquisition(None, None), 0.02),
        (Acquisition(None, None, aperture_cycles=2.5), 0.05),
        (Acquisition(None, None, aperture_s=1e-4, aperture_cycles=None), 1e-4),
        (Acquisition(None, None, aperture_cycles=1.0, average=10), 0.2),
    ],
)
def test_a_reading_takes_its_apertures_and_bears_their_middle(
    opened: Callable[..., Any], acquisition: Acquisition, duration_s: float
) -> None:
    """Line cycles of 1/50 s."""
    opening = opened()
    channel, clock = opening.channel, opening.clock
    channel.reset()
    channel.configure(acquisition)
    clock.wait_until(1.0)
    reading = channel.measure()
    assert clock.now() == pytest.approx(1.0 + duration_s, rel=0, abs=NANOSECOND)
    assert reading.time == pytest.approx(1.0 + duration_s / 2, rel=0, abs=NANOSECOND)


def test_setpoints_change_under_power_in_every_direction(
    opened: Callable[..., Any], in_process: Callable[..., Any]
) -> None:
    setpoints = [
        Setpoint("voltage", 1.0, -0.5, 0.5),
        Setpoint("voltage", 4.0, -0.1, 1.0),
        Setpoint("voltage", -4.0, -1.0, 0.1),
        Setpoint("current", 0.2, -6.0, 6.0),
        Setpoint("current", 0.2, 7.0, 8.0),
        Setpoint("current", -0.2, -8.0, -7.0),
        Setpoint("voltage", 0.0, 0.0, 0.25),
    ]
    seen = []
    for opening in (in_process(), opened()):
        channel = opening.channel
        channel.reset()
        channel.configure(AUTOMATIC)
        readings = []
        for number, setpoint in enumerate(setpoints):
            channel.program(setpoint)
            if number == 0:
                channel.switch(True)
            state = channel.read_back()
            assert state.setpoint == setpoint
            # On its way a source that hears of a tighter limit first is elsewhere than one that
            # hears of all at once; after 0.5 ms both are there.
            opening.clock.wait_until(opening.clock.now() + 1e-3)
            readings.append((channel.measure(), state))
        seen.append(readings)
    for (reading, state), (expected, expected_state) in zip(seen[1], seen[0], strict=True):
        same(reading, expected)
        same_state(state, expected_state)


def test_an_output_that_drops_is_told_once(opened: Callable[..., Any]) -> None:
    opening = opened(ideal=True)
    channel = opening.channel
    channel.reset()
    channel.program(Setpoint("voltage", 5.0, -1.0, 1.0))
    channel.switch(True)
    channel.measure()
    channel.poll()
    opening.simulated.drop_output("over-temperature")
    assert channel.measure().current == 0.0
    events = channel.poll()
    assert [event.kind for event in events] == ["dropped"]
    assert "over-temperature" in events[0].text
    assert channel.read_back().output is False
    channel.measure()
    assert channel.poll() == []


def test_a_dropped_output_is_seen_without_a_reading(opened: Callable[..., Any]) -> None:
    opening = opened(ideal=True)
    channel = opening.channel
    channel.reset()
    channel.program(Setpoint("voltage", 5.0, -1.0, 1.0))
    channel.switch(True)
    channel.poll()
    opening.simulated.drop_output("interlock open")
    events = channel.poll()
    assert [event.kind for event in events] == ["dropped"]
    assert "interlock open" in events[0].text


@pytest.mark.parametrize("with_reading", [True, False])
def test_a_power_cycle_is_told_once(opened: Callable[..., Any], with_reading: bool) -> None:
    opening = opened(ideal=True)
    channel = opening.channel
    channel.reset()
    channel.program(Setpoint("voltage", 5.0, -1.0, 1.0))
    channel.switch(True)
    channel.measure()
    channel.poll()
    opening.simulated.power_cycle()
    if with_reading:
        channel.measure()
    kinds = [event.kind for event in channel.poll()]
    assert kinds == ["power cycle"]
    assert channel.read_back().output is False
    assert channel.poll() == []


def random_programme(seed: int) -> list[tuple[str, Any]]:
    """Operations drawn from a seed, refusals among them; each refusal is followed by a reset."""
    draw = random.Random(seed)
    operations: list[tuple[str, Any]] = [("reset", None)]
    for _ in range(40):
        kind = draw.choice(["program", "program", "switch", "measure", "measure", "configure"])
        if kind == "program":
            mode = draw.choice(["voltage", "current"])
            most, limit = (30.0, 4.0) if mode == "voltage" else (3.0, 30.0)
            low, high = -draw.uniform(0, limit), draw.uniform(0, limit * 1.3)
            operations.append((kind, Setpoint(mode, draw.uniform(-most, most), low, high)))  # type: ignore[arg-type]
        elif kind == "switch":
            operations.append((kind, draw.random() < 0.6))
        elif kind == "configure":
            voltage_range = draw.choice([None, 0.5, 5.0, 40.0])
            current_range = draw.choice([None, 0.05, 0.5, 5.0])
            cycles = draw.choice([0.1, 1.0, 3.0])
            operations.append((kind, Acquisition(voltage_range, current_range, None, cycles)))
        else:
            operations.append((kind, None))
    return operations


def outcome(opening: Any, kind: str, value: Any) -> Any:
    """A reading, what is read back after a change, or "refused"."""
    channel = opening.channel
    try:
        result = getattr(channel, kind)(*([] if value is None else [value]))
    except InstrumentError:
        channel.reset()
        return "refused"
    return result if kind == "measure" else channel.read_back()


@pytest.mark.parametrize("seed", range(6))
def test_any_programme_comes_out_alike(
    opened: Callable[..., Any], in_process: Callable[..., Any], seed: int
) -> None:
    reference, tried = in_process(), opened()
    refusals = 0
    for kind, value in random_programme(seed):
        expected, seen = outcome(reference, kind, value), outcome(tried, kind, value)
        if isinstance(expected, Reading):
            same(seen, expected)
        elif isinstance(expected, State):
            same_state(seen, expected)
        else:
            assert seen == expected == "refused", (kind, value)
            refusals += 1
    # Both happened: what was refused, and what was done.
    assert 0 < refusals < 20
