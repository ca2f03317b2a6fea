"""Rows given as columns lie in the store as they would have come one by one."""

from __future__ import annotations

import random
import sqlite3
from collections.abc import Callable
from pathlib import Path
from typing import Literal

import numpy as np
import pytest

from sequencer.record import RunInfo, Store
from sequencer.record.rows import CHANNEL_COLUMNS


def written(
    path: Path,
    info: RunInfo,
    rows: list[tuple[float, ...]],
    pieces: list[int] | None,
) -> list[tuple[object, ...]]:
    """The blocks of a run whose rows came one by one, or every other piece as columns."""
    with Store.open(path) as store:
        record = store.begin(info)
        stream = record.stream("smu", CHANNEL_COLUMNS)
        begin = 0
        for number, size in enumerate(pieces or [len(rows)]):
            piece = rows[begin : begin + size]
            begin += size
            if pieces is None or number % 2:
                for row in piece:
                    stream.append(row)
            elif piece:
                columns = [np.array(column) for column in zip(*piece, strict=True)]
                constant = [c[0].item() if len(set(c.tolist())) == 1 else c for c in columns]
                stream.extend(constant, len(piece))
        record.flush()
        record.end("finished", 0, "")
    with sqlite3.connect(path) as connection:
        return connection.execute("SELECT * FROM block ORDER BY 1, 2, 3").fetchall()


@pytest.mark.parametrize("mode", ["dry run", "run"])
@pytest.mark.parametrize("seed", range(6))
def test_columns_are_kept_as_rows_are(
    tmp_path: Path,
    info: Callable[..., RunInfo],
    readings: Callable[..., list[tuple[float, ...]]],
    seed: int,
    mode: Literal["dry run", "run"],
) -> None:
    dice = random.Random(seed)
    rows = readings(dice.choice([3, 4096, 9000 if mode == "dry run" else 900]), seed=seed)
    pieces: list[int] = []
    while sum(pieces) < len(rows):
        left = len(rows) - sum(pieces)
        pieces.append(min(left, dice.choice([1, 16, 700, 4096, 5000])))
    one_by_one = written(tmp_path / "a.sqlite", info(mode), rows, None)
    in_pieces = written(tmp_path / "b.sqlite", info(mode), rows, pieces)
    assert in_pieces == one_by_one
    assert one_by_one
