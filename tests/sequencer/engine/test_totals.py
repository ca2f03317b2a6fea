"""Counters and tallies over many readings are those of one after the other, to the bit."""

from __future__ import annotations

import copy

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.kinds import KINDS
from sequencer.engine.counting import Counters, Flow
from sequencer.engine.totals import Totals, first_of

AMPERES = st.one_of(st.sampled_from([0.0, -0.0, 1.0, -1.0]), st.floats(-2, 2))
READINGS = st.lists(st.tuples(st.floats(1e-3, 2), AMPERES, st.floats(-3, 3)), min_size=2)
BOUND = st.floats(1e-3, 50)


def state(counters: Counters) -> str:
    """All that counting changes, with the signs of zeros."""
    tallies = [(t.total, t.highest, t.highest_at) for t, _ in counters.tallies]
    return repr((counters.charge, counters.energy, counters.last, tallies))


@settings(max_examples=400, deadline=None, derandomize=True)
@given(
    READINGS, st.sampled_from(["capacitor", "resistor"]), BOUND, BOUND, st.floats(0, 0.01),
    st.integers(1, 40),
)  # fmt: skip
def test_many_readings_are_counted_as_one_after_the_other(
    readings: list[tuple[float, float, float]],
    kind: str,
    joules: float,
    coulombs: float,
    gain: float,
    taken: int,
) -> None:
    ratings = {"energy": (-joules, joules), "charge": (-coulombs, coulombs / 3)}
    counters = Counters(ratings, KINDS[kind])
    flow = Flow((2.0, 2.0), (6.0, 6.0))
    counters.look_ahead(flow, 0.01, 0.1, {"energy": gain, "charge": gain})
    moments = np.cumsum([interval for interval, _, _ in readings])
    current = np.array([amperes for _, amperes, _ in readings])
    power = current * np.array([volts for _, _, volts in readings])
    counters.add(float(moments[0]), float(current[0]), float(power[0]))
    single = copy.deepcopy(counters)
    totals = Totals(counters, moments[1:], current[1:], power[1:])
    rows = list(zip(*(c[1:].tolist() for c in (moments, current, power)), strict=True))
    taken = min(taken, len(rows))
    near_at = len(rows)
    for k, row in enumerate(rows):
        if single.add(*row):
            near_at = min(near_at, k)
        assert (float(totals.charge[k]), float(totals.energy[k])) == (single.charge, single.energy)
        if k + 1 == taken:
            expected = state(single)
    assert totals.safe == near_at
    totals.keep(taken)
    assert state(counters) == expected


def test_the_first_of_many_for_which_something_holds() -> None:
    assert first_of(np.array([False, True, True]), 3) == 1
    assert first_of(np.array([False, False]), 2) == 2
    # A condition that no column is in has one answer for all.
    assert (first_of(True, 7), first_of(np.bool_(False), 7)) == (0, 7)
