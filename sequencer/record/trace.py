"""A trace as a table of numpy arrays, put together from the streams of its channels.

The readings of a channel that belong to a trace carry its number; the k-th of each channel make its
row k. The module knows no recipe and no calculation.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from sequencer.record.rows import QUANTITIES, Stream, TraceRow, capture_stream, extra_stream

if TYPE_CHECKING:
    from sequencer.record.reader import Run


Column = NDArray[np.float64]


@dataclass(frozen=True)
class Trace:
    """A table of one length throughout.

    `columns` has "time" (s from the run's start; with several channels, that of the first one's
    reading), loop variables and further columns by their names, and "CHANNEL.quantity" with voltage
    (V), current (A), power (W, the product of the two), limited (1 where the limit was in control),
    level (V or A, as sourced), charge (C), energy (J), voltage_range (V), current_range (A), and of
    a channel that reads a sensor its quantity (SI). A place that has no value holds NaN. The rows
    of a capture are its samples, at their own times.
    """

    name: str
    columns: dict[str, Column]

    def __len__(self) -> int:
        return len(self.columns["time"])


def read_trace(run: Run, name: str) -> Trace:
    """Put a trace together. Raises StoreError where the run has none of that name.

    Where a run was cut off between the channels of a row, that row is left out.
    """
    found = run.trace_row(name)
    streams = run.streams()
    if capture_stream(name) in streams:
        return _read_capture(run, found)
    empty = np.empty(0)
    columns = {"time": empty}
    if found.extra:
        extra = extra_stream(name)
        own = run.columns(extra, ("time", *found.extra)) if extra in streams else {}
        columns = {key: own.get(key, empty) for key in ("time", *found.extra)}
    for place, channel in enumerate(found.channels):
        stream = streams.get(channel)
        own = _readings(run, stream, found.number) if stream is not None else {}
        if place == 0:
            columns["time"] = own.get("time", empty)
        names = stream.quantities if stream is not None else QUANTITIES
        columns |= _of_channel(channel, {key: own.get(key, empty) for key in names})
    rows = min(len(column) for column in columns.values())
    return Trace(name, {key: column[:rows] for key, column in columns.items()})


def _of_channel(channel: str, own: dict[str, Column]) -> dict[str, Column]:
    """A channel's quantities under their names in a trace, the power among them."""
    columns = {f"{channel}.{key}": own[key] for key in own}
    with np.errstate(invalid="ignore"):  # over range times nothing is no number
        columns[f"{channel}.power"] = own["voltage"] * own["current"]
    return columns


def _read_capture(run: Run, found: TraceRow) -> Trace:
    (channel,) = found.channels
    own = run.columns(capture_stream(found.name))
    columns = {key: own[key] for key in ("time", *found.extra)}
    return Trace(found.name, columns | _of_channel(channel, {key: own[key] for key in QUANTITIES}))


def _readings(run: Run, stream: Stream, number: int) -> dict[str, Column]:
    names = ("trace", "time", *stream.quantities)
    kept: list[list[Column]] = [[] for _ in names]
    for block in run.blocks(stream, names):
        arrays = [np.frombuffer(column) for column in block]
        mine = arrays[0] == number
        for parts, values in zip(kept, arrays, strict=True):
            parts.append(values[mine])
    return {
        name: np.concatenate(parts or [np.empty(0)])
        for name, parts in zip(names, kept, strict=True)
    }
