"""What the simulated instrument refuses: in which words, and that nothing has changed then."""

from __future__ import annotations

import math

import pytest

from drivers.channel import Acquisition, Setpoint
from drivers.faults import InstrumentError
from tests.drivers.simulated_bench import channels, sourcing


def test_an_instrument_that_is_blind_while_off_says_so() -> None:
    (channel,), _ = channels("second")
    with pytest.raises(InstrumentError) as refused:
        channel.measure()
    assert refused.value.message == "this instrument can't measure with its output off"
    assert refused.value.advice == "Switch the output on first."


@pytest.mark.parametrize(
    ("name", "setpoint", "message"),
    [
        (
            "second",
            Setpoint("current", 1.0, 0.0, 2.7),
            "limits of 0 V and 2.7 V were asked for, but this instrument has one symmetric limit",
        ),
        (
            "second",
            Setpoint("current", -1.4, -2.7, 2.7),
            "2.7 V with -1.4 A is outside what the instrument bears continuously as a sink",
        ),
        (
            "smu",
            Setpoint("voltage", 33.0, -1.0, 1.0),
            "33 V with -1 A is outside what the instrument bears continuously as a sink",
        ),
        (
            "smu",
            Setpoint("voltage", 41.0, -1.0, 1.0),
            "41 V is beyond the largest range of 40 V",
        ),
        (
            "smu",
            Setpoint("voltage", 5.0, 0.0, 4.6),
            "5 V with 4.6 A is outside what the instrument bears continuously as a source",
        ),
        (
            "smu",
            Setpoint("current", 1.0, 3.0, 2.0),
            "the low limit 3 V is above the high limit 2 V",
        ),
        (
            "smu",
            Setpoint("voltage", 1.0, 0.5, 1.0),
            "a current limit from 500 mA to 1 A would force a current: it must hold 0 A",
        ),
        ("smu", Setpoint("voltage", math.nan, -1.0, 1.0), "a level or limit is no finite number"),
    ],
)
def test_refused_setpoints_change_nothing(name: str, setpoint: Setpoint, message: str) -> None:
    (channel,), _ = channels(name)
    good = Setpoint("voltage", 1.0, -0.5, 0.5)
    channel.program(good)
    with pytest.raises(InstrumentError) as refused:
        channel.program(setpoint)
    assert refused.value.message == message
    assert channel.read_back().setpoint == good


@pytest.mark.parametrize(
    ("acquisition", "message"),
    [
        (
            Acquisition(100.0, None),
            "there is no voltage range of 100 V: the largest is 40 V",
        ),
        (
            Acquisition(0.5, 0.05),
            "a level of 3 V doesn't fit the range of 500 mV",
        ),
        (
            Acquisition(5.0, 0.05, 1e-6, None),
            "an aperture of 1e-06 s is outside the instrument's 2.5e-06 s to 1 s",
        ),
        (
            Acquisition(5.0, 0.05, 0.02, 1.0),
            "an aperture is given either in seconds or in line cycles",
        ),
        (Acquisition(5.0, 0.05, average=0), "an average of 0 readings: 1 to 10000 are possible"),
    ],
)
def test_refused_acquisitions_change_nothing(acquisition: Acquisition, message: str) -> None:
    channel, clock = sourcing(ideal=True)
    with pytest.raises(InstrumentError) as refused:
        channel.configure(acquisition)
    assert refused.value.message == message
    before = clock.now()
    assert channel.measure().voltage_range == 5.0
    assert clock.now() == pytest.approx(before + 0.02)


def test_remote_sense_needs_its_terminals() -> None:
    (channel,), _ = channels("second")
    with pytest.raises(InstrumentError, match="the instrument has no remote sense"):
        channel.configure(Acquisition(None, None, remote_sense=True))


def test_output_needs_a_setpoint_and_a_range_for_it() -> None:
    (channel,), clock = channels("smu")
    with pytest.raises(InstrumentError, match="neither level nor limit has been programmed"):
        channel.switch(True)
    channel.program(Setpoint("voltage", 3.0, -1.0, 1.0))
    channel.configure(Acquisition(0.5, None))
    with pytest.raises(InstrumentError, match=r"3 V doesn't fit the range of 500 mV"):
        channel.switch(True)
    assert channel.read_back().output is False
    assert clock.now() == 0.0


def test_mode_change_under_power() -> None:
    (smu, second), _ = channels("smu", "second")
    for channel in (smu, second):
        channel.program(Setpoint("voltage", 1.0, -0.5, 0.5))
        channel.switch(True)
    smu.program(Setpoint("current", 0.01, -2.0, 2.0))
    with pytest.raises(InstrumentError) as refused:
        second.program(Setpoint("current", 0.01, -2.0, 2.0))
    assert refused.value.message == "the mode can't change from voltage to current under power"
    second.switch(False)
    second.program(Setpoint("current", 0.01, -2.0, 2.0))
