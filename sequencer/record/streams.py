"""Where the rows of one stream go: a block at a time in a dry run, each at once on a bench.

The module knows neither what the columns mean nor which run they belong to.
"""

from __future__ import annotations

import sqlite3
import struct
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Protocol

from sequencer.record.blocks import (
    ROWS,
    Row,
    insert_block,
    join_pieces,
    pack_columns,
    pack_piece,
    pack_rows,
    rows_of,
)
from sequencer.record.failures import store_failed, telling

if TYPE_CHECKING:
    from sequencer.record.blocks import Column


class StreamWriter(Protocol):
    """Where the rows of one stream go; `count` is how many of them are in the store."""

    count: int

    def append(self, row: Row) -> None:
        """Take one row: a float a column, the time first. Raises StoreError."""
        ...

    def extend(self, columns: Sequence[Column], count: int) -> None:
        """Take so many rows, given as columns, the time first. Raises StoreError."""
        ...

    def flush(self) -> None:
        """Put into the store what is held back. Raises StoreError."""
        ...


class BufferedStream:
    """Rows of a dry run: at most one block of them is held back."""

    def __init__(self, connection: sqlite3.Connection, path: Path, key: int) -> None:
        self.count = 0
        self._connection = connection
        self._path = path
        self._key = key
        self._rows: list[Row] = []
        self._pieces: list[list[bytes]] = []
        """Packed rows that come before those: a column each."""
        self._room = ROWS

    def append(self, row: Row) -> None:
        """Take one row; it is in the store when its block is full, or at `flush`."""
        rows = self._rows
        rows.append(row)
        if len(rows) >= self._room:
            self.flush()

    def extend(self, columns: Sequence[Column], count: int) -> None:
        """Take rows as columns; blocks are cut where they would be if each came by itself."""
        taken = 0
        while taken < count:
            if self._rows:
                self._room -= len(self._rows)
                self._pieces.append(pack_rows(self._rows))
                self._rows.clear()
            last = min(count, taken + self._room)
            self._pieces.append(pack_piece(columns, taken, last))
            self._room -= last - taken
            taken = last
            if not self._room:
                self.flush()

    def flush(self) -> None:
        """Write what is held back as a block of its own."""
        if self._pieces and self._rows:
            self._pieces.append(pack_rows(self._rows))
            self._rows.clear()
        count = len(self._rows) + sum(len(piece[0]) for piece in self._pieces) // 8
        if not count:
            return
        packed = join_pieces(self._pieces) if self._pieces else pack_columns(self._rows)
        with telling(self._path):
            insert_block(self._connection, self._key, self.count, count, packed)
        self.count += count
        self._room = ROWS
        self._rows.clear()
        self._pieces.clear()


class LiveStream:
    """Rows of a run on a bench: each is committed before `append` returns."""

    def __init__(
        self,
        connection: sqlite3.Connection,
        path: Path,
        key: int,
        width: int,
        crowded: Callable[[], None],
    ) -> None:
        self.count = 0
        self._execute = connection.execute
        self._pack = struct.Struct(f"<{width}d").pack
        self._path = path
        self._key = key
        self._crowded = crowded

    def append(self, row: Row) -> None:
        """Commit one row."""
        first = self.count
        try:
            self._execute("INSERT INTO live VALUES (?, ?, ?)", (self._key, first, self._pack(*row)))
        except sqlite3.IntegrityError:
            # A Ctrl-C came between the commit of the last row and the counting of it.
            self.count = first + 1
            self.append(row)
            return
        except sqlite3.Error as error:
            raise store_failed(self._path, error) from error
        self.count = first + 1
        if not self.count % ROWS:
            self._crowded()

    def extend(self, columns: Sequence[Column], count: int) -> None:
        """Commit rows one by one."""
        for row in rows_of(columns, count):
            self.append(row)

    def flush(self) -> None:
        """Nothing is ever held back."""
