"""Rank correlation beside scipy's, and the share from which on something stands out."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import rankdata, spearmanr

from sequencer.spread.ranks import LEAST_SHARE, ranks, share, threshold


@pytest.mark.parametrize("seed", range(20))
def test_as_scipy_has_it(seed: int) -> None:
    """With ties in one of them: scipy.stats, rankdata and spearmanr."""
    chance = np.random.default_rng(seed)
    a = chance.normal(size=50)
    b = np.round(a + chance.normal(size=50), 0 if seed % 2 else 6)
    assert ranks(b) == pytest.approx(rankdata(b), rel=1e-12)
    assert share(a, b) == pytest.approx(spearmanr(a, b).statistic ** 2, rel=1e-9, abs=1e-12)


def test_the_ends() -> None:
    rising = np.arange(10.0)
    assert share(rising, np.exp(rising)) == pytest.approx(1.0)
    assert share(rising, -(rising**3)) == pytest.approx(1.0)
    assert share(rising, np.ones(10)) == 0.0


def test_shares_of_independent_causes_come_to_one() -> None:
    """A sum of two, of which one varies twice as much: variances as 1 to 4, so 20 % and 80 %.

    The ranks of 4000 values are within 5 % of that (the deviation of a share of 0.8 is 0.008).
    """
    chance = np.random.default_rng(1)
    a, b = chance.normal(size=(2, 4000))
    assert share(a + 2 * b, b) == pytest.approx(0.8, abs=0.05)
    assert share(a + 2 * b, a) == pytest.approx(0.2, abs=0.05)


def test_chance_alone_hardly_ever_stands_out() -> None:
    """Of 20 things that have nothing to do with it, one is named in about 1 of 100 lines.

    In 300 lines that is 3 on average; more than 10 of them come once in 3000 times (Poisson).
    """
    chance = np.random.default_rng(5)
    count = 60
    named = 0
    for _ in range(300):
        value = chance.normal(size=count)
        named += any(share(chance.normal(size=count), value) >= threshold(count) for _ in range(20))
    assert named <= 10


def test_the_threshold() -> None:
    assert threshold(1) == float("inf")
    assert threshold(13) == 1.0
    assert threshold(1001) == LEAST_SHARE
