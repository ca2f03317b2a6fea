"""A link that fails in every way it can: bounded, in clear words, trusted again only when clean.

Deadlines are real: short where the line is to fail, long where it is to work, so that a busy
machine changes nothing. That a call returns at all is its bound: a hang would hang the test run.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from drivers.channel import Channel, Setpoint
from drivers.faults import InstrumentError, LinkError
from drivers.simulated.served.misbehaviour import WAYS, Misbehaviour, Way

MOST_TRIES = 40

# What a person reads, by the way that the line fails; the deadline is the margin of 0.15 s and an
# aperture of a line cycle. A serial library doesn't tell what came of a line that never ended.
SILENCE = r"no (complete )?answer came within 0\.17 s, after “READ\?;.*” was sent"
WORDS: dict[Way, str] = {
    "silence": SILENCE,
    "delay": SILENCE,
    "late": SILENCE,
    "half": rf"only “.*” came, without an end of line, within 0\.17 s|{SILENCE}",
    "garbage": r"the answer is not ASCII text, after “READ\?;.*” was sent",
    "deaf": SILENCE,
}


SHORT_S, LONG_S = 0.15, 5.0


def powered(channel: Channel, volts: float) -> None:
    """A level over 10 Ω within a wide limit, output on."""
    channel.reset()
    channel.program(Setpoint("voltage", volts, -3.0, 3.0))
    channel.switch(True)


def recover(channel: Channel) -> int:
    """Try until the link is clean; how many tries failed before. Bounded."""
    channel.margin_s = LONG_S
    for failed in range(MOST_TRIES):
        try:
            channel.recover()
        except LinkError:
            continue
        return failed
    pytest.fail(f"not recovered after {MOST_TRIES} tries")


@pytest.mark.parametrize("way", sorted(WORDS))
def test_a_failed_exchange_is_a_link_error_and_no_later_answer(
    served: Callable[..., Any], way: Way
) -> None:
    """The reading after recovery is of 2 V; the one that was spoilt was of 1 V."""
    opening = served(ideal=True)
    channel = opening.channel
    powered(channel, 1.0)
    opening.server.misbehave(Misbehaviour(way, delay_s=0.5))
    opening.channel.margin_s = SHORT_S
    with pytest.raises(LinkError, match=WORDS[way]) as caught:
        channel.measure()
    assert caught.value.fault == "link"
    assert caught.value.advice
    # A suspect link sends nothing more until it is clean.
    with pytest.raises(LinkError, match="the link is suspect"):
        channel.measure()
    if way == "deaf":
        # It holds the line and takes nothing: there is nothing that could be recovered.
        with pytest.raises(LinkError):
            channel.recover()
        return
    recover(channel)
    channel.program(Setpoint("voltage", 2.0, -3.0, 3.0))
    assert channel.measure().voltage == pytest.approx(2.0, rel=1e-9)
    assert channel.read_back().output is True


def test_lines_that_nobody_asked_for(served: Callable[..., Any], wire: str) -> None:
    """On a socket they come with the answer; on a serial line they lie before the next question."""
    opening = served(ideal=True)
    channel = opening.channel
    powered(channel, 1.0)
    opening.server.misbehave(Misbehaviour("babble"))

    def measure_twice() -> None:
        channel.measure()
        channel.measure()

    with pytest.raises(LinkError, match="sends what it wasn't asked for"):
        measure_twice()
    recover(channel)
    channel.program(Setpoint("voltage", 2.0, -3.0, 3.0))
    assert channel.measure().voltage == pytest.approx(2.0, rel=1e-9)


def test_a_closed_connection(served: Callable[..., Any], wire: str) -> None:
    opening = served(ideal=True)
    channel = opening.channel
    powered(channel, 1.0)
    opening.server.misbehave(Misbehaviour("close"))
    with pytest.raises(LinkError) as caught:
        channel.measure()
    assert opening.server.resources["smu"] in str(caught.value)
    if wire == "socket":
        assert "closed the connection" in str(caught.value)
        assert recover(channel) == 0
        assert channel.measure().voltage == pytest.approx(1.0, rel=1e-9)
    else:
        with pytest.raises(LinkError):
            channel.recover()


@pytest.mark.parametrize("way", ["silence", "garbage", "half", "close", "deaf"])
def test_a_dead_line_stays_an_error_in_bounded_time(served: Callable[..., Any], way: Way) -> None:
    opening = served()
    opening.channel.reset()
    opening.server.misbehave(Misbehaviour(way, times=None))
    opening.channel.margin_s = SHORT_S
    for _ in range(3):
        with pytest.raises(LinkError):
            opening.channel.recover()
    with pytest.raises(LinkError, match="the link is suspect"):
        opening.channel.switch(False)


@pytest.mark.parametrize("after", range(4))
def test_the_nth_exchange_fails_and_the_output_can_still_go_off(
    served: Callable[..., Any], after: int
) -> None:
    """Whichever exchange of a small programme fails, recovery leads to an output that is off."""
    opening = served(ideal=True)
    channel = opening.channel
    opening.server.misbehave(Misbehaviour("silence", after=after))
    channel.margin_s = 1.0

    def programme() -> None:
        for _ in range(3):
            powered(channel, 1.0)
            channel.measure()

    with pytest.raises(LinkError, match=r"no (complete )?answer came"):
        programme()
    recover(channel)
    channel.switch(False)
    assert channel.read_back().output is False
    assert opening.simulated.read_back().output is False


def test_an_output_that_does_not_switch_off(served: Callable[..., Any]) -> None:
    opening = served(ideal=True)
    channel = opening.channel
    powered(channel, 1.0)
    opening.server.misbehave(Misbehaviour("stuck-output"))
    with pytest.raises(InstrumentError, match=r"was switched off, but .* says that it is on") as e:
        channel.switch(False)
    assert "mains switch" in e.value.advice
    assert channel.read_back().output is True


def test_an_output_that_does_not_switch_on(served: Callable[..., Any]) -> None:
    opening = served(ideal=True)
    channel = opening.channel
    channel.reset()
    channel.program(Setpoint("voltage", 1.0, -3.0, 3.0))
    opening.server.misbehave(Misbehaviour("stuck-output"))
    with pytest.raises(InstrumentError, match=r"was switched on, but .* says that it is off"):
        channel.switch(True)


def test_a_level_that_reads_back_wrong(served: Callable[..., Any]) -> None:
    opening = served()
    channel = opening.channel
    channel.reset()
    channel.program(Setpoint("voltage", 2.0, -3.0, 3.0))
    opening.server.misbehave(Misbehaviour("false-read-back"))
    with pytest.raises(
        InstrumentError, match=r"reads back a level of 2\.5 V where 2 V was programmed"
    ):
        channel.read_back()


def test_a_restart_in_mid_run(served: Callable[..., Any]) -> None:
    opening = served(ideal=True)
    channel = opening.channel
    powered(channel, 1.0)
    channel.measure()
    channel.poll()
    opening.server.misbehave(Misbehaviour("power-cycle"))
    channel.measure()
    assert [event.kind for event in channel.poll()] == ["power cycle"]
    assert channel.read_back().output is False


def test_a_restart_behind_a_failed_exchange(served: Callable[..., Any]) -> None:
    opening = served(ideal=True)
    channel = opening.channel
    powered(channel, 1.0)
    channel.poll()
    opening.server.misbehave(Misbehaviour("silence"))
    opening.channel.margin_s = SHORT_S
    with pytest.raises(LinkError):
        channel.measure()
    opening.simulated.power_cycle()
    recover(channel)
    assert [event.kind for event in channel.poll()] == ["power cycle"]


def test_every_way_is_tried_here() -> None:
    others = {"babble", "close", "power-cycle", "stuck-output", "false-read-back"}
    assert set(WORDS) | others == set(WAYS)


def test_a_client_takes_over_when_the_one_before_is_gone(
    served: Callable[..., Any], another_client: Callable[..., Any]
) -> None:
    """As a watchdog does after a run has died: the first client leaves without a word."""
    opening = served(ideal=True)
    powered(opening.channel, 1.0)
    opening.channel.close()
    second = another_client(opening)
    assert second.read_back().output is True
    second.switch(False)
    assert opening.simulated.read_back().output is False
