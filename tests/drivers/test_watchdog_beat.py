"""The beat on both sides, in a time of the tests' own: when it is passed on, when acted upon."""

from __future__ import annotations

import io
import math
from queue import SimpleQueue
from types import SimpleNamespace

import pytest

from drivers import watchdog, watchdog_process
from drivers.watchdog import Watchdog


@pytest.fixture
def at(monkeypatch):
    """The time that both sides see; tests move it."""
    clock = SimpleNamespace(now=1000.0)
    monkeypatch.setattr(watchdog, "now", lambda: clock.now)
    monkeypatch.setattr(watchdog_process, "now", lambda: clock.now)
    return clock


@pytest.fixture
def dog():
    process = SimpleNamespace(stdin=io.BytesIO(), stdout=io.BytesIO(), pid=1)
    return Watchdog(process)  # type: ignore[arg-type]


def passed_on(dog: Watchdog) -> list[list[str]]:
    return [line.split()[1:] for line in dog._beats.getvalue().decode().splitlines()]


def test_beats_that_say_the_same_are_passed_on_now_and_then(dog, at):
    for k in range(20_001):
        at.now = 1000.0 + k * 50e-6
        dog.beat(k, 0.5)
    beats = passed_on(dog)
    assert len(beats) <= 1 + 1.0 / watchdog.REST_S + 1
    for step, sent, by in beats:
        assert float(sent) == 1000.0 + int(step) * 50e-6
        assert float(by) == float(sent) + 0.5 + watchdog.REST_S


def test_at_every_beat_the_watchdog_waits_long_enough_and_not_longer(dog, at):
    promised = 0.0
    lengths = [0.2, 0.2, 5.0, 0.21, 0.2, 0.04, 0.3]
    for k in range(3000):
        seconds = lengths[k % 7] if k > 1000 else 0.2
        at.now += 0.003
        dog.beat(k, seconds)
        promised = float(passed_on(dog)[-1][2])
        assert at.now + seconds <= promised <= at.now + seconds + watchdog.REST_S + 1e-9


@pytest.mark.parametrize(("step", "seconds"), [(4, 1.0), (6, -1.0), (6, math.inf), (6, math.nan)])
def test_a_beat_that_makes_no_sense_is_refused(dog, at, step, seconds):
    dog.beat(5, 1.0)
    with pytest.raises(ValueError, match="a beat of step"):
        dog.beat(step, seconds)
    assert len(passed_on(dog)) == 1


def followed(*lines: bytes | None) -> str | None:
    queue: SimpleQueue[bytes | None] = SimpleQueue()
    for line in lines:
        queue.put(line)
    return watchdog_process.watch(queue)


@pytest.mark.parametrize(
    ("lines", "reason"),
    [
        ((b"bye\n",), None),
        ((b"beat 0 999 1001\n", b"beat 0 1000 1010\n", b"beat 7 1005 1020\n", b"bye\n"), None),
        (
            (None,),
            "the run's process ended before the first step without saying that it was done",
        ),
        (
            (b"beat 2 990 1001\n", None),
            "the run's process ended after the beat of step 2 without saying that it was done",
        ),
        ((b"beat 2 990 999\n",), "no beat came in time after the beat of step 2"),
        (
            (b"beat 2 990 1001\n", b"beat 3 1001.5 1020\n"),
            "a beat came 0.5 s late after the beat of step 2",
        ),
        (
            (b"beat 2 990 1001\n", b"beat 1 991 1001\n"),
            "the beat went back from step 2 to 1",
        ),
        *(
            ((b"beat 2 990 1001\n", line), "a line that is no beat came after the beat of step 2: "
             f"{line!r}")
            for line in (b"\n", b"beat 3\n", b"beat x y z\n", b"beat 3 991 inf\n", b"hello\n",
                         b"beat 3 nan 1001\n", b"rehearse 991 992\n", b"\xff\n")
        ),
    ],
)  # fmt: skip
def test_when_it_acts(at, lines, reason):
    assert followed(*lines) == reason


def test_a_rehearsal_is_reported_and_forgotten(at, monkeypatch):
    lines: SimpleQueue[bytes | None] = SimpleQueue()
    said: list[str] = []

    def say(line: str) -> None:
        said.append(line)
        lines.put(b"bye\n")

    lines.put(b"rehearse 999 999.75\n")
    monkeypatch.setattr(watchdog_process, "_say", say)
    assert watchdog_process.watch(lines) is None
    assert said == ["missed 0.25"]


def test_a_computer_that_slept_is_noticed_by_a_beat_that_came_too_late(at):
    # Both woke after an hour, and the run was the first to go on.
    assert followed(b"beat 2 1000 1001\n", b"beat 3 4600 4601\n") == (
        "a beat came 3.6e+03 s late after the beat of step 2"
    )
