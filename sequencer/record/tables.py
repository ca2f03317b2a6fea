"""Tables of a run's numbers, read a piece at a time: a trace, a channel's readings, all readings.

The readings of a channel that belong to a trace carry its number; the k-th of each channel make the
trace's row k. Memory is bounded whatever the length: a piece has 4096 rows at most. The module
knows no recipe and no calculation, and neither where its numbers are drawn nor what they are
written to.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from sequencer.record.failures import StoreError
from sequencer.record.rows import (
    QUANTITIES,
    SENSOR_UNITS,
    Stream,
    capture_stream,
    extra_stream,
    result_stream,
)

if TYPE_CHECKING:
    from sequencer.record.reader import Run

Column = NDArray[np.float64]
Piece = dict[str, Column]
"""Columns of one length by name; never none at all, so that a piece has a length."""
Source = Callable[[Collection[str]], Iterator[Piece]]
"""Gives those of its columns that are wanted, and one without a name where there is none."""

_OF_RECIPE = {"trace": "", "line": "of the recipe"}


class Table:
    """A table of numbers: its name, the unit of each column, its rows a piece at a time.

    `units` has the columns in order: "time" (s from the run's start), then what else there is, as
    `Trace` lists it. A place that has no value holds NaN, a reading past its range ±inf.
    """

    def __init__(self, name: str, units: Mapping[str, str], source: Source) -> None:
        self.name = name
        self.units = dict(units)
        self.source = source

    def pieces(self, columns: Sequence[str] | None = None) -> Iterator[list[Column]]:
        """Columns by their full names, all without any: arrays of shape (n,), n at most 4096.

        In the order of the names that are given, the pieces in the order of the rows. Raises
        StoreError that names the columns there are.
        """
        names = tuple(self.units) if columns is None else tuple(columns)
        for name in names:
            if name not in self.units:
                raise _no_column(self.name, name, self.units)
        return ([piece[name] for name in names] for piece in self.source(names))

    def read(self, columns: Sequence[str] | None = None) -> Piece:
        """The same columns whole, by name: arrays of one shape (rows,)."""
        names = tuple(self.units) if columns is None else tuple(columns)
        pieces = list(self.pieces(names))
        # A column's pieces are let go of before the next column is put together.
        parts = [[piece[k] for piece in pieces] for k in range(len(names))]
        pieces.clear()
        return {name: _whole(parts.pop(0)) for name in names}

    def full_name(self, column: str) -> str:
        """The full name of a column; a quantity alone means the only column of that quantity.

        Raises StoreError where there is no such column, or several.
        """
        return full_name(self.name, column, self.units)


class LazyColumns(Mapping[str, Column]):
    """The columns of a table, each read when it is first asked for.

    The record has to be open until then.
    """

    def __init__(self, table: Table) -> None:
        self._table = table
        self._read: dict[str, Column] = {}

    def __getitem__(self, name: str) -> Column:
        if name not in self._read:
            if name not in self._table.units:
                raise KeyError(name)
            self._read |= self._table.read([name])
        return self._read[name]

    def __contains__(self, name: object) -> bool:
        return name in self._table.units

    def __iter__(self) -> Iterator[str]:
        return iter(self._table.units)

    def __len__(self) -> int:
        return len(self._table.units)


def full_name(table: str, column: str, names: Collection[str]) -> str:
    """A column's full name among those of a table; see `Table.full_name`."""
    if column in names:
        return column
    found = [name for name in names if name.endswith(f".{column}")]
    if len(found) == 1:
        return found[0]
    raise _no_column(table, column, found or names, several=bool(found))


def _no_column(
    table: str, column: str, names: Collection[str], several: bool = False
) -> StoreError:
    held = f"{len(names)} columns {column}" if several else f"no column “{column}”"
    advice = "name one of them in full:" if several else "it has"
    return StoreError(f"“{table}” has {held}", f"{advice} {', '.join(names)}")


def table_of_trace(run: Run, name: str) -> Table:
    """A trace: its time, further columns, and the quantities of its channels.

    Its time is that of the first channel's readings. Where a run was cut off between the channels
    of a row, that row is left out. The rows of a capture are its samples, at their own times. A
    result that is a trace, as far as it is on record, goes by its name, too. Raises StoreError
    where the run has no trace of that name.
    """
    streams = run.streams()
    if result_stream(name) in streams:
        return table_of_result(run, name)
    found = run.trace_row(name)
    units = {"time": "s", **found.extra}
    samples = streams.get(capture_stream(name))
    if samples is not None:
        (channel,) = found.channels
        units |= _units(channel, QUANTITIES)
        return Table(name, units, _of_channel(run, samples, channel, ("time", *found.extra)))
    sources = [_of_extra(run, streams.get(extra_stream(name)), found.extra)] if found.extra else []
    for place, channel in enumerate(found.channels):
        stream = streams.get(channel)
        units |= _units(channel, stream.quantities if stream is not None else QUANTITIES)
        timed = ("time",) if place == 0 else ()
        sources.append(_of_channel(run, stream, channel, timed, found.number))
    return Table(name, units, lambda wanted: _aligned([source(wanted) for source in sources]))


def table_of_result(run: Run, name: str) -> Table:
    """A result that is a trace, which is on record where the recipe plots it.

    Raises StoreError where the run has none of that name.
    """
    stream = run.stream(result_stream(name))
    known = {"time": "s", **QUANTITIES, **SENSOR_UNITS, "power": "W"}
    units = {column: known.get(column.rpartition(".")[2], "") for column in stream.columns}

    def source(wanted: Collection[str]) -> Iterator[Piece]:
        names = [column for column in stream.columns if column in wanted]
        for block in run.blocks(stream, names or ("time",)):
            yield dict(zip(names or ("",), map(np.frombuffer, block), strict=True))

    return Table(name, units, source)


def table_of_channel(run: Run, channel: str, trace: float | None = None) -> Table:
    """All readings of a channel, or those that carry a trace's number (-1: of none).

    Besides its time and quantities each has the number of its `trace` and the `line` of the recipe.
    Raises StoreError where the run has no such channel.
    """
    stream = run.stream(channel)
    units = {"time": "s", **_OF_RECIPE, **_units(channel, stream.quantities)}
    own = ("time", *_OF_RECIPE)
    return Table(channel, units, _of_channel(run, stream, channel, own, trace))


def table_of_run(run: Run) -> Table:
    """All readings in the order of time, with the columns of every channel.

    Those of the other channels have no value in a row.
    """
    tables = [table_of_channel(run, name) for name in run.streams() if ":" not in name]
    units = {"time": "s", **_OF_RECIPE}
    for table in tables:
        units |= table.units

    def source(wanted: Collection[str]) -> Iterator[Piece]:
        names = tuple(dict.fromkeys(("time", *wanted)))
        return _merged([table.source(names) for table in tables], names)

    return Table(run.meta.id, units, source)


def _units(channel: str, quantities: Mapping[str, str]) -> dict[str, str]:
    """The columns of a channel with their units, the power among them."""
    return {f"{channel}.{name}": unit for name, unit in {**quantities, "power": "W"}.items()}


def _of_channel(
    run: Run,
    stream: Stream | None,
    channel: str,
    own: Collection[str],
    trace: float | None = None,
) -> Source:
    """The readings of a channel, or those of one trace, with those of its `own` columns."""
    power = f"{channel}.power"

    def source(wanted: Collection[str]) -> Iterator[Piece]:
        if stream is None:
            return
        stored = {name: "step" if name == "line" else name for name in own if name in wanted}
        for quantity in stream.quantities if "step" in stream.columns else QUANTITIES:
            if f"{channel}.{quantity}" in wanted:
                stored[f"{channel}.{quantity}"] = quantity
        read = dict.fromkeys(stored.values())
        if power in wanted:
            read |= dict.fromkeys(("voltage", "current"))
        if trace is not None or not read:
            read["trace" if trace is not None else "time"] = None
        for block in run.blocks(stream, tuple(read)):
            columns = dict(zip(read, map(np.frombuffer, block), strict=True))
            if trace is not None:
                mine = columns["trace"] == trace
                if not mine.all():
                    columns = {name: column[mine] for name, column in columns.items()}
            piece = {name: columns[column] for name, column in stored.items()}
            if power in wanted:
                with np.errstate(invalid="ignore", over="ignore"):  # inf * 0 is NaN
                    piece[power] = columns["voltage"] * columns["current"]
            yield piece or {"": columns.popitem()[1]}

    return source


def _of_extra(run: Run, stream: Stream | None, extra: Collection[str]) -> Source:
    """A trace's further columns."""

    def source(wanted: Collection[str]) -> Iterator[Piece]:
        names = [name for name in extra if name in wanted]
        for block in run.blocks(stream, names or ("time",)) if stream is not None else ():
            yield dict(zip(names or ("",), map(np.frombuffer, block), strict=True))

    return source


def _aligned(sources: list[Iterator[Piece]]) -> Iterator[Piece]:
    """Tables side by side, row k of each making row k, as far as the shortest goes."""
    if len(sources) == 1:
        yield from sources[0]
        return
    held: list[Piece] = [{} for _ in sources]
    while True:
        for k, source in enumerate(sources):
            while not _rows(held[k]):
                piece = next(source, None)
                if piece is None:
                    return
                held[k] = piece
        rows = min(_rows(piece) for piece in held)
        yield {name: column[:rows] for piece in held for name, column in piece.items()}
        held = [{name: column[rows:] for name, column in piece.items()} for piece in held]


def _whole(parts: list[Column]) -> Column:
    if len(parts) == 1:
        return parts[0]
    return np.concatenate(parts or [np.empty(0)])


def _rows(piece: Piece) -> int:
    return len(next(iter(piece.values()), ()))


def _merged(sources: list[Iterator[Piece]], names: Sequence[str]) -> Iterator[Piece]:
    """Tables one into the other in the order of time; what one has no column for has no value."""
    held = [next(source, None) for source in sources]
    while any(piece is not None for piece in held):
        until = min(piece["time"][-1] for piece in held if piece is not None)
        taken: list[Piece] = []
        for k, piece in enumerate(held):
            if piece is None:
                continue
            time = piece["time"]
            rows = len(time) if time[-1] <= until else int(np.searchsorted(time, until, "right"))
            taken.append({name: column[:rows] for name, column in piece.items()})
            rest = {name: column[rows:] for name, column in piece.items()}
            held[k] = rest if rows < len(time) else next(sources[k], None)
        order = np.argsort(np.concatenate([piece["time"] for piece in taken]), kind="stable")
        yield {
            name: np.concatenate(
                [piece.get(name, np.full(len(piece["time"]), np.nan)) for piece in taken]
            )[order]
            for name in names
        }
