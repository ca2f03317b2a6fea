"""The calculations that `results:` may call, by name: which columns of a trace each one takes.

The functions of arrays stand beside this file, one file a kind of part; those here take a trace and
pick its columns. Their names and arguments are those of `sequencer.analysis.signatures`.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

from sequencer.analysis.calculations import capacitor
from sequencer.analysis.calculations import trace as any_trace
from sequencer.analysis.calculations.readings import (
    Calculated,
    Ends,
    Floats,
    NoStart,
    NotWorkedOut,
    Trace,
)

__all__ = [
    "CALCULATIONS",
    "Calculated",
    "NoStart",
    "NotWorkedOut",
    "Trace",
    "capacitance",
    "channel_of",
    "charge",
    "energy",
    "internal_resistance",
    "maximum",
    "mean",
    "minimum",
    "slope",
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


CALCULATIONS: Mapping[str, Callable[..., Calculated]] = {
    function.__name__: function
    for function in (
        capacitance, internal_resistance, energy, charge, mean, minimum, maximum, slope,
    )
}  # fmt: skip


def channel_of(trace: Trace) -> str:
    """The one channel of a trace. Raises NotWorkedOut where it holds several."""
    channels = [n.removesuffix(".voltage") for n in trace.columns if n.endswith(".voltage")]
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
    if column in trace.columns:
        return trace.columns[column]
    found = [name for name in trace.columns if name.endswith(f".{column}")]
    if len(found) == 1:
        return trace.columns[found[0]]
    held = f"{len(found)} columns {column} ({', '.join(found)})" if found else f"no column {column}"
    raise NotWorkedOut(
        f"the trace “{trace.name}” holds {held}",
        f"a column named in full, as in {found[0]}" if found else "that column: measure it into it",
    )


def _terminals(trace: Trace) -> tuple[Floats, Floats, Floats, Floats]:
    """Time, voltage, current and the limit's flag of the trace's only channel."""
    channel = channel_of(trace)
    voltage, current, limited = (
        trace.columns[f"{channel}.{quantity}"] for quantity in ("voltage", "current", "limited")
    )
    return trace.columns["time"], voltage, current, limited
