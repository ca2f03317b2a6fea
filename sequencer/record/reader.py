"""Reading one run: what it was, what happened, and its numbers as columns.

Nothing here holds a snapshot of the store for longer than one block takes, so that a run which is
being written is never kept from shortening its log. numpy is loaded only when arrays are asked for.
"""

from __future__ import annotations

import json
import sqlite3
from array import array
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from sequencer.analysis.verdicts import Row
from sequencer.record.blocks import ROWS, unpack_column, unpack_rows
from sequencer.record.failures import StoreError, telling
from sequencer.record.rows import (
    EventRow,
    GuardRow,
    NoteRow,
    PlotRow,
    ResultRow,
    RunMeta,
    StepRow,
    Stream,
    TraceRow,
)
from sequencer.record.schema import version_of

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from sequencer.record.trace import Trace

Columns = list["array[float]"]


_JSON = {"settings", "conditions", "identities", "versions", "checks", "specifications"}


class Run:
    """One run of a store; lives as long as the store is open. Methods may raise StoreError."""

    def __init__(self, connection: sqlite3.Connection, path: Path, key: int) -> None:
        self._connection = connection
        self._path = path
        self._key = key

    @property
    def meta(self) -> RunMeta:
        """What the run was and how it ended, as of now."""
        row = self._all(f"SELECT {', '.join(RunMeta._fields)} FROM run WHERE key = ?")[0]  # noqa: S608
        values = dict(zip(RunMeta._fields, row, strict=True))
        for name in _JSON:
            values[name] = json.loads(values[name])
        values["ideal"] = bool(values["ideal"])
        return RunMeta(**values)

    def steps(self) -> list[StepRow]:
        """The executed steps in order."""
        rows = self._all(
            "SELECT sequence, line, text, start, stop, count FROM step WHERE run = ?"
            " ORDER BY sequence"
        )
        return [StepRow(*row) for row in rows]

    def events(self) -> list[EventRow]:
        """The events by time; those of one time in the order in which they were told."""
        rows = self._all(
            "SELECT time, kind, channel, text, exact, data FROM event WHERE run = ?"
            " ORDER BY time, key"
        )
        return [EventRow._make((*row[:4], bool(row[4]), json.loads(row[5]))) for row in rows]

    def notes(self) -> list[NoteRow]:
        """The notes in the order in which they were made."""
        rows = self._all("SELECT time, author, text FROM note WHERE run = ? ORDER BY key")
        return [NoteRow(*row) for row in rows]

    def guards(self) -> list[GuardRow]:
        """How near each guard came, by name."""
        rows = self._all(
            "SELECT name, quantity, low, high, margin, margin_time, tripped FROM guard"
            " WHERE run = ? ORDER BY name"
        )
        return [GuardRow._make((*row[:6], bool(row[6]))) for row in rows]

    def results(self) -> list[ResultRow]:
        """Results and expectations in the recipe's order."""
        lines = self._all(
            "SELECT sequence, name, value, unit, title, text, verdict, method, reason FROM result"
            " WHERE run = ? ORDER BY sequence"
        )
        rows: dict[int, list[Row]] = {}
        each: dict[int, str] = {}
        for sequence, grouped_by, *row in self._since_2(
            "SELECT sequence, grouped_by, key, label, answer, value, unit, text, verdict, method,"
            " reason FROM result_row WHERE run = ? ORDER BY sequence, row"
        ):
            rows.setdefault(sequence, []).append(Row(*row))
            each[sequence] = grouped_by
        return [
            ResultRow._make((*line, each.get(sequence, ""), tuple(rows.get(sequence, ()))))
            for sequence, *line in lines
        ]

    def result(self, name: str) -> ResultRow:
        """A result by its name, one of several answers by "NAME.answer".

        `value` (also by `float`) is in SI, in the unit `si_unit`; `text` is how it is shown. Raises
        StoreError that names the results there are.
        """
        base, _, answer = name.partition(".")
        lines = [line for line in self.results() if line.name]
        for line in lines:
            rows = [row for row in line.rows if row.answer == answer and row.key is None]
            if line.name == base and not answer:
                return line
            if line.name == base and rows:
                return ResultRow(name, *rows[0][3:5], line.title, *rows[0][5:])
        names = [
            f"{line.name}.{row.answer}" if row.answer and row.key is None else line.name
            for line in lines
            for row in line.rows or (Row(None, "", "", None),)
        ]
        known = ", ".join(dict.fromkeys(names)) or "none at all"
        raise StoreError(f"the run has no result “{name}”", f"it has {known}")

    def plots(self) -> list[PlotRow]:
        """The plots that the recipe asks for, in its order."""
        rows = self._since_2(
            "SELECT traces, y, y_logarithmic, x, x_logarithmic FROM plot WHERE run = ?"
            " ORDER BY sequence"
        )
        return [
            PlotRow(tuple(json.loads(traces)), y, bool(y_logarithmic), x, bool(x_logarithmic))
            for traces, y, y_logarithmic, x, x_logarithmic in rows
        ]

    def streams(self) -> dict[str, Stream]:
        """The tables of numbers by name, in the order in which they were begun."""
        rows = self._all("SELECT key, name, columns FROM stream WHERE run = ? ORDER BY key")
        return {name: Stream(key, name, tuple(json.loads(columns))) for key, name, columns in rows}

    def traces(self) -> dict[str, TraceRow]:
        """The traces by name, in the order of their numbers."""
        rows = self._all(
            "SELECT number, name, channels, extra FROM trace WHERE run = ? ORDER BY number"
        )
        return {
            name: TraceRow(number, name, tuple(json.loads(channels)), json.loads(extra))
            for number, name, channels, extra in rows
        }

    def columns(
        self, stream: str, names: Sequence[str] | None = None
    ) -> dict[str, NDArray[np.float64]]:
        """Columns of a stream as arrays, all of them where no names are given."""
        import numpy as np

        found = self.stream(stream)
        names = found.columns if names is None else tuple(names)
        parts: list[Columns] = list(self.blocks(found, names))
        return {
            name: np.concatenate([np.frombuffer(part[k]) for part in parts] or [np.empty(0)])
            for k, name in enumerate(names)
        }

    def trace(self, name: str) -> Trace:
        """A trace as a table. Raises StoreError where the run has none of that name."""
        from sequencer.record.trace import read_trace

        return read_trace(self, name)

    def __repr__(self) -> str:
        meta = self.meta
        return f"Run({meta.id!r}, {meta.mode}, {meta.outcome or 'still running'}: {meta.title!r})"

    def _repr_html_(self) -> str:
        """How a notebook shows it: which it is, how it ended, its results."""
        from sequencer.record.notebook import run_as_html

        return run_as_html(self)

    def export(self, path: str | Path, to: str = "", trace: str | None = None) -> None:
        """Write the run, or one of its traces, to a file: see `sequencer.record.export`."""
        from sequencer.record.export import export_run

        export_run(self, path, to, trace)

    def trace_row(self, name: str) -> TraceRow:
        """Which readings a trace is made of. Raises StoreError that names the traces there are."""
        traces = self.traces()
        if name not in traces:
            raise StoreError(
                f"the run has no trace “{name}”", f"it has {', '.join(traces) or 'none at all'}"
            )
        return traces[name]

    def stream(self, name: str) -> Stream:
        """A stream by its name. Raises StoreError that names those there are."""
        streams = self.streams()
        if name not in streams:
            raise StoreError(
                f"the run has no readings named “{name}”",
                f"there are {', '.join(streams) or 'none at all'}",
            )
        return streams[name]

    def blocks(self, stream: Stream, names: Sequence[str], first: int = 0) -> Iterator[Columns]:
        """The named columns of a stream from a row on, at most 4096 rows at a time, in order.

        Rows that come while this goes on are among them. Raises StoreError for an unknown column.
        """
        unknown = [name for name in names if name not in stream.columns]
        if unknown:
            raise StoreError(
                f"“{stream.name}” has no column “{unknown[0]}”",
                f"it has {', '.join(stream.columns)}",
            )
        wanted = [stream.columns.index(name) for name in names]
        next_row = first
        while True:
            # The second look is for readings that were merged into a block between the first look
            # and the one at the single readings.
            columns = (
                self._block(stream, wanted, next_row)
                or self._live(stream, wanted, next_row)
                or self._block(stream, wanted, next_row)
            )
            if columns is None:
                return
            next_row += len(columns[0])
            yield columns

    def _block(self, stream: Stream, wanted: list[int], next_row: int) -> Columns | None:
        """The rest of the block that holds a row."""
        with telling(self._path):
            rows = self._connection.execute(
                "SELECT first, position, count, data FROM block WHERE stream = ?1 AND first ="
                " (SELECT max(first) FROM block WHERE stream = ?1 AND first <= ?2)"
                " AND position IN (SELECT value FROM json_each(?3))",
                (stream.key, next_row, json.dumps(wanted)),
            ).fetchall()
        if not rows or rows[0][0] + rows[0][2] <= next_row:
            return None
        skip = next_row - rows[0][0]
        by_position = {
            position: unpack_column(data, count)[skip:] for _, position, count, data in rows
        }
        return [by_position[position] for position in wanted]

    def _live(self, stream: Stream, wanted: list[int], next_row: int) -> Columns | None:
        with telling(self._path):
            rows = self._connection.execute(
                "SELECT data FROM live WHERE stream = ? AND first >= ? ORDER BY first LIMIT ?",
                (stream.key, next_row, ROWS),
            ).fetchall()
        if not rows:
            return None
        whole = list(
            zip(*unpack_rows([data for (data,) in rows], len(stream.columns)), strict=True)
        )
        return [array("d", whole[position]) for position in wanted]

    def _since_2(self, sql: str) -> list[Any]:
        """Rows of a table that stores have since version 2; an older one that is only read has none
        and stays as it is."""
        with telling(self._path):
            return self._all(sql) if version_of(self._connection) >= 2 else []

    def _all(self, sql: str) -> list[Any]:
        with telling(self._path):
            return self._connection.execute(sql, (self._key,)).fetchall()


def count_readings(connection: sqlite3.Connection, run: int) -> int:
    """Readings of all channels of a run, from the ends of its streams alone."""
    streams = connection.execute(
        "SELECT key FROM stream WHERE run = ? AND instr(name, ':') = 0", (run,)
    ).fetchall()
    return sum(_rows_of(connection, key) for (key,) in streams)


def _rows_of(connection: sqlite3.Connection, stream: int) -> int:
    live = connection.execute("SELECT max(first) FROM live WHERE stream = ?", (stream,)).fetchone()
    if live[0] is not None:
        return int(live[0]) + 1
    block = connection.execute(
        "SELECT first + count FROM block WHERE stream = ? ORDER BY first DESC LIMIT 1", (stream,)
    ).fetchone()
    return int(block[0]) if block else 0
