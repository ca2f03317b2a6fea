"""What an instrument does besides giving is in the worst case: leaking while off, slow readings."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from drivers.bench_file import BenchFile
from drivers.figures import RangeSettling
from sequencer.checker.worst.worst_case import Row
from tests.sequencer.checker_worst.test_table import CAPACITOR, bench, worst_of

STEPS = """steps:
    source smu voltage 1 V, limit 1 mA
    output smu on
    measure smu
    output smu off
"""


def with_figures(**figures: Any) -> BenchFile:
    """The demo bench with an instrument that has these figures."""
    on = bench()
    changed = on.specifications["smu"].model_copy(update=figures)
    return replace(on, specifications={"smu": changed})


def row(quantity: str, **figures: Any) -> Row:
    (part,) = worst_of(CAPACITOR + STEPS, with_figures(**figures)).parts
    return part.rows[quantity]


def test_an_output_that_is_off_leaks_what_the_part_may_hold() -> None:
    """2.8 V and -50 mV of the rating over 10 ohm: -280 mA and 5 mA, beyond the limit of 1 mA."""
    plain, leaking = row("current"), row("current", off_leakage_resistance=10.0)
    assert leaking.low == pytest.approx(-0.28, rel=1e-12)
    assert plain.low > -0.01
    assert leaking.high == max(plain.high, 0.005)


def test_readings_in_turn_and_ranges_that_are_waited_for_take_longer() -> None:
    """One reading of 20 ms more, and its skew; with a range that settles twice all of that.

    The look before the output goes on has four readings and two pushes with one, the step itself
    one, the end one more where the output is read once it is off.
    """

    def longest_s(**figures: Any) -> float:
        return worst_of(CAPACITOR + STEPS, with_figures(**figures)).longest_s

    plain = longest_s()
    turn = longest_s(measures="sequential", skew=0.005)
    readings = (turn - plain) / 0.025
    assert readings == pytest.approx(round(readings), abs=1e-6)
    assert readings >= 7
    waited = RangeSettling.model_construct(wait=0.1, error=0.0, decay=0.0)
    both = longest_s(measures="sequential", skew=0.005, range_settling=waited)
    assert both - plain == pytest.approx(readings * (2 * (0.045 + 0.1) - 0.02), rel=1e-6)
