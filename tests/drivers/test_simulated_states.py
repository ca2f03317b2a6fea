"""What a simulated instrument does besides giving and reading: how it rests, waits and protects."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from scipy.optimize import brentq

from drivers.channel import Acquisition, Capture, Pulse, Reading, Setpoint
from drivers.clock import VirtualClock
from drivers.figures import OverTemperature, Protections, RangeSettling
from drivers.simulated.conditions import Conditions, Profile
from drivers.simulated.instruments.instrument import SimulatedChannel
from drivers.simulated.instruments.mishaps import Mishap
from drivers.simulated.parts.resistor import Resistor
from drivers.simulated.parts.supercapacitor import Supercapacitor
from drivers.simulated.wiring import circuit_of
from drivers.specification import load_specification

AT_1_MS = Acquisition(5.0, 5.0, 1e-3, None)
ROOM = Conditions().temperature


def resistor(ohms: float) -> Resistor:
    return Resistor.model_validate({"model": "resistor", "resistance": f"{ohms} ohm"})


def bank(volts: float = 0.0, ohms: float = 0.01) -> Supercapacitor:
    """10 F behind a resistance, without leakage."""
    return Supercapacitor.model_validate(
        {
            "model": "supercapacitor",
            "capacitance": "10 F",
            "series_resistance": f"{ohms} ohm",
            "initial": {"voltage": f"{volts} V"},
        }
    )


def channel(
    part: Resistor | Supercapacitor,
    ideal: bool = True,
    lead_resistance: float = 0.0,
    mishaps: tuple[Mishap, ...] = (),
    air: Profile = ROOM,
    **changes: Any,
) -> tuple[SimulatedChannel, VirtualClock]:
    """The demo instrument with some figures changed, on a part."""
    specification, _ = load_specification("demo-source-measure")
    assert specification is not None
    clock = VirtualClock()
    made = SimulatedChannel(
        "smu",
        specification.model_copy(update=changes),
        circuit_of(part.physics(Conditions())),
        clock,
        line_frequency_hz=50.0,
        lead_resistance=lead_resistance,
        ideal=ideal,
        conditions=Conditions(temperature=air),
        mishaps=mishaps,
    )
    made.configure(AT_1_MS)
    return made, clock


def on(made: SimulatedChannel, *setpoint: Any) -> None:
    made.program(Setpoint(*setpoint))
    made.switch(True)


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


def protected(volts: float | None = None, amperes: float | None = None) -> dict[str, Any]:
    bounds = Protections.model_construct(over_voltage=volts, over_current=amperes)
    return {"protections": bounds}


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


# Over-temperature

HEAT = OverTemperature.model_construct(limit=323.15, rise=2.0, time_constant=50.0)


def warm(heat: OverTemperature = HEAT) -> dict[str, Any]:
    protections = Protections.model_construct(
        over_voltage=None, over_current=None, over_temperature=heat
    )
    return {"protections": protections}


def test_what_takes_too_much_for_too_long_gets_too_warm() -> None:
    """From 20 °C to 50 °C are 15 W of 2 K/W: 16 W with a lag of 50 s get there in 50 s · ln 16.

    4 A at 4 V from a store of 1e13 F, whose voltage stands still: 4 V across the output.
    """
    store = Supercapacitor.model_validate(
        {
            "model": "supercapacitor",
            "capacitance": "1e13 F",
            "series_resistance": "1 uohm",
            "initial": {"voltage": "4.000004 V"},
        }
    )
    made, clock = channel(store, air=Profile.constant(293.15), **warm())
    on(made, "current", -4.0, -5.0, 5.0)
    begin = clock.now()
    clock.wait_until(3600.0)
    (dropped,) = made.poll()
    assert dropped.time - begin == pytest.approx(50.0 * math.log(16.0), rel=1e-7)
    assert (dropped.kind, dropped.exact) == ("dropped", True)
    assert dropped.text == "the over-temperature protection of 50 °C dropped the output"
    assert not made.read_back().output
    assert made.measure().current == pytest.approx(0.0, abs=1e-9)


def test_a_power_that_falls_meanwhile_is_followed() -> None:
    """4 A out of 1000 F at 6 V behind 10 mohm: P = 4 A·(5.96 V − 4 mV/s·t), lagged by 50 s.

    y' = (P_0 − a t − y)/τ from 0 is y = P_0 (1 − e) − a (t − τ (1 − e)), with e = exp(−t/τ).
    """
    store = Supercapacitor.model_validate(
        {
            "model": "supercapacitor",
            "capacitance": "1000 F",
            "series_resistance": "10 mohm",
            "initial": {"voltage": "6 V"},
        }
    )
    made, clock = channel(store, air=Profile.constant(293.15), **warm())
    on(made, "current", -4.0, -7.0, 7.0)
    begin = clock.now()
    clock.wait_until(3600.0)

    def excess(t: float) -> float:
        reached = 1 - math.exp(-t / 50.0)
        return 4 * 5.96 * reached - 0.016 * (t - 50.0 * reached) - 15.0

    when = brentq(excess, 1.0, 200.0, xtol=1e-9)
    assert made.poll()[-1].time - begin == pytest.approx(when, rel=1e-7)


def test_what_gives_doesnt_get_warm_and_what_rests_cools() -> None:
    """4 A from 4 V for 60 s, 60 s at rest, and so on: e^-1.2 is left of it each time."""
    made, clock = channel(resistor(1.0), **warm())
    on(made, "voltage", 4.0, -4.5, 4.5)
    clock.wait_until(3600.0)
    assert made.poll() == []

    store = {"capacitance": "1e9 F", "series_resistance": "1 uohm", "initial": {"voltage": "4 V"}}
    part = Supercapacitor.model_validate({"model": "supercapacitor", **store})
    made, clock = channel(part, air=Profile.constant(293.15), **warm())
    made.program(Setpoint("current", -4.0, -5.0, 5.0))
    for k in range(5):
        clock.wait_until(120.0 * k)
        made.switch(True)
        clock.wait_until(120.0 * k + 60.0)
        made.switch(False)
    assert [event.kind for event in made.poll()] == []
    made.switch(True)
    clock.wait_until(3600.0)
    assert [event.kind for event in made.poll()] == ["dropped"]


def test_warm_air_makes_it_too_warm_sooner() -> None:
    """The air rises from 20 °C to 48 °C within 280 s: 2 K are left, which are 1 W of 0.9 W taken.

    After 281 s it stays at 48.1 °C: 1.9 K, 0.95 W. At 48.3 °C, reached after 283 s, 0.85 W are
    too much: the line of the air, 20 °C + 0.1 K/s, meets 50 °C − 2 K/W · 0.9 W at 282 s.
    """
    store = {"capacitance": "1e9 F", "series_resistance": "1 uohm", "initial": {"voltage": "0.9 V"}}
    part = Supercapacitor.model_validate({"model": "supercapacitor", **store})
    air = Profile((0.0, 1000.0), (293.15, 393.15))
    short = HEAT.model_copy(update={"time_constant": 1.0})
    made, clock = channel(part, air=air, **warm(short))
    on(made, "current", -1.0, -5.0, 5.0)
    clock.wait_until(900.0)
    assert made.poll()[-1].time == pytest.approx(282.0, abs=1e-3)


def test_readings_foreseen_end_before_it_gets_too_warm() -> None:
    store = {"capacitance": "1e9 F", "series_resistance": "1 uohm", "initial": {"voltage": "4 V"}}
    part = Supercapacitor.model_validate({"model": "supercapacitor", **store})
    made, clock = channel(part, air=Profile.constant(293.15), **warm())
    on(made, "current", -4.0, -5.0, 5.0)
    begins_ns = clock.now_ns + np.arange(300) * 1_000_000_000
    found = made.peek_many(begins_ns)
    assert len(found.voltage) == math.ceil(50.0 * math.log(16.0))
    made.take(len(found.voltage))
    clock.wait_until(200.0)
    assert [event.kind for event in made.poll()] == ["dropped"]


# Mishaps

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
