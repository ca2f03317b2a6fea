"""`run` against a served bench: its exit codes, its questions, its signals, what goes on record."""

from __future__ import annotations

import json
import os
import re
import signal
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from drivers.bench import load_bench, open_simulated
from drivers.simulated.served.misbehaviour import Misbehaviour
from drivers.simulated.served.serve import Server
from sequencer.record import Run, Store, default_path
from tests.sequencer.cli.conftest import Call
from tests.sequencer.cli.recipes_of_tests import write_bench, write_recipe
from tests.sequencer.cli.served import LONGEST_S, Watched, environment

posix = pytest.mark.skipif(sys.platform == "win32", reason="signals to a process are POSIX")
RUN = ("run", "shunt.recipe", "--bench", "shunt.bench.toml")


@pytest.fixture
def server(folder: Path) -> Iterator[Server]:
    """The bench of the tests in real time, and a bench file that finds it."""
    file, problems = load_bench(write_bench(folder))
    assert file is not None, list(problems)
    with Server(open_simulated(file), speed=1.0) as served:
        write_bench(folder, served.resources["smu"])
        yield served


def output(server: Server) -> str:
    """What the instrument itself says of its output."""
    return server.instruments["smu"].answer(b"OUTPut?").decode().strip()


def wait_for_output(server: Server, state: str) -> None:
    """That it goes on is on record before it is sent, and so is shown a moment before it is so."""
    waiting = threading.Event()
    for _ in range(LONGEST_S * 20):
        if output(server) == state:
            return
        waiting.wait(0.05)
    raise AssertionError(f"the output never became {state}")


@contextmanager
def last_run() -> Iterator[Run]:
    with Store.open() as store:
        yield store.run(store.runs()[-1].id)


def test_a_run_ends_with_its_results_and_the_output_off(
    call: Call, folder: Path, server: Server
) -> None:
    write_recipe(folder)
    said = call(*RUN, "--yes", "--no-view")
    assert (said.code, said.err) == (0, "")
    assert output(server) == "0"
    assert "\nsmu is RIDGE DEMO-SMU " in said.out
    assert f" at {server.resources['smu']}\n" in said.out
    assert "Warning: this very recipe, with these settings, has not been dry-run.\n" in said.out
    assert "\n--yes: no question is asked.\nMeasured " in said.out
    assert "\nFinished.\n" in said.out
    assert "\n  met  I in 10 mA ± 1 %: " in said.out
    assert "dry run on a simulated bench" not in said.out
    with last_run() as run:
        assert run.meta.mode == "run"
        (first, *_) = run.notes()
        assert (first.author, first.text) == ("person", "armed with --yes: no question was asked")


def test_a_rehearsed_recipe_is_not_warned_of_unless_its_settings_differ(
    call: Call, folder: Path, server: Server
) -> None:
    write_recipe(folder)
    assert call("dry-run", "shunt.recipe").code == 0
    assert "dry-run." not in call(*RUN, "--yes").out
    other = call(*RUN, "--yes", "--set", "level=0.5V")
    assert "with these settings, has not been dry-run." in other.out


def test_a_rehearsal_that_ended_otherwise_is_named(
    call: Call, folder: Path, server: Server
) -> None:
    recipe = write_recipe(folder)
    recipe.write_text(recipe.read_text().replace("in 10 mA", "in 12 mA"))
    assert call("dry-run", "shunt.recipe").code == 1
    with last_run() as run:
        rehearsal = run.meta.id
    said = call(*RUN, "--yes")
    assert said.code == 1
    assert (
        f"Its last dry run, {rehearsal}: finished, but not every expectation is met.\n" in said.out
    )


def test_without_a_terminal_nobody_can_be_asked(call: Call, folder: Path, server: Server) -> None:
    write_recipe(folder)
    said = call(*RUN)
    assert said.code == 2
    assert said.err == (
        "error: before power there are questions, and standard input is no terminal\n"
        "  run it in a terminal; --yes skips the questions, and that is on record\n"
    )
    with Store.open() as store:
        assert store.runs() == []


