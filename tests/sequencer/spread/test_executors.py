"""The same runs come to the same numbers, whoever runs them; what goes wrong is told and ended."""

from __future__ import annotations

import multiprocessing
import os
import signal
import subprocess
import sys
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from pathlib import Path

import pytest

from sequencer import api
from sequencer.engine.ending import Ending, Outcome
from sequencer.engine.runner import Runner
from sequencer.spread import executors
from sequencer.spread.dealing import local_processes, spread
from sequencer.spread.executors import run_spread
from sequencer.spread.runs import Ran
from sequencer.spread.work import Work
from tests.sequencer.spread.benches import RECIPE, work

COUNT = 40
ROOT = Path(__file__).parents[3]


@pytest.fixture(scope="module")
def alone() -> list[Ran]:
    return spread(work(), range(COUNT))


def test_in_any_order_and_number(alone: list[Ran]) -> None:
    assert spread(work(), [7, 3]) == [alone[7], alone[3]]
    assert [ran.number for ran in alone] == list(range(COUNT))
    assert len({ran.parameters for ran in alone}) == COUNT


@pytest.mark.parametrize("workers", [2, 3])
def test_processes(alone: list[Ran], workers: int) -> None:
    with local_processes(work(), workers - 1) as pool:
        assert spread(work(), range(COUNT), pool, workers=workers, helps=True) == alone
    assert not multiprocessing.active_children()


@pytest.mark.parametrize(
    ("each_s", "begun"),
    [(0.05, []), (0.06, [1]), (3.0, [1])],
    ids=["over soon", "takes long", "the first one takes long"],
)
def test_other_processes_are_begun_where_they_are_worth_it(
    alone: list[Ran], monkeypatch: pytest.MonkeyPatch, each_s: float, begun: list[int]
) -> None:
    class Watch:
        """A clock by which every run takes as long as the others."""

        def __init__(self) -> None:
            self._now_s = 0.0

        def now(self) -> float:
            self._now_s += each_s
            return self._now_s

    asked: list[int] = []

    @contextmanager
    def others(work: Work, workers: int) -> Iterator[ThreadPoolExecutor]:
        asked.append(workers)
        with ThreadPoolExecutor(workers) as pool:
            yield pool

    monkeypatch.setattr(executors, "MonotonicClock", Watch)
    monkeypatch.setattr(executors, "local_processes", others)
    heard: list[int] = []
    found = run_spread(work(), COUNT - 1, workers=2, told=heard.append)
    assert list(found.runs) == alone
    assert asked == begun
    assert heard == sorted(heard)
    assert heard[-1] == COUNT


def test_threads(alone: list[Ran]) -> None:
    with ThreadPoolExecutor(2) as pool:
        assert spread(work(), range(COUNT), pool, workers=2) == alone


def test_a_recipe_that_does_not_check_is_refused_and_nobody_stays() -> None:
    with pytest.raises(api.Refused):
        run_spread(work(RECIPE.replace("limit 50 mA", "limit 5 A")), 10, workers=2)
    assert not multiprocessing.active_children()


def test_ctrl_c_ends_the_processes() -> None:
    started: list[int] = []

    def interrupted() -> None:
        with local_processes(work(), 2):
            started.append(len(multiprocessing.active_children()))
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        interrupted()
    assert started == [2]
    assert not multiprocessing.active_children()


def test_ctrl_c_within_a_run_ends_them_all(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(Runner, "run_to_end", lambda runner: Ending(Outcome.STOPPED))
    with pytest.raises(KeyboardInterrupt):
        spread(work(), [1, 2])


def test_progress_is_told(alone: list[Ran]) -> None:
    heard: list[int] = []
    with ThreadPoolExecutor(2) as pool:
        spread(work(), range(COUNT), pool, workers=2, told=heard.append)
    assert heard == sorted(heard)
    assert heard[-1] == COUNT


KILLED = """\
import os, signal
from sequencer.spread.dealing import local_processes
from tests.sequencer.spread.benches import work

if __name__ == "__main__":
    with local_processes(work(), 2) as pool:
        print(pool.submit(os.getpid).result(), flush=True)
        os.kill(os.getpid(), signal.SIGKILL)
"""


@pytest.mark.skipif(sys.platform == "win32", reason="Windows has no SIGKILL")
def test_killed_it_leaves_no_process_behind(tmp_path: Path) -> None:
    """All of them hold its output open: that it ends says that they have."""
    script = tmp_path / "killed.py"
    script.write_text(KILLED, encoding="utf-8")
    ran = subprocess.Popen(
        [sys.executable, str(script)],
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        text=True,
        start_new_session=True,
    )
    try:
        out, _ = ran.communicate(timeout=60)
    except subprocess.TimeoutExpired:
        os.killpg(ran.pid, signal.SIGKILL)
        raise
    assert ran.returncode == -signal.SIGKILL
    assert out.strip().isdecimal()


@pytest.mark.skipif(sys.platform == "win32", reason="Windows has no masks of signals")
def test_ctrl_c_never_comes_to_the_other_processes() -> None:
    """Not even before they are there to leave it to the first one, to which it comes as before."""
    before = signal.pthread_sigmask(signal.SIG_BLOCK, [])
    with local_processes(work(), 1) as pool:
        assert signal.pthread_sigmask(signal.SIG_BLOCK, []) == before
        there = pool.submit(signal.pthread_sigmask, signal.SIG_BLOCK, []).result()
    assert signal.SIGINT not in before
    assert signal.SIGINT in there
