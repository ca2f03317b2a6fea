"""A run's record that is kept in memory for as long as its results are worked out.

It takes what the engine tells a record, and gives what results and margins are worked out from.
Steps, events and notes are let go.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import TYPE_CHECKING

import numpy as np

from sequencer.record.rows import Stream, TraceRow

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from sequencer.record import GuardRow
    from sequencer.record.blocks import Column, Row

    Array = NDArray[np.float64]


class KeptStream:
    """The rows of one stream, as the engine puts them there: singly, or as columns."""

    def __init__(self) -> None:
        self.count = 0
        self._rows: list[Row] = []
        self.append = self._rows.append
        """Take one row: a float a column."""
        self._pieces: list[tuple[int, Sequence[Column]]] = []
        self._columns: dict[int, Array] = {}

    def extend(self, columns: Sequence[Column], count: int) -> None:
        """Take so many rows, given as columns."""
        self.flush()
        self._columns.clear()
        self._pieces.append((count, columns))
        self.count += count

    def flush(self) -> None:
        """Turn rows that came singly into columns."""
        if self._rows:
            self._columns.clear()
            self._pieces.append((len(self._rows), [*np.array(self._rows).T.copy()]))
            self.count += len(self._rows)
            self._rows.clear()

    def different(self, place: int) -> frozenset[float]:
        """The values that one column has."""
        self.flush()
        found = [(count, columns[place]) for count, columns in self._pieces]
        each = [{c} if isinstance(c, float) else set(c[:n].tolist()) for n, c in found]
        return frozenset().union(*each)

    def forget(self) -> None:
        """Let go of all rows, as somebody else may still hold the stream."""
        self._rows.clear()
        self._pieces.clear()
        self._columns.clear()
        self.count = 0

    @property
    def rows(self) -> int:
        """How many rows there are, those that came singly among them."""
        return self.count + len(self._rows)

    def column(self, place: int) -> Array:
        """One column of all rows so far."""
        self.flush()
        if place not in self._columns:
            found = ((count, columns[place]) for count, columns in self._pieces)
            self._columns[place] = np.concatenate(
                [np.full(count, c) if isinstance(c, float) else c[:count] for count, c in found]
            )
        return self._columns[place]


class Kept:
    """What one run tells its record, as far as anything is worked out from it.

    It stands in the place of a record's writer; `tables` and `traces` are for `KeptRun`.
    """

    def __init__(self) -> None:
        self.tables: dict[str, tuple[Stream, KeptStream]] = {}
        self.traces: dict[str, TraceRow] = {}

    @property
    def rows(self) -> int:
        """How many rows there are, all streams together."""
        return sum(stream.rows for _, stream in self.tables.values())

    def forget(self) -> None:
        """Let go of all rows."""
        for _, stream in self.tables.values():
            stream.forget()

    # As a writer

    def stream(self, name: str, columns: Sequence[str], at_once: bool = False) -> KeptStream:
        """Where the rows of a stream go."""
        if name not in self.tables:
            stream = Stream(len(self.tables), name, tuple(columns))
            self.tables[name] = stream, KeptStream()
        return self.tables[name][1]

    def trace(
        self,
        number: int,
        name: str,
        channels: Sequence[str],
        extra: Mapping[str, str] | None = None,
    ) -> None:
        """Announce a trace."""
        self.traces[name] = TraceRow(number, name, tuple(channels), dict(extra or {}))

    def begin_step(self, line: int, text: str, time: float) -> int:
        """A step begins."""
        return 0

    def end_step(self, sequence: int, time: float, times: int = 1) -> None:
        """A step has ended."""

    def event(self, *_: object, **more: object) -> None:
        """Something happened."""

    def note(self, *_: object) -> None:
        """The recipe says something."""

    def guards(self, rows: Iterable[GuardRow]) -> None:
        """Whoever works the guards out has them already."""

    def update(self, **more: object) -> None:
        """What a person typed is among the recipe's own values."""

    def commit(self) -> None:
        """There is no disk."""


class KeptRun:
    """The same to be read, once the run is over."""

    def __init__(self, kept: Kept) -> None:
        self._kept = kept

    def streams(self) -> dict[str, Stream]:
        """The tables of numbers by name."""
        return {name: stream for name, (stream, _) in self._kept.tables.items()}

    def stream(self, name: str) -> Stream:
        """A stream by its name."""
        return self._kept.tables[name][0]

    def traces(self) -> dict[str, TraceRow]:
        """The traces by name."""
        return self._kept.traces

    def trace_row(self, name: str) -> TraceRow:
        """Which readings a trace is made of."""
        return self._kept.traces[name]

    def blocks(self, stream: Stream, names: Sequence[str]) -> Iterator[list[Array]]:
        """The named columns of a stream: all rows at once, nothing where there is none."""
        kept = self._kept.tables[stream.name][1]
        kept.flush()
        if kept.count:
            yield [kept.column(stream.columns.index(name)) for name in names]

    def different(self, stream: str, column: str) -> frozenset[float]:
        """The values that a column of a stream has."""
        found, kept = self._kept.tables[stream]
        return kept.different(found.columns.index(column))