def test_a_recipe_that_does_not_check_is_not_run(call: Call, folder: Path, server: Server) -> None:
    recipe = write_recipe(folder)
    recipe.write_text(recipe.read_text().replace(", limit 50 mA", ""))
    said = call(*RUN, "--yes")
    assert (said.code, said.out) == (2, "")
    assert "[source-without-limit]" in said.err
    assert not default_path().exists()


def test_the_settings_in_force_have_a_forecast_of_their_own(call: Call, folder: Path) -> None:
    """It stands beneath the check's table, before anybody is asked or any instrument found."""
    assert call("new", "supply-and-watch").code == 0
    bench = folder / "supply-and-watch.bench.toml"
    bench.write_text(
        re.sub(r"127\.0\.0\.1::\d+", "127.0.0.1::1", bench.read_text("utf-8")), "utf-8"
    )
    arguments = ("run", "supply-and-watch.recipe", "--bench", bench.name, "--yes")
    said = call(*arguments, "--set", "duration=1min")
    assert said.code == 4
    assert "\ntime under power up to 30 d 6 s\n" in said.out
    assert said.out.endswith("\n\nWith the settings in force: under power up to 64.9 s.\n")
    said = call(*arguments, "--set", "duration=1min", "--lines")
    assert (said.code, said.out) == (4, "")


def test_a_dead_instrument_gives_4_before_anything_is_on_record(call: Call, folder: Path) -> None:
    write_bench(folder, "TCPIP::127.0.0.1::1::SOCKET")
    write_recipe(folder)
    said = call(*RUN, "--yes")
    assert said.code == 4
    assert said.err.startswith("error: smu (TCPIP::127.0.0.1::1::SOCKET): ")
    assert "Caution" not in said.out
    assert not default_path().exists()


def test_a_trip_gives_3_and_the_output_is_off(call: Call, folder: Path, server: Server) -> None:
    recipe = write_recipe(folder)
    recipe.write_text(
        recipe.read_text().replace("steps:", 'guard smu.current < 5 mA "warm"\n\nsteps:', 1)
    )
    said = call(*RUN, "--yes", "--no-view")
    assert said.code == 3
    assert "\nTripped:\n  guard `smu.current < 5 mA` no longer holds: warm\n" in said.out
    assert output(server) == "0"


def test_an_output_that_does_not_switch_off_is_said_so_that_it_cannot_be_missed(
    call: Call, folder: Path, server: Server
) -> None:
    write_recipe(folder, length="1 s")
    # It takes some thirty messages to switch on, and fifty for the readings.
    server.misbehave(Misbehaviour("stuck-output", after=60, times=None))
    said = call(*RUN, "--yes", "--no-view")
    assert said.code == 4
    assert "!! THE STATE OF THE OUTPUT IS UNKNOWN: smu\n" in said.out
    assert "!! Use the instrument's own output key, then its mains switch.\n" in said.out
    assert "!! Don't pull live leads. Keep off until it is measured dead.\n" in said.out
    assert output(server) == "1"


def test_data_and_talk_go_their_own_ways(call: Call, folder: Path, server: Server) -> None:
    write_recipe(folder)
    said = call(*RUN, "--yes", "--json")
    data = json.loads(said.out)
    assert (data["mode"], data["outcome"], data["exit_code"]) == ("run", "finished", 0)
    assert "--yes: no question is asked.\n" in said.err


@pytest.fixture
def long_run(folder: Path, server: Server) -> Iterator[Watched]:
    """A run of ten minutes, shown by a view, that somebody has to end."""
    recipe = write_recipe(folder, length="10 min")
    recipe.write_text(
        recipe.read_text().replace("results:", 'finally:\n    say "In finally."\n\nresults:', 1)
    )
    watched = Watched(folder, *RUN, "--yes")
    yield watched
    watched.close()


@posix
def test_ctrl_c_stops_goes_through_finally_and_says_what_a_second_one_does(
    long_run: Watched, server: Server
) -> None:
    long_run.until("smu on")
    long_run.process.send_signal(signal.SIGINT)
    code, said = long_run.end()
    assert code == 5
    assert "Ctrl-C once more switches off at once and skips it.\n" in said
    assert "  In finally.\n" in said
    assert "\nStopped by you.\n" in said
    assert output(server) == "0"


