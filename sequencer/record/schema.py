"""The tables of a store: what each holds, column by column, and how a store file is recognised.

The tables are described as data, so that the documentation is generated from what is created. This
module knows the file's form only: nothing here writes a run, reads one or knows what a run is for.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import NamedTuple

from sequencer.record.failures import StoreError

SCHEMA_VERSION = 2
# "fuse" in ASCII, in the field of the file's header that SQLite leaves to the application.
APPLICATION_ID = 0x66757365


class Column(NamedTuple):
    """A column: its name, its SQL declaration and what it holds."""

    name: str
    declaration: str
    text: str


class Table(NamedTuple):
    """A table: what it holds, its columns, and what else belongs into its definition."""

    name: str
    text: str
    columns: tuple[Column, ...]
    constraint: str = ""
    option: str = ""

    @property
    def sql(self) -> str:
        """The statement that creates the table."""
        parts = [f"{column.name} {column.declaration}" for column in self.columns]
        if self.constraint:
            parts.append(self.constraint)
        return f"CREATE TABLE {self.name} ({', '.join(parts)}) {self.option}".rstrip()


_RUN = Column("run", "INTEGER NOT NULL REFERENCES run(key)", "the run, by its key")
_STREAM = Column("stream", "INTEGER NOT NULL REFERENCES stream(key)", "the stream, by its key")
_TIME = Column("time", "REAL NOT NULL", "seconds from the run's start")

# The narrow columns of a run come first: a row that holds long texts is read only as far as asked.
TABLES = (
    Table(
        "run",
        "One row a run: what was run, on what, and how it ended.",
        (
            Column("key", "INTEGER PRIMARY KEY", "number of the run in this store"),
            Column("id", "TEXT NOT NULL UNIQUE", "its name: date and number of the day"),
            Column("title", "TEXT NOT NULL", "the recipe's title"),
            Column("mode", "TEXT NOT NULL", '"dry run" or "run"'),
            Column("started", "TEXT NOT NULL", "local date and time with offset, ISO 8601"),
            Column("ended", "TEXT", "the same at the end; empty while it lasts or if cut off"),
            Column("outcome", "TEXT", 'how it ended, "cut off" where its process died; or empty'),
            Column("exit_code", "INTEGER", "exit code of the command; empty where it had none"),
            Column("reason", "TEXT NOT NULL DEFAULT ''", "why it ended so, in words"),
            Column("readings", "INTEGER", "readings of all channels; empty while it lasts"),
            Column("settled", "INTEGER NOT NULL DEFAULT 0", "1 when no single readings are left"),
            Column("syncs", "INTEGER NOT NULL DEFAULT 0", "times the record was forced to disk"),
            Column("pid", "INTEGER NOT NULL", "number of the process that ran it"),
            Column("seed", "INTEGER", "seed of the simulation; empty on a real bench"),
            Column(
                "ideal", "INTEGER NOT NULL", "1 where the simulation was without noise and error"
            ),
            Column("recipe_name", "TEXT NOT NULL", "file name of the recipe"),
            Column("recipe_sha256", "TEXT NOT NULL", "SHA-256 of the recipe's UTF-8 text, in hex"),
            Column("settings", "TEXT NOT NULL", "JSON: the settings' values as used"),
            Column("conditions", "TEXT NOT NULL", "JSON: ambient conditions and typed values"),
            Column("identities", "TEXT NOT NULL", "JSON: who answered, by channel"),
            Column("versions", "TEXT NOT NULL", "JSON: versions of the program and its libraries"),
            Column("checks", "TEXT NOT NULL", "JSON: the table of the check before the run"),
            Column("bench", "TEXT NOT NULL", "text of the bench file"),
            Column("specifications", "TEXT NOT NULL", "JSON: specification texts by name"),
            Column("recipe", "TEXT NOT NULL", "text of the recipe"),
        ),
    ),
    Table(
        "stream",
        "One row a table of numbers: the readings of a channel (named like it), the further "
        "columns of a trace (named `trace:NAME`), the samples of its captures (`capture:NAME`), or "
        "a result that is a trace and is plotted (`result:NAME`).",
        (
            Column("key", "INTEGER PRIMARY KEY", "number of the stream in this store"),
            _RUN,
            Column(
                "name",
                "TEXT NOT NULL",
                "the channel's name, or the trace's after `trace:` or `capture:`",
            ),
            Column("columns", "TEXT NOT NULL", 'JSON: names of its columns in order, "time" first'),
        ),
        "UNIQUE (run, name)",
    ),
    Table(
        "block",
        "One row a column of up to 4096 rows of a stream.",
        (
            _STREAM,
            Column("first", "INTEGER NOT NULL", "number in the stream of the block's first row"),
            Column("position", "INTEGER NOT NULL", "which column, counted from 0"),
            Column("count", "INTEGER NOT NULL", "rows in the block"),
            Column("start", "REAL NOT NULL", "time of its first row (s)"),
            Column("stop", "REAL NOT NULL", "time of its last row (s)"),
            Column(
                "data",
                "BLOB NOT NULL",
                "float64, little-endian, one a row; 8 bytes alone where all rows are equal",
            ),
        ),
        "UNIQUE (stream, first, position)",
    ),
    Table(
        "live",
        "One row a reading of a run on a bench, committed before the reading was acted upon; "
        "merged into blocks when the run has ended, or when a cut-off run is found.",
        (
            _STREAM,
            Column("first", "INTEGER NOT NULL", "number of the row in its stream"),
            Column("data", "BLOB NOT NULL", "all columns in order, float64, little-endian"),
        ),
        "PRIMARY KEY (stream, first)",
        "WITHOUT ROWID",
    ),
    Table(
        "trace",
        "One row a trace of a run: which readings it is made of.",
        (
            _RUN,
            Column("number", "INTEGER NOT NULL", "its number in the streams' column `trace`"),
            Column("name", "TEXT NOT NULL", "its name in the recipe"),
            Column("channels", "TEXT NOT NULL", "JSON: its channels in order"),
            Column("extra", "TEXT NOT NULL", "JSON: units of its further columns, by name"),
        ),
        "PRIMARY KEY (run, number), UNIQUE (run, name)",
        "WITHOUT ROWID",
    ),
    Table(
        "step",
        "One row a step as it was executed; a loop is one row with its count, not one row a turn.",
        (
            _RUN,
            Column("sequence", "INTEGER NOT NULL", "order of execution, from 0"),
            Column("line", "INTEGER NOT NULL", "line of the recipe"),
            Column("text", "TEXT NOT NULL", "the step with its values"),
            Column("start", "REAL NOT NULL", "when it began (s)"),
            Column("stop", "REAL", "when it ended (s); empty where it was cut off"),
            Column("count", "INTEGER NOT NULL", "how often it, or a loop's body, was executed"),
        ),
        "PRIMARY KEY (run, sequence)",
        "WITHOUT ROWID",
    ),
    Table(
        "event",
        "One row an event: a limit that took control, a range change, a trip, a link error.",
        (
            Column("key", "INTEGER PRIMARY KEY", "order in which events came to the record"),
            _RUN,
            _TIME,
            Column("kind", "TEXT NOT NULL", "what sort of event"),
            Column("channel", "TEXT NOT NULL", "the channel, empty where it concerns none"),
            Column("text", "TEXT NOT NULL", "what happened, in words"),
            Column("exact", "INTEGER NOT NULL", "1 where the time is exact, 0 where of a reading"),
            Column("data", "TEXT NOT NULL", "JSON: figures that belong to it"),
        ),
    ),
    Table(
        "guard",
        "One row a guard: how near it came.",
        (
            _RUN,
            Column("name", "TEXT NOT NULL", "the guard, unique in its run"),
            Column("quantity", "TEXT NOT NULL", "what it watches"),
            Column("low", "REAL", "lower bound (SI), empty where there is none"),
            Column("high", "REAL", "upper bound (SI), empty where there is none"),
            Column("margin", "REAL", "smallest distance to a bound (SI), empty if never judged"),
            Column("margin_time", "REAL", "when that was (s)"),
            Column("tripped", "INTEGER NOT NULL", "1 where it ended the run"),
        ),
        "PRIMARY KEY (run, name)",
        "WITHOUT ROWID",
    ),
    Table(
        "note",
        "One row a note, by the recipe or by a person.",
        (
            Column("key", "INTEGER PRIMARY KEY", "order in which notes came to the record"),
            _RUN,
            _TIME,
            Column("author", "TEXT NOT NULL", '"recipe" or "person"'),
            Column("text", "TEXT NOT NULL", "the note"),
        ),
    ),
    Table(
        "result",
        "One row a result or an expectation, in the recipe's order.",
        (
            _RUN,
            Column("sequence", "INTEGER NOT NULL", "order in the recipe, from 0"),
            Column("name", "TEXT NOT NULL", "the result's name, empty for an expectation"),
            Column("value", "REAL", "its value (SI); empty where refused, or for an expectation"),
            Column("unit", "TEXT NOT NULL", "unit in which it is shown"),
            Column("title", "TEXT NOT NULL", "its title in the recipe"),
            Column("text", "TEXT NOT NULL", "the value as shown, or the expectation as written"),
            Column("verdict", "TEXT NOT NULL", '"met", "not met", "undecided", … or empty'),
            Column("method", "TEXT NOT NULL", "method that the number depends on"),
            Column("reason", "TEXT NOT NULL", "why there is no value, or why that verdict"),
        ),
        "PRIMARY KEY (run, sequence)",
        "WITHOUT ROWID",
    ),
    Table(
        "result_row",
        "One row a value of a result that is grouped by a column or has several answers, and one a "
        "group of an expectation on such. New in version 2.",
        (
            _RUN,
            Column("sequence", "INTEGER NOT NULL", "the line's `sequence` in `result`"),
            Column("row", "INTEGER NOT NULL", "order within the line, from 0"),
            Column("grouped_by", "TEXT NOT NULL", "the column it is grouped by, or empty"),
            Column("key", "REAL", "that column's value in the group (SI), empty if not grouped"),
            Column("label", "TEXT NOT NULL", "the same in words, or empty"),
            Column("answer", "TEXT NOT NULL", "which of several answers, empty where it is one"),
            Column("value", "REAL", "its value (SI); empty where refused, or for an expectation"),
            Column("unit", "TEXT NOT NULL", "unit in which it is shown"),
            Column("text", "TEXT NOT NULL", "the value as shown"),
            Column("verdict", "TEXT NOT NULL", "as in `result`"),
            Column("method", "TEXT NOT NULL", "method that the number depends on"),
            Column("reason", "TEXT NOT NULL", "why there is no value, or why that verdict"),
        ),
        "PRIMARY KEY (run, sequence, row)",
        "WITHOUT ROWID",
    ),
    Table(
        "plot",
        "One row a plot that the recipe asks for, in its order. New in version 2.",
        (
            _RUN,
            Column("sequence", "INTEGER NOT NULL", "order in the recipe, from 0"),
            Column("traces", "TEXT NOT NULL", "JSON: names of the traces or results it is of"),
            Column("y", "TEXT NOT NULL", "the column upwards, as written"),
            Column("y_logarithmic", "INTEGER NOT NULL", "1 where its axis is logarithmic"),
            Column("x", "TEXT NOT NULL", "the column across, as written"),
            Column("x_logarithmic", "INTEGER NOT NULL", "1 where its axis is logarithmic"),
        ),
        "PRIMARY KEY (run, sequence)",
        "WITHOUT ROWID",
    ),
)
_INDEXES = (
    "CREATE INDEX IF NOT EXISTS event_of_run ON event (run)",
    "CREATE INDEX IF NOT EXISTS note_of_run ON note (run)",
)


def describe() -> str:
    """The tables as Markdown, for the documentation."""
    parts = [f"Schema version {SCHEMA_VERSION}.\n"]
    for table in TABLES:
        parts.append(
            f"### `{table.name}`\n\n{table.text}\n\n| column | type | holds |\n|---|---|---|"
        )
        parts += [f"| `{c.name}` | {c.declaration.split()[0]} | {c.text} |" for c in table.columns]
        parts.append("")
    return "\n".join(parts)


@contextmanager
def transaction(connection: sqlite3.Connection) -> Iterator[None]:
    """All or nothing; the write lock is taken at once, so that no reading has to be repeated."""
    connection.execute("BEGIN IMMEDIATE")
    try:
        yield
    except BaseException:
        if connection.in_transaction:
            connection.execute("ROLLBACK")
        raise
    connection.execute("COMMIT")


def prepare(connection: sqlite3.Connection, path: Path) -> None:
    """Create the tables in an empty file, and those that a store of an older version lacks.

    Raises StoreError as `verify` does.
    """
    if _has_tables(connection):
        verify(connection, path)
    # Kept in the file's header, so this changes nothing in a store that exists already.
    connection.execute("PRAGMA journal_mode = WAL")
    with transaction(connection):
        # Another process may have created them between the look and the lock.
        if version_of(connection) < SCHEMA_VERSION:
            there = {name for (name,) in connection.execute("SELECT name FROM sqlite_master")}
            missing = [table.sql for table in TABLES if table.name not in there]
            for statement in (*missing, *_INDEXES):
                connection.execute(statement)
            connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
            connection.execute(f"PRAGMA user_version = {SCHEMA_VERSION}")
    verify(connection, path)


def verify(connection: sqlite3.Connection, path: Path) -> None:
    """Raise StoreError where the file is no store, or one of a newer program."""
    if connection.execute("PRAGMA application_id").fetchone()[0] != APPLICATION_ID:
        raise StoreError(
            f"{path} is a database, but not a store of this program",
            "name another file; this one was left as it is",
        )
    version = version_of(connection)
    if version > SCHEMA_VERSION:
        raise StoreError(
            f"{path} was written by a newer version of this program (its schema is {version}, "
            f"this version knows {SCHEMA_VERSION})",
            "upgrade this program, or name another store; this one was left as it is",
        )


def version_of(connection: sqlite3.Connection) -> int:
    """The version of a store's schema, 0 where there is none yet."""
    return int(connection.execute("PRAGMA user_version").fetchone()[0])


def _has_tables(connection: sqlite3.Connection) -> bool:
    return bool(connection.execute("SELECT count(*) FROM sqlite_master").fetchone()[0])
