"""Columns of numbers as they lie in a store: packed, unpacked, and merged from single readings.

Numbers are kept to the bit: a negative zero stays one, and so does each kind of not-a-number. The
module knows neither what the columns mean nor which run they belong to.
"""

from __future__ import annotations

import sqlite3
import struct
import sys
from array import array
from collections.abc import Sequence

from sequencer.record.schema import transaction

ROWS = 4096  # of a full block
Row = tuple[float, ...]

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
    connection: sqlite3.Connection, stream: int, first: int, rows: Sequence[Row]
) -> None:
    """Insert a block in one transaction; the rows' first column is their time."""
    records = _records(stream, first, rows)
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
        records = _records(stream, found[0][0], unpack_rows([data for _, data in found], width))
        with transaction(connection):
            connection.executemany(_INSERT, records)
            connection.execute(
                "DELETE FROM live WHERE stream = ? AND first <= ?", (stream, found[-1][0])
            )


def _records(stream: int, first: int, rows: Sequence[Row]) -> list[tuple[object, ...]]:
    count, start, stop = len(rows), rows[0][0], rows[-1][0]
    return [
        (stream, first, position, count, start, stop, data)
        for position, data in enumerate(pack_columns(rows))
    ]
