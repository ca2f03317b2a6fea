"""Runs of a spread dealt out to an executor, and gathered in the order of their numbers.

Any executor of the standard library's kind will do: threads, processes, a cluster. What a run comes
to depends on its number alone, so how they are dealt out changes nothing.
"""

from __future__ import annotations

import gc
import math
import multiprocessing
import os
import signal
import threading
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Executor, ProcessPoolExecutor
from contextlib import contextmanager

from sequencer import garbage
from sequencer.spread.runs import Ran, run_abreast
from sequencer.spread.work import Work, prepare

_CHUNKS = 32
"""Chunks for each worker: few enough to cost nothing, enough for all to end at about one time."""
_MOST_IN_CHUNK = 64
_ABREAST = 32
"""Runs that go side by side: more of them gain nothing."""
_GARBAGE = 50_000
"""So many objects may be left before they are looked through: those of some hundred runs."""


def run_chunk(work: Work, numbers: Sequence[int]) -> list[Ran]:
    """Some of the runs."""
    prepared = prepare(work)
    # What is there already is no garbage, and what a run leaves is little: looking through both as
    # often as Python does by itself would cost more than the runs do.
    gc.freeze()
    often = gc.get_threshold()
    gc.set_threshold(_GARBAGE, *often[1:])
    try:
        return [
            ran
            for first in range(0, len(numbers), _ABREAST)
            for ran in run_abreast(prepared, numbers[first : first + _ABREAST])
        ]
    finally:
        gc.set_threshold(*often)
        gc.unfreeze()


def spread(
    work: Work,
    numbers: Sequence[int],
    executor: Executor | None = None,
    *,
    workers: int = 1,
    helps: bool = False,
    told: Callable[[int], None] = lambda count: None,
) -> list[Ran]:
    """The runs of these numbers, in their order.

    Without an executor they are run here. `workers` is how many the executor has; where this
    process `helps`, it takes what none of them has begun. `told` hears how many are done.
    """
    if executor is None:
        return _here(work, numbers, told)
    size = min(_MOST_IN_CHUNK, math.ceil(len(numbers) / (_CHUNKS * workers)))
    chunks = [numbers[first : first + size] for first in range(0, len(numbers), size)]
    waiting = [executor.submit(run_chunk, work, chunk) for chunk in chunks]
    done: dict[int, list[Ran]] = {}
    try:
        if helps:
            for k in reversed(range(len(chunks))):
                if waiting[k].cancel():
                    done[k] = run_chunk(work, chunks[k])
                    told(sum(map(len, done.values())))
        for k, future in enumerate(waiting):
            if k not in done:
                done[k] = future.result()
                told(sum(map(len, done.values())))
    except BaseException:
        for future in waiting:
            future.cancel()
        raise
    return [ran for k in range(len(chunks)) for ran in done[k]]


def _here(work: Work, numbers: Sequence[int], told: Callable[[int], None]) -> list[Ran]:
    done: list[Ran] = []
    for first in range(0, len(numbers), _MOST_IN_CHUNK):
        done += run_chunk(work, numbers[first : first + _MOST_IN_CHUNK])
        told(len(done))
    return done


@contextmanager
def local_processes(work: Work, workers: int) -> Iterator[ProcessPoolExecutor]:
    """Processes of this computer, which read and check the work at once; gone afterwards.

    They are begun anew and not forked, so that they are the same on every system.
    """
    before = set(multiprocessing.active_children())
    pool = ProcessPoolExecutor(
        workers, multiprocessing.get_context("spawn"), initializer=_begin, initargs=(work,)
    )
    with _ctrl_c_waits():
        for _ in range(workers):
            pool.submit(_nothing)
    try:
        yield pool
    except BaseException:
        ours = set(multiprocessing.active_children()) - before
        for process in ours:
            process.terminate()
        # The pool's own thread sees them end and takes leave of each. Two threads that wait for one
        # process race, and the one that comes second believes that it lives on.
        pool.shutdown(cancel_futures=True)
        raise
    pool.shutdown()


@contextmanager
def _ctrl_c_waits() -> Iterator[None]:
    """Ctrl-C is put off; to processes that begin meanwhile it never comes.

    Until they can say that it is the first one's business, it would end them with a traceback.
    """
    if not hasattr(signal, "pthread_sigmask"):  # on Windows
        yield
        return
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


def _begin(work: Work) -> None:
    # Ctrl-C reaches every process of the terminal: the first one ends the others.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    threading.Thread(target=_end_with_the_first, daemon=True).start()
    garbage.begin()
    prepare(work)
    garbage.loaded()


def _end_with_the_first() -> None:
    """Nobody else ends a process whose first one was killed: it would wait for work for ever."""
    first = multiprocessing.parent_process()
    if first is not None:
        first.join()
        os._exit(1)


def _nothing() -> None:
    """Something to begin for."""
