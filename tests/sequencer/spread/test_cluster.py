"""A spread on a real Dask cluster of this computer, by its address: the same numbers as here."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from distributed import LocalCluster

from sequencer.spread.dealing import spread
from sequencer.spread.executors import ClusterError, run_spread
from tests.sequencer.spread.benches import work

COUNT = 12


@pytest.fixture(scope="module")
def cluster() -> Iterator[str]:
    with LocalCluster(  # type: ignore[no-untyped-call]
        n_workers=1, threads_per_worker=1, dashboard_address="127.0.0.1:0", host="127.0.0.1"
    ) as found:
        yield found.scheduler_address


def test_a_cluster(cluster: str) -> None:
    """A real one, of a scheduler and a worker in processes of their own, by its address."""
    found = run_spread(work(), COUNT - 1, cluster=cluster)
    assert list(found.runs) == spread(work(), range(COUNT))


def test_no_cluster_there() -> None:
    with pytest.raises(ClusterError, match="there is no cluster at"):
        run_spread(work(), 1, cluster="tcp://127.0.0.1:1")


def test_a_cluster_without_workers() -> None:
    with (
        LocalCluster(  # type: ignore[no-untyped-call]
            n_workers=0, dashboard_address="127.0.0.1:0", host="127.0.0.1", processes=True
        ) as empty,
        pytest.raises(ClusterError, match="has no workers"),
    ):
        run_spread(work(), 1, cluster=empty.scheduler_address)
