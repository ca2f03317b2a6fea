"""What a spread is of, as text that any process can take; and the same read and checked, once.

Run 0 is the bench as it is written. Any other draws its parameters rectangular within their
tolerances, since a limit of which no more is known is a rectangular distribution (JCGM 100:2008,
4.3.7), and has errors of the instruments and noise of its own.
"""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from grammar.quantity import Quantity

if TYPE_CHECKING:
    from drivers.bench import BenchFile
    from drivers.located import Path as KeyPath
    from sequencer.checker import Checked

NOMINAL = 0
"""The number of the run on the bench as it is written."""
Named = tuple[tuple[str, Quantity], ...]


class Work(NamedTuple):
    """A recipe and a bench as texts, and what is in force in place of what they say."""

    recipe: str
    recipe_name: str
    bench: str
    bench_name: str
    specifications: tuple[tuple[str, str], ...]
    settings: Named = ()
    answers: Named = ()
    seed: int = 0
    ideal: bool = False


class Prepared(NamedTuple):
    """The work, read and checked."""

    work: Work
    file: BenchFile
    checked: Checked


@lru_cache(maxsize=4)
def prepare(work: Work) -> Prepared:
    """Read and check the work; a process does it once. Raises Refused."""
    from drivers.bench import read_bench
    from grammar.parse import parse
    from sequencer import api

    recipe, problems = parse(work.recipe, work.recipe_name)
    loaded = api.Loaded(None, work.recipe, recipe, problems)
    file, found = read_bench(Path(work.bench_name), work.bench, dict(work.specifications))
    if file is None or found.has_errors:
        raise api.Refused([found])
    checked = api.check(loaded, file, dict(work.settings))
    if checked.problems.has_errors:
        raise api.Refused([checked.problems])
    return Prepared(work, file, checked)


class Draw(NamedTuple):
    """What is drawn for a run: its parameters (SI) by key path, the seed of its instruments."""

    parameters: dict[KeyPath, float]
    seed: int


def draw(file: BenchFile, seed: int, number: int) -> Draw:
    """What is drawn for a run: the same for the same seed and number, whatever else is run."""
    if number == NOMINAL:
        return Draw({path: t.nominal for path, t in file.tolerances.items()}, seed)
    chance = np.random.default_rng([seed, number])
    # First of all, so that a tolerance more changes nothing of it.
    of_instruments = int(chance.integers(1 << 63))
    shares = chance.uniform(-1.0, 1.0, len(file.tolerances)).tolist()
    return Draw(
        {
            path: min(max(t.nominal + share * (t.high - t.low) / 2, t.low), t.high)
            for (path, t), share in zip(file.tolerances.items(), shares, strict=True)
        },
        of_instruments,
    )
