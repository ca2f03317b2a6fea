"""All columns of a channel made short enough to draw; with `--bare` only their extremes, by hand.

The second is what the first is measured beside: the same numbers read by sqlite3 and looked at by
numpy, with no thought of buckets, gaps or rows.
"""

from __future__ import annotations

import sqlite3
import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[2]))


def thin(store: str) -> None:
    """Every column of the first channel against time."""
    from sequencer.record import open_record
    from sequencer.record.decimation import decimate
    from sequencer.record.tables import table_of_channel

    with open_record(store) as opened:
        run = opened.find()
        table = table_of_channel(run, next(iter(run.streams())))
        lines = [(name,) for name in table.units if "." in name]
        found = decimate(table, lines)
    assert all(len(line["time"]) > 1000 for line in found)


def extremes(store: str) -> None:
    """The least and greatest value of every column."""
    connection = sqlite3.connect(store)
    low, high = {}, {}
    for position, data in connection.execute("SELECT position, data FROM block ORDER BY first"):
        values = np.frombuffer(data)
        low[position] = min(low.get(position, np.inf), values.min())
        high[position] = max(high.get(position, -np.inf), values.max())
    connection.close()
    assert len(low) == len(high) > 5


if __name__ == "__main__":
    (extremes if "--bare" in sys.argv else thin)(sys.argv[1])
