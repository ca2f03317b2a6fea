"""Every shipped recipe, dry-run on its own bench, gives the truth of the part that hangs there."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from sequencer import shipped
from tests.recipes import cells, charge_stores, junctions, laser, panels, pump, resistance, watching
from tests.recipes.jobs import Job, bench_of, biased, found_in, ideally, unerring, within

JOBS = [
    job
    for kind in (cells, charge_stores, junctions, laser, panels, pump, resistance, watching)
    for job in kind.JOBS
]


def named(value: Job | int) -> str:
    return value.name if isinstance(value, Job) else str(value)


def test_no_recipe_is_left_out() -> None:
    assert sorted(map(named, JOBS)) == shipped.names()


@pytest.mark.parametrize("job", JOBS, ids=named)
def test_an_ideal_run_gives_the_truth(job: Job) -> None:
    ideally(job)


@pytest.mark.parametrize(
    ("job", "seed"), [(job, seed) for job in JOBS for seed in job.seeds], ids=named
)
def test_a_run_with_errors_stays_within_the_specification(job: Job, seed: int) -> None:
    within(job, seed)


@pytest.mark.parametrize("job", [job for job in JOBS if job.manners], ids=named)
def test_a_source_that_takes_its_time_gives_the_truth(job: Job, tmp_path: Path) -> None:
    unerring(job, tmp_path)


@pytest.mark.parametrize("job", JOBS, ids=named)
def test_what_a_method_leads_off_by_is_known(job: Job) -> None:
    biased(job)


def test_a_supply_of_the_other_sign() -> None:
    """Ohm's law with both quantities turned round; the power still goes into the part."""
    found, _ = found_in("supply-and-watch", None, (("level", "-12 V"), ("duration", "1 min")))
    assert found["I"] == pytest.approx(-12 / 24.06, rel=1e-6)
    assert found["P"] == pytest.approx(144 / 24.06, rel=1e-6)


def test_the_light_is_looked_at_all_night() -> None:
    """The cap is off before the first reading of the light, and on again after the last."""
    profile = bench_of("watch-light").conditions.irradiance
    first, last = 34.615, 43234.815
    assert min(profile.at(t) for t in np.linspace(first, last, 1000)) > 0
