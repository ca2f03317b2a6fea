"""Signatures of calculations that any trace bears: they know no kind of part."""

from __future__ import annotations

from grammar.quantity import (
    CHARGE,
    ENERGY,
    FREQUENCY,
    RESISTANCE,
    TIME,
)
from sequencer.analysis.signatures.signature import (
    COLUMN,
    PART,
    TRACE,
    Parameter,
    Signature,
    difference_of,
    like,
    over,
)

ANY_TRACE = (
    Signature(
        "mean", (TRACE, COLUMN, PART), {"": like("column")},
        "mean of a column, each reading alike",
    ),
    Signature(
        "spread", (TRACE, COLUMN, PART), {"": difference_of("column")},
        "standard deviation of a column's readings",
    ),
    Signature(
        "minimum", (TRACE, COLUMN, PART), {"": like("column")}, "smallest of a column"
    ),
    Signature(
        "maximum", (TRACE, COLUMN, PART), {"": like("column")}, "largest of a column"
    ),
    Signature(
        "value_at",
        (TRACE, COLUMN, Parameter("moment", "value", TIME)),
        {"": like("column")},
        "a column at a time after the first row, between readings on the line between them",
    ),
    Signature(
        "slope", (TRACE, COLUMN, PART), {"": over("column", TIME)},
        "slope of a column against time, by least squares",
    ),
    Signature(
        "line_fit",
        (
            TRACE, Parameter("y", "column"), Parameter("x", "column"),
            Parameter("between", "span", like("x"), "all of it"),
        ),
        {
            "slope": over("y", "x"), "intercept": like("y"), "spread": difference_of("y"),
            "slope_uncertainty": over("y", "x"), "intercept_uncertainty": difference_of("y"),
        },
        "straight line of one column against another by least squares: slope, value at x = 0, "
        "standard deviation about it, standard uncertainties of both by it",
    ),
    Signature(
        "integral",
        (TRACE, COLUMN._replace(scaled=True), PART),
        {"": lambda given: given["column"].times(TIME)},
        "integral of a column over time, by trapezoids",
    ),
    Signature(
        "energy", (TRACE,), {"": ENERGY}, "difference of the recorded energy counter"
    ),
    Signature(
        "charge", (TRACE,), {"": CHARGE}, "difference of the recorded charge counter"
    ),
    Signature(
        "crossing_time",
        (TRACE, COLUMN, Parameter("level", "value", like("column")), PART),
        {"": TIME},
        "time from the first row to where a column first passes a level",
    ),
    Signature(
        "settling_time",
        (TRACE, COLUMN, Parameter("band", "value", difference_of("column"))),
        {"": TIME},
        "time after which a column stays within ± a band of its mean over the last tenth",
    ),
    Signature(
        "time_constant", (TRACE, COLUMN, PART), {"": TIME},
        "time constant of a column that settles exponentially, by least squares",
    ),
    Signature(
        "two_time_constants", (TRACE, COLUMN, PART),
        {
            "fast": TIME, "slow": TIME, "fast_change": difference_of("column"),
            "slow_change": difference_of("column"), "final": like("column"),
        },
        "the two time constants of a column that settles as the sum of two exponentials, by least "
        "squares, and how much settles with each",
    ),
    Signature(
        "noise_density",
        (TRACE, COLUMN, Parameter("band", "span", FREQUENCY)),
        {"": lambda given: given["column"].over(FREQUENCY.power(0.5))._replace(point=False)},
        "mean spectral density of a column's noise in a band of frequencies",
    ),
    Signature(
        "allan_deviation",
        (TRACE, COLUMN, Parameter("averaging", "value", TIME)),
        {"": difference_of("column")},
        "Allan deviation of a column at an averaging time",
    ),
    Signature(
        "without_offset",
        (TRACE, COLUMN, Parameter("offset", "value", difference_of("column"))),
        {}, "the trace with an offset taken from one column", gives_trace=True,
    ),
    Signature(
        "without_drift",
        (
            TRACE, COLUMN,
            Parameter("before", "value", difference_of("column")),
            Parameter("after", "value", difference_of("column")),
        ),
        {}, "the trace with an offset taken from one column that drifts evenly from the first row "
        "to the last", gives_trace=True,
    ),
    Signature(
        "mean_resistance", (TRACE, PART), {"": RESISTANCE},
        "mean voltage over mean current, two-wire or four-wire as it was measured",
    ),
)  # fmt: skip
