"""Writing one run: its readings, steps, events, guards and results, while it goes on.

On a bench every reading is committed before the call returns, so that a killed process loses none
of those that were acted upon; a dry run gathers a block of rows first. Either way another process
may read what is there at any moment. The module knows no recipe, no channel and no clock: it is
told every time and every text.
"""

from __future__ import annotations

import json
import os
import sqlite3
from collections.abc import Callable, Iterable, Mapping, Sequence
from datetime import datetime
from hashlib import sha256
from pathlib import Path
from typing import Any, Literal

from sequencer.record.blocks import merge_live
from sequencer.record.checkpoints import Checkpoints
from sequencer.record.failures import telling
from sequencer.record.lock import RunLock
from sequencer.record.rows import GuardRow, PlotRow, ResultRow, RunInfo
from sequencer.record.schema import transaction
from sequencer.record.streams import BufferedStream, LiveStream, StreamWriter

PENDING = 500  # rows of small tables that a dry run holds back at most
MERGE_FRAMES = 4000  # of the log, between two checkpoints while nothing waits for the writer


class RunWriter:
    """The record of one run. Used by one thread, the one that began it.

    Times are seconds from the run's start. Every method may raise StoreError where the record
    can't be written; nothing that was recorded before is lost then.
    """

    def __init__(
        self,
        connection: sqlite3.Connection,
        path: Path,
        lock: RunLock,
        key: int,
        run_id: str,
        live: bool,
        wall: Callable[[], datetime],
    ) -> None:
        self.id = run_id
        self.live = live
        self._connection = connection
        self._path = path
        self._lock = lock
        self._key = key
        self._wall = wall
        self._pending: list[tuple[str, tuple[object, ...]]] = []
        self._streams: dict[str, tuple[int, tuple[str, ...], BufferedStream | LiveStream]] = {}
        self._steps = 0
        self._checkpoints = Checkpoints(path) if live else None

    def stream(self, name: str, columns: Sequence[str], at_once: bool = False) -> StreamWriter:
        """Where the rows of a stream go; the first column is "time". One writer a name.

        Rows that come all `at_once`, as the samples of a capture do, are gathered on a bench too:
        whoever appends them flushes them before they are acted upon. Raises ValueError where a
        name comes again with other columns.
        """
        columns = tuple(columns)
        if name in self._streams:
            _, before, writer = self._streams[name]
            if before != columns:
                raise ValueError(f"the stream “{name}” was begun with other columns: {before}")
            return writer
        if columns[:1] != ("time",) or len(set(columns)) != len(columns):
            raise ValueError("a stream's columns are named once each, with the time first")
        with telling(self._path):
            key = self._connection.execute(
                "INSERT INTO stream (run, name, columns) VALUES (?, ?, ?) RETURNING key",
                (self._key, name, _json(columns)),
            ).fetchone()[0]
        writer = (
            LiveStream(self._connection, self._path, key, len(columns), self._checkpoints.crowded)
            if self._checkpoints and not at_once
            else BufferedStream(self._connection, self._path, key)
        )
        self._streams[name] = key, columns, writer
        return writer

    def trace(
        self,
        number: int,
        name: str,
        channels: Sequence[str],
        extra: Mapping[str, str] | None = None,
    ) -> None:
        """Announce a trace: its number in the streams, its channels, units of further columns."""
        self._put(
            "INSERT INTO trace VALUES (?, ?, ?, ?, ?)",
            (self._key, number, name, _json(channels), _json(extra or {})),
        )

    def begin_step(self, line: int, text: str, time: float) -> int:
        """A step begins; returns its place in the order of execution, for `end_step`."""
        sequence = self._steps
        self._steps += 1
        self._put(
            "INSERT INTO step VALUES (?, ?, ?, ?, ?, NULL, 0)",
            (self._key, sequence, line, text, time),
        )
        return sequence

    def end_step(self, sequence: int, time: float, times: int = 1) -> None:
        """A step ended; `times` is how often it, or a loop's body, was executed."""
        self._put(
            "UPDATE step SET stop = ?, count = ? WHERE run = ? AND sequence = ?",
            (time, times, self._key, sequence),
        )

    def event(
        self,
        time: float,
        kind: str,
        text: str,
        channel: str = "",
        exact: bool = True,
        data: Mapping[str, Any] | None = None,
    ) -> None:
        """Something happened; `exact` is False where the time is that of a reading only."""
        self._put(
            "INSERT INTO event (run, time, kind, channel, text, exact, data)"
            " VALUES (?, ?, ?, ?, ?, ?, ?)",
            (self._key, time, kind, channel, text, int(exact), _json(data or {})),
        )

    def note(self, time: float, text: str, author: Literal["recipe", "person"] = "recipe") -> None:
        """A note of the recipe or of a person."""
        self._put(
            "INSERT INTO note (run, time, author, text) VALUES (?, ?, ?, ?)",
            (self._key, time, author, text),
        )

    def guards(self, rows: Iterable[GuardRow]) -> None:
        """How near the guards came so far; a later call for the same guard replaces the earlier."""
        for row in rows:
            self._put(
                "INSERT OR REPLACE INTO guard VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
                (self._key, *row[:6], int(row.tripped)),
            )

    def results(self, rows: Iterable[ResultRow]) -> None:
        """All results and expectations, in the recipe's order; a later call replaces them."""
        self._put("DELETE FROM result WHERE run = ?", (self._key,))
        self._put("DELETE FROM result_row WHERE run = ?", (self._key,))
        for sequence, line in enumerate(rows):
            self._put(
                "INSERT INTO result VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
                (self._key, sequence, *line[:8]),
            )
            for number, row in enumerate(line.rows):
                self._put(
                    "INSERT INTO result_row VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
                    (self._key, sequence, number, line.each, *row),
                )

    def plots(self, rows: Iterable[PlotRow]) -> None:
        """All plots that the recipe asks for, in its order; a later call replaces them."""
        self._put("DELETE FROM plot WHERE run = ?", (self._key,))
        for sequence, row in enumerate(rows):
            self._put(
                "INSERT INTO plot VALUES (?, ?, ?, ?, ?, ?, ?)",
                (self._key, sequence, _json(row.traces), *row[1:]),
            )

    def update(
        self,
        *,
        settings: Mapping[str, Any] | None = None,
        conditions: Mapping[str, Any] | None = None,
        identities: Mapping[str, Any] | None = None,
        recipe: str | None = None,
    ) -> None:
        """Replace what became known, or was changed, after the run began.

        The `recipe` is that of a run by hand, which is written while it goes on.
        """
        if recipe is not None:
            self._put(
                "UPDATE run SET recipe = ?, recipe_sha256 = ? WHERE key = ?",
                (recipe, sha256(recipe.encode()).hexdigest(), self._key),
            )
        given = {"settings": settings, "conditions": conditions, "identities": identities}
        for name, value in given.items():
            if value is not None:
                # The column's name is one of the three above.
                self._put(
                    f"UPDATE run SET {name} = ? WHERE key = ?",  # noqa: S608
                    (_json(value), self._key),
                )

    def flush(self) -> None:
        """Put into the store what is still held back, so that readers find everything told so far.

        For the moment when results are worked out; a block that isn't full is written as it is.
        """
        for _, _, stream in self._streams.values():
            stream.flush()
        self._flush_pending()

    def commit(self) -> None:
        """Return when everything told so far is on the disk itself, safe from a power cut.

        For the moment before an output is switched on. A dry run switches nothing, so it goes on
        gathering.
        """
        if self.live:
            self._write_through("UPDATE run SET syncs = syncs + 1 WHERE key = ?", (self._key,))

    def end(self, outcome: str, exit_code: int | None, reason: str = "") -> None:
        """The run has ended: outcome first, then readings in full blocks, then the log is emptied.

        Whatever is cut off in between is taken up again by the store's `recover`.
        """
        self.flush()
        readings = sum(
            stream.count for name, (_, _, stream) in self._streams.items() if ":" not in name
        )
        ended = self._wall().isoformat(timespec="milliseconds")
        self._write_through(
            "UPDATE run SET outcome = ?, exit_code = ?, reason = ?, ended = ?, readings = ?"
            " WHERE key = ?",
            (outcome, exit_code, reason, ended, readings, self._key),
        )
        if self._checkpoints:
            self._checkpoints.close()
        with telling(self._path):
            settle(self._connection, self._key)
        self._connection.close()
        self._lock.release()

    def _put(self, sql: str, values: tuple[object, ...]) -> None:
        if self.live:
            with telling(self._path):
                self._connection.execute(sql, values)
            return
        self._pending.append((sql, values))
        if len(self._pending) >= PENDING:
            self._flush_pending()

    def _flush_pending(self) -> None:
        if self._pending:
            with telling(self._path), transaction(self._connection):
                for sql, values in self._pending:
                    self._connection.execute(sql, values)
            self._pending.clear()

    def _write_through(self, sql: str, values: tuple[object, ...]) -> None:
        """Execute one change and wait for the disk: it carries all earlier commits with it."""
        with telling(self._path):
            self._connection.execute("PRAGMA synchronous = FULL")
            try:
                self._connection.execute(sql, values)
            finally:
                self._connection.execute("PRAGMA synchronous = NORMAL")


