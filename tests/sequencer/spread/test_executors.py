"""The same runs come to the same numbers, whoever runs them; what goes wrong is told and ended."""

from __future__ import annotations

import multiprocessing
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager

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
