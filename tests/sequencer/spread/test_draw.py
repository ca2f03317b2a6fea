"""What is drawn for a run: rectangular, within the tolerances, by seed and number alone."""

from __future__ import annotations

import numpy as np
from scipy.stats import kstest

from sequencer.spread.work import NOMINAL, draw, prepare
from tests.sequencer.spread.benches import BENCH, work

PATH = ("parts", "shunt", "resistance")


def test_rectangular_within_the_tolerance() -> None:
    """Kolmogorov and Smirnov's test against the rectangular distribution (JCGM 100, 4.3.7).

    A right draw fails it with this seed in 1 of 1000 cases.
    """
    file = prepare(work()).file
    drawn = np.array([draw(file, 3, number).parameters[PATH] for number in range(1, 2001)])
    assert 90.0 <= drawn.min() < 90.2
    assert 109.8 < drawn.max() <= 110.0
    assert kstest(drawn, "uniform", args=(90.0, 20.0)).pvalue > 1e-3


def test_seed_and_number_alone_decide() -> None:
    file = prepare(work()).file
    one = draw(file, 3, 7)
    assert draw(file, 3, 7) == one
    others = [draw(file, 4, 7), draw(file, 3, 8)]
    assert len({one.seed, *(o.seed for o in others)}) == 3
    assert len({one.parameters[PATH], *(o.parameters[PATH] for o in others)}) == 3


def test_run_0_is_the_bench_as_it_is_written() -> None:
    file = prepare(work()).file
    assert draw(file, 3, NOMINAL).parameters == {PATH: 100.0}
    assert draw(file, 3, NOMINAL).seed == 3


def test_a_second_parameter_is_drawn_by_itself() -> None:
    bench = BENCH + 'temperature_coefficient = "100 ppm/K ± 50 ppm/K"\n'
    file = prepare(work(bench=bench)).file
    drawn = [list(draw(file, 3, number).parameters.values()) for number in range(1, 500)]
    first, second = np.array(drawn).T
    # The deviation of a correlation of 499 independent pairs is 0.045.
    assert abs(np.corrcoef(first, second)[0, 1]) < 0.18
