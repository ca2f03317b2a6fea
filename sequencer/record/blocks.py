"""Columns of numbers as they lie in a store: packed, unpacked, and merged from single readings.

Numbers are kept to the bit: a negative zero stays one, and so does each kind of not-a-number. The
module knows neither what the columns mean nor which run they belong to.
"""

from __future__ import annotations

import sqlite3
import struct
import sys
from array import array
from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

from sequencer.record.schema import transaction

ROWS = 4096  # of a full block
Row = tuple[float, ...]
if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt

    Column = float | npt.NDArray[np.float64]
    """A column of rows; a number where it is constant."""

# A flush that was interrupted after its commit comes again, with more rows perhaps.
_INSERT = "INSERT OR REPLACE INTO block VALUES (?, ?, ?, ?, ?, ?, ?)"


def pack_columns(rows: Sequence[Row]) -> list[bytes]:
    """Each column of equally long rows as little-endian float64, 8 bytes where it is constant."""
    count = len(rows)
    pack = struct.Struct(f"<{count}d").pack
    packed = []
    for column in zip(*rows, strict=True):
        first = column[0]
        # Equal numbers have equal bits except for zeros of either sign and for not-a-numbers,
        # which `count` matches by identity only; so this short cut is exact.
        if first is column[-1] and first and column.count(first) == count:
            packed.append(struct.pack("<d", first))
            continue
        data = pack(*column)
        packed.append(data[:8] if data == data[:8] * count else data)
    return packed


def pack_rows(rows: Sequence[Row]) -> list[bytes]:
    """Each column of equally long rows as little-endian float64."""
    pack = struct.Struct(f"<{len(rows)}d").pack
    return [pack(*column) for column in zip(*rows, strict=True)]


def pack_piece(columns: Sequence[Column], first: int, last: int) -> list[bytes]:
    """The rows from `first` to before `last` of columns, as little-endian float64."""
    return [
        struct.pack("<d", column) * (last - first)
        if isinstance(column, float)
        else column[first:last].astype("<f8").tobytes()
        for column in columns
    ]


def rows_of(columns: Sequence[Column], count: int) -> Iterator[Row]:
    """The same one row after the other."""
    listed = [[c] * count if isinstance(c, float) else c[:count].tolist() for c in columns]
    return zip(*listed, strict=True)


def join_pieces(pieces: Sequence[Sequence[bytes]]) -> list[bytes]:
    """Each column of packed pieces as one, 8 bytes where it is constant."""
    joined = [b"".join(column) for column in zip(*pieces, strict=True)]
    return [data[:8] if data == data[:8] * (len(data) // 8) else data for data in joined]


def unpack_column(data: bytes, count: int) -> array[float]:
    """A packed column of `count` rows as numbers."""
    column = array("d", data)
    if sys.byteorder == "big":
        column.byteswap()
    return column * count if len(data) == 8 else column


def unpack_rows(rows: Sequence[bytes], width: int) -> list[Row]:
    """Single readings of `width` columns each as numbers."""
    unpack = struct.Struct(f"<{width}d").unpack
    return [unpack(data) for data in rows]


def insert_block(
    connection: sqlite3.Connection, stream: int, first: int, count: int, packed: Sequence[bytes]
) -> None:
    """Insert a block of packed columns in one transaction; the first column is the rows' time."""
    records = _records(stream, first, count, packed)
    with transaction(connection):
        connection.executemany(_INSERT, records)


def merge_live(connection: sqlite3.Connection, stream: int, width: int) -> None:
    """Turn a stream's single readings into full blocks, one transaction a block.

    A reading is always in exactly one of the two tables, so this may be cut off at any moment and
    taken up again. Each turn removes what it merged, so it ends.
    """
    while True:
        found = connection.execute(
            "SELECT first, data FROM live WHERE stream = ? ORDER BY first LIMIT ?", (stream, ROWS)
        ).fetchall()
        if not found:
            return
        rows = unpack_rows([data for _, data in found], width)
        records = _records(stream, found[0][0], len(rows), pack_columns(rows))
        with transaction(connection):
            connection.executemany(_INSERT, records)
            connection.execute(
                "DELETE FROM live WHERE stream = ? AND first <= ?", (stream, found[-1][0])
            )


def _records(
    stream: int, first: int, count: int, packed: Sequence[bytes]
) -> list[tuple[object, ...]]:
    (start,), (stop,) = struct.unpack("<d", packed[0][:8]), struct.unpack("<d", packed[0][-8:])
    return [
        (stream, first, position, count, start, stop, data) for position, data in enumerate(packed)
    ]
