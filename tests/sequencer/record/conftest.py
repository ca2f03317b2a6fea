"""A store with a calendar of its own, and rows as the runner writes them."""

from __future__ import annotations

import random
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Literal

import pytest

from sequencer.record import RunInfo, Store

MORNING = datetime(2026, 3, 14, 9, 26, 53, tzinfo=UTC)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "records.sqlite"


@pytest.fixture
def store(path: Path) -> Iterator[Store]:
    with Store.open(path, wall=lambda: MORNING) as opened:
        yield opened


@pytest.fixture
def info() -> Callable[..., RunInfo]:
    def make(mode: Literal["dry run", "run"] = "dry run", **fields: object) -> RunInfo:
        return RunInfo(
            title="Ridge weather station, buffer capacitor",
            recipe='recipe "Ridge weather station, buffer capacitor"\n',
            recipe_name="buffer.recipe",
            mode=mode,
            **fields,  # type: ignore[arg-type]
        )

    return make


@pytest.fixture
def readings() -> Callable[..., list[tuple[float, ...]]]:
    def make(count: int, trace: float = -1.0, seed: int = 1) -> list[tuple[float, ...]]:
        """Rows in the order of CHANNEL_COLUMNS; the level, the ranges and the line are constant."""
        draw = random.Random(seed).random
        return [
            (0.1 * k, draw(), draw(), 0.0, 5.4, 20.0, 3.0, draw(), draw(), trace, 17.0)
            for k in range(count)
        ]

    return make
