"""The calculations that `results:` may call, by name: which columns of a trace each one takes.

The functions of arrays stand beside this file, one file a kind of part; those here take a trace and
pick its columns. Their names and arguments are those of `sequencer.analysis.signatures`.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

import numpy as np

from sequencer.analysis.calculations import capacitor, columns
from sequencer.analysis.calculations import trace as any_trace
from sequencer.analysis.calculations.readings import (
    Calculated,
    Ends,
    Floats,
    NoStart,
    NotWorkedOut,
    Several,
    Table,
    Trace,
)

__all__ = [
    "CALCULATIONS",
    "Calculated",
    "NoStart",
    "NotWorkedOut",
    "Several",
    "Table",
    "Trace",
    "capacitance",
    "channel_of",
    "charge",
    "column_of",
    "crossing_time",
    "energy",
    "integral",
    "internal_resistance",
    "line_fit",
    "maximum",
    "mean",
    "minimum",
    "slope",
    "spread",
    "value_at",
    "without_drift",
    "without_offset",
]


def capacitance(trace: Trace, between: Ends) -> Calculated:
    """Capacitance (F) between two voltages (V); see `capacitor.capacitance`."""
    return capacitor.capacitance(*_terminals(trace), between)


def internal_resistance(
    trace: Trace, between: Ends, before: tuple[float, float, float] | None = None
) -> Calculated:
    """Internal resistance (Ω) by the line between two voltages (V).

    `before` is time (s), voltage (V) and current (A) of the channel's newest reading before the
    trace; see `capacitor.internal_resistance`.
    """
    return capacitor.internal_resistance(*_terminals(trace), between, before)


def energy(trace: Trace) -> Calculated:
    """Energy (J) that went into the part, net; see `trace.counted_difference`."""
    channel = channel_of(trace)
    counter = trace.columns[f"{channel}.energy"]
    return any_trace.counted_difference(trace.columns["time"], counter, "energy")


def charge(trace: Trace) -> Calculated:
    """Charge (C) that went into the part, net; see `trace.counted_difference`."""
    channel = channel_of(trace)
    counter = trace.columns[f"{channel}.charge"]
    return any_trace.counted_difference(trace.columns["time"], counter, "charge")


def mean(trace: Trace, column: str, part: Ends | None = None) -> Calculated:
    """Mean of a column; see `trace.mean`."""
    return any_trace.mean(trace.columns["time"], column_of(trace, column), part)


def minimum(trace: Trace, column: str, part: Ends | None = None) -> Calculated:
    """Smallest value of a column; see `trace.minimum`."""
    return any_trace.minimum(trace.columns["time"], column_of(trace, column), part)


def maximum(trace: Trace, column: str, part: Ends | None = None) -> Calculated:
    """Largest value of a column; see `trace.maximum`."""
    return any_trace.maximum(trace.columns["time"], column_of(trace, column), part)


def slope(trace: Trace, column: str, part: Ends | None = None) -> Calculated:
    """Slope of a column against time (its unit per second); see `trace.slope`."""
    return any_trace.slope(trace.columns["time"], column_of(trace, column), part)


def spread(trace: Trace, column: str, part: Ends | None = None) -> Calculated:
    """Standard deviation of a column; see `trace.spread`."""
    return any_trace.spread(trace.columns["time"], column_of(trace, column), part)


def value_at(trace: Trace, column: str, moment: float) -> Calculated:
    """A column at a time (s) after the first row; see `trace.value_at`."""
    return any_trace.value_at(trace.columns["time"], column_of(trace, column), moment)


def integral(trace: Trace, column: str, part: Ends | None = None) -> Calculated:
    """Integral of a column over time (its unit times s); see `trace.integral`."""
    return any_trace.integral(trace.columns["time"], column_of(trace, column), part)


def crossing_time(trace: Trace, column: str, level: float, part: Ends | None = None) -> Calculated:
    """Time (s) at which a column first passes a level; see `trace.crossing_time`."""
    return any_trace.crossing_time(trace.columns["time"], column_of(trace, column), level, part)


def line_fit(trace: Trace, y: str, x: str, between: Ends | None = None) -> Several:
    """Straight line of one column against another; see `columns.line_fit`."""
    return columns.line_fit(
        trace.columns["time"], column_of(trace, y), column_of(trace, x), between
    )


def without_offset(trace: Trace, column: str, offset: float) -> Table:
    """The trace with an offset taken from every reading of a column; see `_less`."""
    taken = np.full(len(trace.columns["time"]), offset)
    return _less(trace, column, taken, "less an offset")


def without_drift(trace: Trace, column: str, before: float, after: float) -> Table:
    """The trace with an offset taken from a column that drifts; see `columns.even_drift`."""
    taken = columns.even_drift(trace.columns["time"], before, after)
    return _less(trace, column, taken, "less an offset that drifts evenly")


CALCULATIONS: Mapping[str, Callable[..., Calculated | Several | Table]] = {
    function.__name__: function
    for function in (
        capacitance, internal_resistance, energy, charge, mean, spread, minimum, maximum, value_at,
        slope, line_fit, integral, crossing_time, without_offset, without_drift,
    )
}  # fmt: skip


def channel_of(trace: Trace) -> str:
    """The one channel of a trace. Raises NotWorkedOut where it holds several."""
    channels = [
        name.removesuffix(".voltage")
        for name in trace.columns
        if name.endswith(".voltage") and name.replace(".voltage", ".current") in trace.columns
    ]
    if len(channels) != 1:
        held = f"{len(channels)} channels ({', '.join(channels)})" if channels else "no channel"
        raise NotWorkedOut(
            f"the trace “{trace.name}” holds {held}, and it isn't said which is meant",
            "a trace of the part's own channel: measure each channel into one of its own",
        )
    return channels[0]


def column_of(trace: Trace, column: str) -> Floats:
    """A column by its name; a quantity alone means the only column of that quantity.

    Raises:
        NotWorkedOut: there is no such column, or several.
    """
    return trace.columns[_full_name(trace, column)]


def _full_name(trace: Trace, column: str) -> str:
    if column in trace.columns:
        return column
    found = [name for name in trace.columns if name.endswith(f".{column}")]
    if len(found) == 1:
        return found[0]
    held = f"{len(found)} columns {column} ({', '.join(found)})" if found else f"no column {column}"
    raise NotWorkedOut(
        f"the trace “{trace.name}” holds {held}",
        f"a column named in full, as in {found[0]}" if found else "that column: measure it into it",
    )


def _less(trace: Trace, column: str, taken: Floats, method: str) -> Table:
    """The trace with an offset, shape (n,), taken from a column and from all that follows from it.

    Equations: x_k − o_k; of a channel's voltage u or current i, the power u i anew, the counters
    q − ∫ o_i dt and E − ∫ o_i u dt or E − ∫ o_u i dt, by trapezoids over the rows. Without that,
    charge and energy of the trace would still hold the offset times the time.
    """
    time, name = trace.columns["time"], _full_name(trace, column)
    changed = {**trace.columns, name: trace.columns[name] - taken}
    channel, _, quantity = name.partition(".")
    other = {"voltage": "current", "current": "voltage"}.get(quantity)
    beside = trace.columns.get(f"{channel}.{other}")
    flows = {
        "charge": taken if quantity == "current" else None,
        "energy": taken * beside if beside is not None else None,
    }
    for counter, flow in flows.items():
        counted = f"{channel}.{counter}"
        if flow is not None and counted in changed:
            changed[counted] = changed[counted] - columns.running_integral(time, flow)
    if beside is not None and f"{channel}.power" in changed:
        changed[f"{channel}.power"] = changed[name] * beside
    return Table(trace.name, changed, f"{column} {method}")


def _terminals(trace: Trace) -> tuple[Floats, Floats, Floats, Floats]:
    """Time, voltage, current and the limit's flag of the trace's only channel."""
    channel = channel_of(trace)
    time = trace.columns["time"]
    voltage, current = (trace.columns[f"{channel}.{name}"] for name in ("voltage", "current"))
    # A channel that only measures has no limit that could be in control.
    limited = trace.columns.get(f"{channel}.limited", np.zeros(len(time)))
    return time, voltage, current, limited
