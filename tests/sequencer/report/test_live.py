"""The view of a run that goes on: what it sees in the record, and how it is drawn at 80 columns."""

from __future__ import annotations

import io
import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest
from rich.console import Console

from sequencer.record import RunInfo, RunWriter, Store
from sequencer.record.rows import CHANNEL_COLUMNS
from sequencer.report.following import Elapsed, Following
from sequencer.report.live import LiveView, render
from sequencer.report.terminal import Terminal
from tests.sequencer.report.rows_on_record import row

LONGEST_S = 30  # a view that hangs is ended then, and the test fails


@pytest.fixture
def going_on(begin: Callable[..., RunWriter]) -> RunWriter:
    """A run in the middle of its charge, at 2.43 V and 3 A, limit in control."""
    writer = begin(mode="run")
    stream = writer.stream("smu", CHANNEL_COLUMNS)
    writer.begin_step(13, "source smu voltage rated, limit 3 A", 0.0)
    writer.end_step(0, 0.0)
    writer.begin_step(14, "output smu on", 0.0)
    writer.end_step(1, 0.5)
    writer.begin_step(15, "every 1 s until smu.current <= 100 mA, at most 20 min", 0.5)
    stream.append(row(0.25, 0.6, 0.0))
    writer.event(0.5, "output", "smu on", "smu")
    for k in range(1, 101):
        stream.append(row(0.5 + k, 0.6 + 0.0183 * k, 3.0, limited=1.0, energy=4.5 * k, step=16.0))
    return writer


def drawn(following: Following) -> str:
    console = Console(file=io.StringIO(), width=80, color_system=None, legacy_windows=False)
    console.print(render(following.look(), 80))
    assert isinstance(console.file, io.StringIO)
    return console.file.getvalue()


def test_a_charge_at_80_columns(store: Store, going_on: RunWriter) -> None:
    lines = [line.rstrip() for line in drawn(Following(store.run(going_on.id))).splitlines()]
    at_most = lines[1]
    assert at_most.startswith("100.5 s elapsed, at most ")
    assert at_most.endswith("101 readings, run 2026-03-14-001")
    assert [lines[0], *lines[2:]] == [
        "Ridge weather station, one of the bank",
        "line 15: every 1 s until smu.current <= 100 mA, at most 20 min",
        "smu (bank)  ON   set to 2.7 V, limit ±3 A, the limit holds it",
        "  2.43 V, 3 A, 7.29 W, read at 100.5 s",
        "  bank voltage         [#################---]  87 %  2.43 V of -50 mV … 2.8 V",
        "  bank current         [##############------]  71 %  3 A of -4.2 A … 4.2 A",
        "  bank energy          [####----------------]  22 %  450 J of up to 2 kJ",
        "Ctrl-C stops the run and switches off.",
    ]


def test_only_what_is_new_is_told_also_where_its_time_lies_before(
    store: Store, going_on: RunWriter
) -> None:
    following = Following(store.run(going_on.id))
    assert following.look().happened == ((0.5, "smu on"),)
    assert following.look().happened == ()
    going_on.note(100.0, "Half of it is in.")
    going_on.event(0.4, "limit", "the current limit took control", "smu")
    assert following.look().happened == (
        (0.4, "smu: the current limit took control"),
        (100.0, "Half of it is in."),
    )
    going_on.note(100.0, "Half of it is in.")
    assert following.look().happened == ((100.0, "Half of it is in."),)


def test_new_readings_are_added_to_what_was_read(store: Store, going_on: RunWriter) -> None:
    following = Following(store.run(going_on.id))
    assert following.look().readings == 101
    stream = going_on.stream("smu", CHANNEL_COLUMNS)
    stream.append(row(101.5, 2.6, 0.2, energy=451.0, step=16.0))
    seen = following.look()
    assert seen.readings == 102
    assert (seen.channels[0].voltage, seen.channels[0].limited) == (2.6, False)
    assert {g.name: g.value for g in seen.channels[0].guards} == {
        "bank voltage": 2.6,
        "bank current": 0.2,
        # Out of what stores, energy counts from its lowest point since the output went on.
        "bank energy": 451.0,
    }


def test_a_limit_with_two_sides_is_the_one_of_the_source_in_hand(
    store: Store, going_on: RunWriter
) -> None:
    going_on.begin_step(17, "source smu voltage 0 V, limit -2 A to 1 A", 101.0)
    stream = going_on.stream("smu", CHANNEL_COLUMNS)
    stream.append(row(102.0, 2.6, -2.0, level=0.0, limited=1.0, step=19.0))
    assert "set to 0 V, limit -2 A … 1 A, the limit holds it" in drawn(
        Following(store.run(going_on.id))
    )


def test_a_view_ends_with_its_input_and_writes_lines_to_a_pipe(
    store: Store, going_on: RunWriter
) -> None:
    view = subprocess.run(
        [sys.executable, "-m", "sequencer.report.live", str(store.path)],
        input=f"run {going_on.id}\nsay Stopping: outputs go off.\n",
        capture_output=True,
        text=True,
        encoding="utf-8",
        timeout=LONGEST_S,
        cwd=Path(__file__).parents[3],
        check=True,
    )
    lines = view.stdout.splitlines()
    assert view.stderr == ""
    assert "Stopping: outputs go off." in lines
    assert " 0:00:00.50  smu on" in lines
    (standing,) = (line for line in lines if " elapsed, " in line)
    assert standing.startswith("100.5 s elapsed, at most ")
    assert standing.endswith("smu on, 2.43 V, 3 A, 7.29 W, read at 100.5 s, bank voltage at 87 %")