def settle(connection: sqlite3.Connection, run: int) -> None:
    """Merge a run's single readings into blocks, mark it settled and empty the log if it can be."""
    streams = connection.execute(
        "SELECT key, json_array_length(columns) FROM stream WHERE run = ?", (run,)
    ).fetchall()
    connection.execute(f"PRAGMA wal_autocheckpoint = {MERGE_FRAMES}")
    for key, width in streams:
        merge_live(connection, key, width)
    connection.execute("UPDATE run SET settled = 1 WHERE key = ?", (run,))
    # The passive one does the work without keeping others from writing; little is left then for
    # the one that does. It has no patience, since it would wait for a reader with the write lock
    # in its hand, and another run on a bench may want to write. Doing less is no error.
    connection.execute("PRAGMA wal_checkpoint(PASSIVE)").fetchall()
    patience = connection.execute("PRAGMA busy_timeout").fetchone()[0]
    connection.execute("PRAGMA busy_timeout = 0")
    connection.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchall()
    connection.execute(f"PRAGMA busy_timeout = {patience}")


def begin_run(
    connection: sqlite3.Connection,
    path: Path,
    info: RunInfo,
    live: bool,
    wall: Callable[[], datetime],
) -> RunWriter:
    """Put a run on record under the day's next id; the connection is the writer's from now on."""
    started = wall()
    day = f"{started:%Y-%m-%d}-"
    with telling(path), transaction(connection):
        last = connection.execute(
            "SELECT max(CAST(substr(id, ?) AS INTEGER)) FROM run WHERE id GLOB ?",
            (len(day) + 1, day + "*"),
        ).fetchone()[0]
        run_id = f"{day}{(last or 0) + 1:03d}"
        lock = RunLock(path, run_id)
        # A file of that name that somebody holds is no reason not to run: the lock only tells a
        # later start that this process is gone.
        lock.acquire()
        values = {
            "id": run_id,
            "title": info.title,
            "mode": info.mode,
            "started": started.isoformat(timespec="milliseconds"),
            "pid": os.getpid(),
            "seed": info.seed,
            "ideal": int(info.ideal),
            "recipe_name": info.recipe_name,
            "recipe_sha256": sha256(info.recipe.encode()).hexdigest(),
            "settings": _json(info.settings),
            "conditions": _json(info.conditions),
            "identities": _json(info.identities),
            "versions": _json(info.versions),
            "checks": _json(info.checks),
            "bench": info.bench,
            "specifications": _json(info.specifications),
            "recipe": info.recipe,
        }
        names = ", ".join(values)
        key = connection.execute(
            f"INSERT INTO run ({names}) VALUES ({', '.join('?' * len(values))})"  # noqa: S608
            " RETURNING key",
            tuple(values.values()),
        ).fetchone()[0]
    return RunWriter(connection, path, lock, key, run_id, live, wall)


def _json(value: object) -> str:
    return json.dumps(value, ensure_ascii=False)
