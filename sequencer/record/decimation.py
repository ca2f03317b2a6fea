"""Long tables made short enough to draw: of each stretch of time the rows that a picture shows.

A picture some thousand points wide shows of each of its columns the least and the greatest value
alone; these rows are kept as they are, and nothing is averaged. Memory is bounded by the number of
buckets, whatever the length of the table. The module knows no picture.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from itertools import pairwise

import numpy as np

from sequencer.record.tables import Column, Piece, Table

BUCKETS = 4000


def decimate(
    table: Table,
    lines: Sequence[Sequence[str]],
    buckets: int = BUCKETS,
    *,
    logarithmic: bool = False,
) -> list[Piece]:
    """The rows of a table that its pictures need, in one pass for several lines.

    A line is what is drawn together: `("smu.voltage",)` against time, or `("smu.current",
    "smu.voltage")` one against the other. Of each bucket of time those rows are kept in which a
    column of the line is least or greatest among its finite values, the first of each kind that
    isn't finite (NaN, +inf, -inf), so that a gap stays one, and the first and last row of all. Of
    equal values the first counts. A table of at most two rows a bucket is kept whole.

    Args:
        table: rows in the order of time.
        lines: the columns of each line, by their full names.
        buckets: how many stretches of equal length the time is divided into.
        logarithmic: divide it evenly in the logarithm of the time since the first row, too, for a
            picture with such an axis.

    Returns:
        Of each line its columns and "time" by name, float64, of one shape (rows kept,).

    Raises:
        StoreError: a column that the table hasn't, or the store can't be read.
    """
    names = [tuple(dict.fromkeys(("time", *line))) for line in lines]
    every = tuple(dict.fromkeys(name for line in names for name in line))
    count, first, second, last = _extent(table)
    if count <= 2 * buckets:
        whole = table.read(every)
        return [{name: whole[name] for name in line} for line in names]
    edges = _edges(first, second, last, buckets, logarithmic)
    kept: list[list[Piece]] = [[] for _ in names]
    for columns in table.pieces(every):
        piece = dict(zip(every, columns, strict=True))
        bounds = _bounds(piece["time"], edges)
        for line, parts in zip(names, kept, strict=True):
            parts.append(_thinned({name: piece[name] for name in line}, bounds))
    # A bucket may lie in several pieces: the same once more, over what was kept of each.
    found = []
    for line, parts in zip(names, kept, strict=True):
        joined = {name: np.concatenate([part[name] for part in parts]) for name in line}
        found.append(_thinned(joined, _bounds(joined["time"], edges)))
    return found


def _extent(table: Table) -> tuple[int, float, float, float]:
    """How many rows a table has, and the times (s) of its first, second and last row."""
    count, ends = 0, [0.0, 0.0, 0.0]
    for (time,) in table.pieces(("time",)):
        for place in range(count, min(2, count + len(time))):
            ends[place] = float(time[place - count])
        if len(time):
            ends[2] = float(time[-1])
        count += len(time)
    return count, ends[0], ends[1], ends[2]


def _edges(first: float, second: float, last: float, buckets: int, logarithmic: bool) -> Column:
    """The times (s) at which one bucket ends and the next begins, rising."""
    even = np.linspace(first, last, buckets + 1)[1:-1]
    if not logarithmic or not first < second < last:
        return even
    return np.union1d(even, first + np.geomspace(second - first, last - first, buckets)[:-1])


def _bounds(time: Column, edges: Column) -> list[int]:
    """The first row of each bucket that holds any, and the number of rows behind them."""
    if not len(time):
        return []
    first, last = np.searchsorted(edges, time[[0, -1]], "right")
    starts = np.searchsorted(time, edges[first:last])
    return [*sorted({0, *starts.tolist()}), len(time)]


def _thinned(piece: Piece, bounds: Sequence[int]) -> Piece:
    """The rows of a piece in which a column is extreme in a bucket, and its first and last."""
    rows = {bounds[0], bounds[-1] - 1} if bounds else set()
    for name, column in piece.items():
        if name != "time":
            for start, end in pairwise(bounds):
                rows.update(_shown(column[start:end], start))
    kept = sorted(rows)
    return {name: column[kept] for name, column in piece.items()}


def _shown(values: Column, start: int) -> Iterable[int]:
    """The rows of the least and greatest finite value, and of the first of each other kind."""
    low, high = int(values.argmin()), int(values.argmax())  # of a NaN, where there is one
    if math.isfinite(values[low]) and math.isfinite(values[high]):
        return start + low, start + high
    kinds = (np.isnan(values), values == np.inf, values == -np.inf)
    rows = [int(kind.argmax()) for kind in kinds if kind.any()]
    finite = np.flatnonzero(np.isfinite(values))
    if len(finite):
        rows += [int(finite[values[finite].argmin()]), int(finite[values[finite].argmax()])]
    return [start + row for row in rows]