def test_lines_are_shown_with_their_last_state(store: Store, going_on: RunWriter) -> None:
    for text in ("lid is low", "pump high", "lid is high", "pump low, at rest"):
        going_on.event(90.0, "line", text)
    shown = drawn(Following(store.run(going_on.id)))
    assert "\nlid high, pump low" in shown


@pytest.mark.skipif(sys.platform == "win32", reason="needs a pseudo-terminal")
def test_a_question_stands_still_until_it_is_over(store: Store, going_on: RunWriter) -> None:
    pty = pytest.importorskip("pty")
    ours, theirs = pty.openpty()
    view = subprocess.Popen(
        [sys.executable, "-m", "sequencer.report.live", str(store.path)],
        stdin=subprocess.PIPE,
        stdout=theirs,
        cwd=Path(__file__).parents[3],
        env={**os.environ, "TERM": "xterm", "COLUMNS": "80", "LINES": "40", "NO_COLOR": "1"},
        start_new_session=True,
    )
    os.close(theirs)
    try:
        assert view.stdin is not None
        for told in (f"run {going_on.id}", "ask Is the lid closed?"):
            view.stdin.write(f"{told}\n".encode())
            view.stdin.flush()
            asked = read_until(ours, "closed?" if told.startswith("ask") else "switches off.")
        # How the run stands is shown above it once more, and stays there.
        assert asked.index("87 %") < asked.index("Is the lid closed?")
        view.stdin.write(b"say Not over yet.\n")
        view.stdin.flush()
        assert "elapsed" not in read_until(ours, "Not over yet.")
        view.stdin.write(b"asked\n")
        view.stdin.flush()
        assert "elapsed" in read_until(ours, "switches off.")
        view.stdin.close()
        assert view.wait(LONGEST_S) == 0
    finally:
        view.kill()
        view.wait()
        os.close(ours)


@pytest.mark.skipif(sys.platform == "win32", reason="needs a pseudo-terminal")
def test_on_a_terminal_it_draws_over_itself_and_leaves_nothing_of_that(
    store: Store, going_on: RunWriter
) -> None:
    pty = pytest.importorskip("pty")
    ours, theirs = pty.openpty()
    view = subprocess.Popen(
        [sys.executable, "-m", "sequencer.report.live", str(store.path)],
        stdin=subprocess.PIPE,
        stdout=theirs,
        cwd=Path(__file__).parents[3],
        env={**os.environ, "TERM": "xterm", "COLUMNS": "80", "LINES": "40", "NO_COLOR": "1"},
        start_new_session=True,
    )
    os.close(theirs)
    try:
        assert view.stdin is not None
        view.stdin.write(f"run {going_on.id}\n".encode())
        view.stdin.flush()
        drawn = read_until(ours, "Ctrl-C stops the run and switches off.")
        assert " 0:00:00.50  smu on\r\n" in drawn
        assert "bank voltage         [#################---]  87 %" in drawn
        view.stdin.close()
        assert view.wait(LONGEST_S) == 0
        # ECMA-48: ESC [ 2 K erases a line; as many are erased as were drawn.
        assert read_until(ours, "").count("\x1b[2K") >= 8
    finally:
        view.kill()
        view.wait()
        os.close(ours)


def read_until(descriptor: int, mark: str) -> str:
    """What a terminal was sent up to a mark, all there is where none is given."""
    seen = ""
    while not mark or mark not in seen:
        try:
            more = os.read(descriptor, 4096)
        except OSError:  # how Linux says that the other side is gone
            more = b""
        if not more:
            break
        seen += more.decode()
    return seen


def test_a_run_goes_on_when_its_view_is_gone(
    store: Store, tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    with (tmp_path / "talk").open("w+") as stream:
        terminal = Terminal(stream, {})
        view = LiveView(store.path, terminal)
        assert view.running
        process = view._process
        assert process is not None
        process.kill()
        process.wait(LONGEST_S)
        view.follow("2026-03-14-001")
        view.say("Stopping: outputs go off.")
        view.note("Half of it is in.")
        view.close()
        stream.seek(0)
        assert stream.read() == "Stopping: outputs go off.\nHalf of it is in.\n"


RECIPE = """\
recipe "Watch a shunt"

channel smu: source, measure, measure open

part shunt is resistor on smu:
    voltage within 5 V
    current within 100 mA

setting duration = 1 h in 1 min to 30 d "how long"

steps:
    source smu voltage 1 V, limit 50 mA
    output smu on
    wait duration
    measure smu into looks
    say "{duration}"
"""


@pytest.mark.parametrize(("duration", "least_s"), [("1 min", 60.0), ("30 d", 30 * 86400.0)])
def test_how_long_it_can_take_is_told_of_the_settings_in_force(
    store: Store, duration: str, least_s: float
) -> None:
    settings = {"duration": duration}
    writer = store.begin(RunInfo("Watch a shunt", RECIPE, "x.recipe", "run", settings=settings))
    seen = Following(store.run(writer.id)).look()
    assert seen.at_most_s is not None
    # Beside the wait there are a reading and what goes before power.
    assert least_s <= seen.at_most_s <= least_s + 5.0
    assert Elapsed(store.run(writer.id)).at_most_s == seen.at_most_s
