"""Traces with an offset taken from one of their columns and from all that follows from it.

Functions of a trace, since charge, energy and power of its channel follow; the arithmetic is that
of `columns.py`.
"""

from __future__ import annotations

import numpy as np

from sequencer.analysis.calculations import columns
from sequencer.analysis.calculations.picking import full_name
from sequencer.analysis.calculations.readings import (
    Floats,
    Table,
    Trace,
    require_readings,
)


def without_offset(trace: Trace, column: str, offset: float) -> Table:
    """The trace with an offset taken from every reading of a column; see `_less`.

    Raises NotWorkedOut where it has no row, or a time that does not rise.
    """
    require_readings(trace.columns["time"])
    taken = np.full(len(trace.columns["time"]), offset)
    return _less(trace, column, taken, "less an offset")


def without_drift(trace: Trace, column: str, before: float, after: float) -> Table:
    """The trace with an offset taken from a column that drifts; see `columns.even_drift`."""
    taken = columns.even_drift(trace.columns["time"], before, after)
    return _less(trace, column, taken, "less an offset that drifts evenly")


def _less(trace: Trace, column: str, taken: Floats, method: str) -> Table:
    """The trace with an offset, shape (n,), taken from a column and from all that follows from it.

    Equations: x_k − o_k; of a channel's voltage u or current i, the power u i anew, the counters
    q − ∫ o_i dt and E − ∫ o_i u dt or E − ∫ o_u i dt, by trapezoids over the rows. Without that,
    charge and energy of the trace would still hold the offset times the time.
    """
    time, name = trace.columns["time"], full_name(trace, column)
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
            with np.errstate(invalid="ignore"):  # over range less over range is no number
                changed[counted] = changed[counted] - columns.running_integral(time, flow)
    if beside is not None and f"{channel}.power" in changed:
        changed[f"{channel}.power"] = changed[name] * beside
    return Table(trace.name, changed, f"{column} {method}")
