"""From a trace to the arrays that a calculation takes: its columns, by what its signature names.

Knows traces and signatures; works nothing out.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np

from sequencer.analysis.calculations.readings import (
    Calculated,
    Floats,
    NotWorkedOut,
    Several,
    Table,
    Trace,
)
from sequencer.analysis.signatures import Signature

Answer = Calculated | Several | Table


def on_traces(
    signature: Signature, function: Callable[..., Answer], quantities: tuple[str, ...]
) -> Callable[..., Answer]:
    """A function of arrays as one of traces, with the arguments of its signature.

    Of each trace it is given the time and the `quantities` of its only channel, then the columns
    that are named, all as arrays; after a column its own channel's limit, where `quantities` have
    it as "light.limited"; spans and values by their names, those left out not at all. A
    table that it answers with is completed by the other columns of the first trace, see `_whole`.
    """
    names = [parameter.name for parameter in signature.parameters]

    def calculate(*arguments: Any, **named: Any) -> Answer:
        given = dict(zip(names[: len(arguments)], arguments, strict=True)) | named
        arrays: list[Floats] = []
        trace: Trace | None = None
        first: Trace | None = None
        for parameter in signature.parameters:
            if parameter.takes == "trace":
                trace = given.pop(parameter.name)
                first = first or trace
                assert trace is not None
                own = [of_channel(trace, q) for q in quantities if "." not in q]
                arrays += [trace.columns["time"], *own]
            elif parameter.takes == "column":
                assert trace is not None
                name = full_name(trace, given.pop(parameter.name, parameter.name))
                arrays.append(trace.columns[name])
                if f"{parameter.name}.limited" in quantities:
                    arrays.append(_limited(trace, name.partition(".")[0]))
        answer = function(*arrays, **given)
        if isinstance(answer, Table):
            assert first is not None
            return _whole(first, answer)
        return answer

    return calculate


def _whole(trace: Trace, worked: Table) -> Table:
    """A table of some quantities of a trace's channel, with all the columns of the trace.

    Quantities that the channel has replace its own, others stand beside them; the power is that of
    the new voltage and current. The columns that the table leaves out are read off at its times, on
    the line between two rows of the trace.
    """
    channel, time = channel_of(trace), worked.columns["time"]
    columns = {name: np.interp(time, trace.columns["time"], c) for name, c in trace.columns.items()}
    for quantity, values in worked.columns.items():
        name = f"{channel}.{quantity}"
        columns[name if name in trace.columns else quantity] = values
    if f"{channel}.power" in columns:
        product = columns[f"{channel}.voltage"] * columns[f"{channel}.current"]
        columns[f"{channel}.power"] = product
    return Table(trace.name, columns, worked.method)


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


def of_channel(trace: Trace, quantity: str) -> Floats:
    """A quantity of a trace's only channel, or a column of that very name, shape (n,).

    Raises:
        NotWorkedOut: several channels or none, or the channel has no such quantity.
    """
    if quantity in trace.columns:
        return trace.columns[quantity]
    channel = channel_of(trace)
    if quantity == "limited":
        return _limited(trace, channel)
    return column_of(trace, f"{channel}.{quantity}")


def _limited(trace: Trace, channel: str) -> Floats:
    """Whether a channel's limit was in control; a channel that only measures has none."""
    none = np.zeros(len(trace.columns["time"]))
    return trace.columns.get(f"{channel}.limited", none)


def column_of(trace: Trace, column: str) -> Floats:
    """A column by its name; a quantity alone means the only column of that quantity.

    Raises:
        NotWorkedOut: there is no such column, or several.
    """
    return trace.columns[full_name(trace, column)]


def full_name(trace: Trace, column: str) -> str:
    """The full name of a column; a quantity alone means the only column of that quantity.

    Raises:
        NotWorkedOut: there is no such column, or several.
    """
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
