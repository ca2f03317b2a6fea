"""Who runs a spread: this process, processes of this computer, or a cluster by its address."""

from __future__ import annotations

import os
from collections.abc import Callable
from contextlib import nullcontext
from typing import TYPE_CHECKING, Any

from drivers.bench import open_simulated
from drivers.clock import MonotonicClock
from sequencer import garbage
from sequencer.spread.dealing import local_processes, spread
from sequencer.spread.summary import Summary, summed_up
from sequencer.spread.work import NOMINAL, Prepared, Work, prepare

if TYPE_CHECKING:
    from concurrent.futures import Executor

    from sequencer.spread.runs import Ran

_PATIENCE_S = 10
"""How long a cluster may take to answer."""
LONG_S = 2.0
"""What is over sooner is not worth other processes: each takes half a second or more to begin."""


class ClusterError(Exception):
    """A cluster that can't be used; `advice` says what to do now."""

    fault = "person"

    def __init__(self, message: str, advice: str) -> None:
        super().__init__(message)
        self.message, self.advice = message, advice


def run_spread(
    work: Work,
    runs: int,
    *,
    workers: int | None = None,
    cluster: str | None = None,
    told: Callable[[int], None] = lambda count: None,
) -> Summary:
    """The nominal run and so many drawn ones, summed up. Raises Refused and ClusterError."""
    numbers = range(NOMINAL, runs + 1)
    if cluster is not None:
        found = _on_cluster(work, numbers, cluster, told)
    else:
        found = _on_this_computer(work, numbers, workers or os.cpu_count() or 1, told)
    return summed_up(prepare(work).checked, work.seed, found)


def _on_this_computer(
    work: Work, numbers: range, workers: int, told: Callable[[int], None]
) -> list[Ran]:
    """This process is one of the workers, and the only one where the others came too late.

    The first runs are made here, to see what all of them will take.
    """
    refuse(prepare(work))
    clock = MonotonicClock()
    found = spread(work, numbers[:1])
    took_s = clock.now()
    if took_s < LONG_S and len(numbers) > 1:
        # Much is done for the first one that is at hand for all others.
        found += spread(work, numbers[1:2])
        took_s = clock.now() - took_s
    garbage.loaded()
    rest = numbers[len(found) :]
    told(len(found))
    workers = min(workers, len(rest)) if took_s * len(rest) > LONG_S else 1
    with local_processes(work, workers - 1) if workers > 1 else nullcontext() as pool:
        return found + spread(
            work, rest, pool, workers=workers, helps=True, told=lambda n: told(len(found) + n)
        )


def _on_cluster(work: Work, numbers: range, address: str, told: Callable[[int], None]) -> list[Ran]:
    refuse(prepare(work))
    try:
        from distributed import Client
    except ImportError:
        raise ClusterError(
            "a cluster needs the package `distributed`, which isn't installed",
            "install it with `pip install fusewire[cluster]`",
        ) from None
    try:
        client: Any = Client(address, timeout=_PATIENCE_S, set_as_default=False)  # type: ignore[no-untyped-call]
    except (OSError, ValueError) as error:
        raise ClusterError(
            f"there is no cluster at {address}: {error}",
            "give the address that its scheduler shows, as in tcp://127.0.0.1:8786",
        ) from None
    garbage.loaded()
    with client:
        workers = len(client.scheduler_info()["workers"])
        if not workers:
            raise ClusterError(f"the cluster at {address} has no workers", "start one there")
        executor: Executor = client.get_executor()
        return spread(work, numbers, executor, workers=workers, told=told)


def refuse(prepared: Prepared) -> None:
    """Raise Refused where something keeps the recipe from running on its bench."""
    from sequencer.api import refuse_what_can_not_run

    checked, file = prepared.checked, prepared.file
    bench = open_simulated(
        file,
        channels=[channel.name.id for channel in checked.recipe.channels],
        lines=[name for name in checked.digital if name in file.digital],
    )
    refuse_what_can_not_run(checked, bench, False, dict(prepared.work.answers))
