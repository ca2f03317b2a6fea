"""A record that can't be written any more: outputs go off all the same, and the end is told."""

from __future__ import annotations

import sqlite3
from pathlib import Path
from typing import Any

import pytest

from drivers.bench import open_simulated
from sequencer.api import check, load, perform
from sequencer.engine.run import Person
from sequencer.record import Store, StoreError, open_record
from sequencer.record.blocks import rows_of
from sequencer.record.failures import store_failed
from sequencer.record.streams import BufferedStream
from sequencer.record.writer import RunWriter
from tests.sequencer.engine.bench_of import bench_file
from tests.sequencer.engine.scripted import pulsing_bench
from tests.sequencer.engine.test_ends import RECIPE
from tests.sequencer.engine.test_every_construct_ends import RECIPE as EVERY_CONSTRUCT
from tests.sequencer.engine.test_every_construct_ends import RESISTOR, Failing

WRITES = (
    "stream",
    "begin_step",
    "end_step",
    "event",
    "note",
    "commit",
    "flush",
    "guards",
    "results",
    "update",
)


class FullDisk:
    """Every write of a run is counted; from the n-th on, or only then, there is no room."""

    def __init__(self) -> None:
        self.nth, self.for_good, self.count = 0, True, 0

    def write(self) -> None:
        """One write; raises StoreError where it fails."""
        self.count += 1
        if self.nth and (self.count == self.nth or (self.for_good and self.count > self.nth)):
            raise store_failed(Path("test.sqlite"), sqlite3.OperationalError("disk is full"))


@pytest.fixture
def disk(monkeypatch: pytest.MonkeyPatch) -> FullDisk:
    full = FullDisk()

    def counted(real: Any) -> Any:
        def write(*arguments: Any, **named: Any) -> Any:
            full.write()
            return real(*arguments, **named)

        return write

    for name in WRITES:
        monkeypatch.setattr(RunWriter, name, counted(getattr(RunWriter, name)))
    for name in ("append", "extend"):
        monkeypatch.setattr(BufferedStream, name, counted(getattr(BufferedStream, name)))
    return full


def run(store: Path, every_construct: bool = False) -> tuple[Any, list[str], bool]:
    """Run a recipe; what came of it (the ending, or what was raised), what was told, if off."""
    file = pulsing_bench(store.parent, RESISTOR) if every_construct else bench_file()
    loaded = load(EVERY_CONSTRUCT if every_construct else RECIPE)
    bench = open_simulated(file, ideal=True)
    if every_construct:
        Failing(0, StoreError)(bench)
    told: list[str] = []
    came: Any
    try:
        came = perform(
            loaded, check(loaded, file), bench, mode="dry run", ideal=True, store=store,
            tell=told.append, person=Person(),
        )  # fmt: skip
    except StoreError as error:
        came = error
    return came, told, not bench.channels["smu"].read_back().output


@pytest.mark.parametrize("every_construct", [False, True])
@pytest.mark.parametrize("for_good", [True, False])
def test_whichever_write_fails_the_output_is_off_afterwards(
    tmp_path: Path, disk: FullDisk, for_good: bool, every_construct: bool
) -> None:
    # Fault model: any one write of the record fails, once or from then on for good. Survived must
    # be: output off, and its state never called unknown, since the instrument says what it is.
    _, _, off = run(tmp_path / "whole.sqlite", every_construct)
    total, disk.for_good = disk.count, for_good
    assert off
    reached = 0
    begun = 11 if every_construct else 4
    single = min(60, total)
    for nth in [*range(1, single), *range(single, total + 1, 41), *range(total - 8, total + 1)]:
        disk.nth, disk.count = nth, 0
        came, told, off = run(tmp_path / f"{nth}.sqlite", every_construct)
        assert off, nth
        if isinstance(came, StoreError):
            # Not even the end could be put on record.
            assert for_good or nth < begun, nth
            assert nth < begun or told[-1].startswith("failed: "), nth
            continue
        reached += 1
        assert came.ending.unknown == (), (nth, came.ending)
        if came.exit_code != 0:
            assert came.exit_code == 4
            assert "disk is full" in came.ending.reason, (nth, came.ending.reason)
            assert "program itself" not in came.ending.reason
            with open_record(came.store) as opened:
                assert opened.run(came.id).meta.outcome == "failed"
    assert bool(reached) is not for_good


def test_a_reading_that_can_not_be_kept_ends_the_run_by_the_computers_fault(
    tmp_path: Path, disk: FullDisk, monkeypatch: pytest.MonkeyPatch
) -> None:
    append = BufferedStream.append
    kept = []

    def until_full(stream: BufferedStream, row: tuple[float, ...]) -> None:
        if len(kept) >= 20:
            raise store_failed(Path("test.sqlite"), sqlite3.OperationalError("disk is full"))
        kept.append(row)
        append(stream, row)

    def many(stream: BufferedStream, columns: Any, count: int) -> None:
        for row in rows_of(columns, count):
            until_full(stream, row)

    monkeypatch.setattr(BufferedStream, "append", until_full)
    monkeypatch.setattr(BufferedStream, "extend", many)
    came, _, off = run(tmp_path / "a.sqlite")
    assert off
    assert came.ending.fault == "computer"
    assert came.ending.reason.startswith("the store test.sqlite can't be used: disk is full")
    with Store.open(came.store) as opened:
        record = opened.run(came.id)
        assert len(record.columns("smu", ["time"])["time"]) == 20
        assert [e.text for e in record.events() if e.kind == "output"] == ["smu on", "smu off"]


def test_an_end_that_can_not_be_put_on_record_is_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def end(*_: Any) -> None:
        raise store_failed(Path("test.sqlite"), sqlite3.OperationalError("disk is full"))

    monkeypatch.setattr(RunWriter, "end", end)
    came, told, off = run(tmp_path / "a.sqlite")
    assert off
    assert isinstance(came, StoreError)
    assert told[-1].startswith("failed: the results could not be worked out and kept: the store")