@posix
def test_a_second_ctrl_c_leaves_finally(folder: Path, server: Server) -> None:
    recipe = write_recipe(folder, length="10 min")
    final = 'finally:\n    say "In finally."\n    wait 10 min\n\nresults:'
    recipe.write_text(recipe.read_text().replace("results:", final, 1))
    watched = Watched(folder, *RUN, "--yes")
    try:
        watched.until("smu on")
        watched.process.send_signal(signal.SIGINT)
        watched.until("In finally.")
        watched.process.send_signal(signal.SIGINT)
        code, said = watched.end()
    finally:
        watched.close()
    assert code == 5
    assert "Stopping at once: outputs go off.\n" in said
    assert "\nStopped by you.\n" in said
    assert output(server) == "0"


@posix
def test_being_told_to_end_switches_off_at_once(long_run: Watched, server: Server) -> None:
    long_run.until("smu on")
    long_run.process.send_signal(signal.SIGTERM)
    code, said = long_run.end()
    assert code == 5
    assert "Stopping at once: outputs go off.\n" in said
    assert "In finally." not in said
    assert output(server) == "0"


@posix
def test_a_run_that_is_killed_is_switched_off_by_the_watchdog_and_told_of(
    long_run: Watched, server: Server, call: Call
) -> None:
    long_run.until("smu on")
    wait_for_output(server, "1")
    long_run.process.kill()
    long_run.end()
    waiting = threading.Event()
    for _ in range(LONGEST_S * 20):
        if output(server) == "0" and list(default_path().parent.glob("*.watchdog.json")):
            break
        waiting.wait(0.05)
    assert output(server) == "0"
    said = call("runs")
    words = " ".join(said.out.split())
    assert "(Ridge weather station, a shunt) was cut off: the program that ran it is gone." in words
    assert "The watchdog acted on " in words
    assert "cut off" in said.out.splitlines()[-1]


@pytest.fixture
def at_a_terminal(folder: Path, server: Server) -> Iterator[tuple[subprocess.Popen[bytes], int]]:
    """A run at a terminal of 80 columns, which asks."""
    pty = pytest.importorskip("pty")
    write_recipe(folder)
    ours, theirs = pty.openpty()
    process = subprocess.Popen(
        [sys.executable, "-m", "sequencer", *RUN, "--no-view"],
        env={**environment(folder), "TERM": "xterm", "NO_COLOR": "1", "COLUMNS": "80"},
        stdin=theirs,
        stdout=theirs,
        stderr=theirs,
        start_new_session=True,
    )
    os.close(theirs)
    yield process, ours
    process.kill()
    process.wait()
    os.close(ours)


def read_until(descriptor: int, mark: str) -> str:
    """What a terminal shows up to a mark; a run that says nothing more ends the reading."""
    seen = b""
    while mark.encode() not in seen:
        try:
            more = os.read(descriptor, 4096)
        except OSError:  # how Linux says that the other side is gone
            more = b""
        if not more:
            break
        seen += more
    return seen.decode().replace("\r\n", "\n")


@posix
def test_little_at_stake_is_armed_with_enter(
    at_a_terminal: tuple[subprocess.Popen[bytes], int], server: Server
) -> None:
    process, terminal = at_a_terminal
    asked = read_until(terminal, "Ctrl-C leaves. ")
    assert asked.endswith(
        "\nCaution, shunt: Hot: the part may burn fingers, and may burst or fly when it is\n"
        "  overdriven. Cover it.\nEnter switches on, Ctrl-C leaves. "
    )
    assert output(server) == "0"
    os.write(terminal, b"\n")
    shown = read_until(terminal, "writes it out.")
    assert "\nFinished.\n" in shown
    assert process.wait(LONGEST_S) == 0
    with last_run() as run:
        assert [n.text for n in run.notes() if n.author == "person"] == ["armed with Enter"]


@posix
def test_who_leaves_before_power_has_switched_nothing_on(
    at_a_terminal: tuple[subprocess.Popen[bytes], int], server: Server
) -> None:
    process, terminal = at_a_terminal
    read_until(terminal, "Ctrl-C leaves. ")
    process.send_signal(signal.SIGINT)
    assert "\nNot armed: nothing was switched on." in read_until(terminal, "switched on.")
    assert process.wait(LONGEST_S) == 5
    with Store.open() as store:
        assert store.runs() == []
