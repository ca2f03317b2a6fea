"""Opening stores, refusing what is none, and two of them, or two runs, at once."""

from __future__ import annotations

import os
import sqlite3
import subprocess
import sys
from pathlib import Path

import pytest

from sequencer.record import Store, StoreError, default_path, open_record, schema, streams
from sequencer.record.failures import store_failed
from sequencer.record.rows import CHANNEL_COLUMNS


def test_a_newer_store_is_refused_and_left_alone(path, store):
    store.close()
    bare = sqlite3.connect(path)
    bare.execute("PRAGMA user_version = 3")
    bare.close()
    before = path.read_bytes()
    for opening in (Store.open, open_record):
        with pytest.raises(StoreError) as caught:
            opening(path)
        assert caught.value.message == (
            f"{path} was written by a newer version of this program (its schema is 3, this "
            "version knows 2)"
        )
        assert caught.value.advice == (
            "upgrade this program, or name another store; this one was left as it is"
        )
    assert path.read_bytes() == before


def test_another_program_s_database_is_refused_and_left_alone(path):
    bare = sqlite3.connect(path)
    bare.execute("CREATE TABLE rainfall (day TEXT)")
    bare.close()
    before = path.read_bytes()
    for opening in (Store.open, open_record):
        with pytest.raises(StoreError, match="is a database, but not a store of this program"):
            opening(path)
    assert path.read_bytes() == before


def test_a_file_that_is_no_database_is_refused_and_left_alone(path):
    path.write_text("not a database, but long enough to be looked at " * 20)
    before = path.read_bytes()
    for opening in (Store.open, open_record):
        with pytest.raises(StoreError, match="file is not a database") as caught:
            opening(path)
        assert caught.value.advice == "name another file; this one was left as it is"
    assert path.read_bytes() == before


def test_an_extended_error_is_told_as_what_it_extends(path):
    error = sqlite3.OperationalError("attempt to write a readonly database")
    # https://www.sqlite.org/rescode.html: extended result codes begin with the primary one's name.
    error.sqlite_errorname = "SQLITE_READONLY_DIRECTORY"
    told = store_failed(path, error)
    assert told.message == f"the store {path} can't be used: attempt to write a readonly database"
    assert told.advice == "make the file and its folder writable, or name another store"


def test_looking_makes_no_store(path):
    with pytest.raises(StoreError) as caught:
        open_record(path)
    assert caught.value.message == f"there is no store at {path}"
    assert not path.exists()


def test_looking_writes_nothing(path, store, info):
    store.begin(info()).end("finished", 0)
    store.close()
    before = path.read_bytes()
    with open_record(path) as looked_at:
        assert looked_at.runs()[0].outcome == "finished"
        for change in (lambda: looked_at.begin(info()), looked_at.recover):
            with pytest.raises(StoreError, match="opened to be read only"):
                change()
    assert path.read_bytes() == before


def test_a_folder_that_cannot_be_made(tmp_path):
    (tmp_path / "file").write_text("")
    with pytest.raises(StoreError, match="can't be made"):
        Store.open(tmp_path / "file" / "records.sqlite")


def test_the_usual_place_is_the_user_s_data_folder(tmp_path, monkeypatch):
    # XDG Base Directory Specification 0.8: $XDG_DATA_HOME where it is set.
    if sys.platform != "linux":
        pytest.skip("the specification is for systems that follow it")
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path))
    assert default_path() == tmp_path / "fusewire" / "records.sqlite"
    with Store.open() as store:
        assert store.path == default_path()


def test_the_list_of_runs_reads_no_numbers(path, store, info, readings):
    writer = store.begin(info())
    stream = writer.stream("smu", CHANNEL_COLUMNS)
    for row in readings(9000):
        stream.append(row)
    writer.end("finished", 0)
    touched = set()
    with open_record(path) as looked_at:
        looked_at._connection.set_authorizer(
            lambda action, table, column, *_: (
                touched.add((table, column)) or sqlite3.SQLITE_OK
                if action == sqlite3.SQLITE_READ
                else sqlite3.SQLITE_OK
            )
        )
        assert [row.readings for row in looked_at.runs()] == [9000]
    assert {table for table, _ in touched} == {"run"}
    assert not {column for _, column in touched} & {"recipe", "bench", "specifications"}


def test_two_runs_in_one_store_at_once(path, store, info, readings):
    with Store.open(path) as second:
        writers = [store.begin(info()), second.begin(info("run"))]
        streams = [writer.stream("smu", CHANNEL_COLUMNS) for writer in writers]
        rows = [readings(4500, seed=seed) for seed in (1, 2)]
        for pair in zip(*rows, strict=True):
            for stream, row in zip(streams, pair, strict=True):
                stream.append(row)
        for writer in writers:
            writer.end("finished", 0)
        for writer, expected in zip(writers, rows, strict=True):
            columns = store.run(writer.id).columns("smu")
            assert list(zip(*(c.tolist() for c in columns.values()), strict=True)) == expected


def test_a_run_is_followed_from_another_process_while_it_goes_on(path, store, info, readings):
    look = (
        "import sys; from sequencer.record import open_record\n"
        "store = open_record(sys.argv[1]); run = store.run(sys.argv[2])\n"
        "row = store.runs()[-1]\n"
        "print(row.outcome, row.readings, len(run.columns('smu')['time']),"
        " [s.text for s in run.steps()], [e.kind for e in run.events()])\n"
    )
    writer = store.begin(info("run"))
    stream = writer.stream("smu", CHANNEL_COLUMNS)
    writer.begin_step(7, "output smu on", 0.0)
    writer.event(0.1, "limit", "the limit took control", "smu")
    seen = []
    for row in readings(3):
        stream.append(row)
        done = subprocess.run(
            [sys.executable, "-c", look, str(path), writer.id],
            capture_output=True,
            text=True,
            check=True,
            cwd=Path(__file__).parents[3],
        )
        seen.append(done.stdout.strip())
    writer.end("finished", 0)
    assert seen == [f"None {n} {n} ['output smu on'] ['limit']" for n in (1, 2, 3)]


def test_a_reader_that_lingers_stops_neither_writing_nor_ending(path, store, info, readings):
    writer = store.begin(info("run"))
    stream = writer.stream("smu", CHANNEL_COLUMNS)
    rows = readings(6000)
    stream.append(rows[0])
    lingering = sqlite3.connect(path, isolation_level=None)
    lingering.execute("BEGIN")
    assert lingering.execute("SELECT count(*) FROM live").fetchone() == (1,)
    for row in rows[1:]:
        stream.append(row)
    writer.end("finished", 0)
    assert lingering.execute("SELECT count(*) FROM live").fetchone() == (1,)
    lingering.execute("COMMIT")
    lingering.close()
    assert store.run(writer.id).columns("smu")["time"].tolist() == [row[0] for row in rows]


def test_reading_goes_on_across_a_merge(store, info, readings):
    rows = readings(10000)
    writer = store.begin(info("run"))
    stream = writer.stream("smu", CHANNEL_COLUMNS)
    for row in rows[:5000]:
        stream.append(row)
    run = store.run(writer.id)
    blocks = run.blocks(run.stream("smu"), ("time",))
    seen = list(next(blocks)[0])
    for row in rows[5000:5100]:
        stream.append(row)
    seen += next(blocks)[0]
    for row in rows[5100:]:
        stream.append(row)
    writer.end("finished", 0)
    for (column,) in blocks:
        seen += column
    assert seen == [row[0] for row in rows]


@pytest.mark.parametrize("mode", ["dry run", "run"])
def test_a_full_disk_is_told_and_loses_nothing(path, store, info, readings, mode):
    writer = store.begin(info(mode))
    stream = writer.stream("smu", CHANNEL_COLUMNS)
    pages = writer._connection.execute("PRAGMA page_count").fetchone()[0]
    writer._connection.execute(f"PRAGMA max_page_count = {pages + 150}")
    rows = readings(20000)

    def fill() -> None:
        for row in rows:
            stream.append(row)

    with pytest.raises(StoreError) as caught:
        fill()
    assert caught.value.message == f"the store {path} can't be used: database or disk is full"
    assert caught.value.advice == "make room on that disk; what was recorded so far is kept"
    assert caught.value.fault == "computer"
    kept = store.run(writer.id).columns("smu")
    assert len(kept["time"]) == stream.count > 0
    assert kept["voltage"].tolist() == [row[1] for row in rows[: stream.count]]
    writer._connection.execute("PRAGMA max_page_count = 1000000")
    writer.end("failed", 4, "the disk is full")


@pytest.mark.parametrize("mode", ["dry run", "run"])
def test_an_interruption_right_after_a_commit_neither_loses_nor_doubles(
    store, info, readings, mode, monkeypatch
):
    rows = readings(5000)
    writer = store.begin(info(mode))
    stream = writer.stream("smu", CHANNEL_COLUMNS)
    for row in rows[:4095]:
        stream.append(row)

    def interrupted(commit):
        def then_interrupt(*arguments):
            commit(*arguments)
            raise KeyboardInterrupt

        return then_interrupt

    with monkeypatch.context() as patched:
        patched.setattr(streams, "insert_block", interrupted(streams.insert_block))
        if mode == "run":
            patched.setattr(stream, "_execute", interrupted(stream._execute))
        with pytest.raises(KeyboardInterrupt):
            stream.append(rows[4095])
    for row in rows[4096:]:
        stream.append(row)
    writer.end("stopped", 5)
    columns = store.run(writer.id).columns("smu")
    assert list(zip(*(c.tolist() for c in columns.values()), strict=True)) == rows
    assert store.runs()[0].readings == 5000


def test_the_schema_says_what_every_column_holds(path, store):
    store.close()
    bare = sqlite3.connect(path)
    tables = {
        name
        for (name,) in bare.execute(
            "SELECT name FROM sqlite_master WHERE type = 'table' AND name NOT LIKE 'sqlite_%'"
        )
    }
    assert tables == {table.name for table in schema.TABLES}
    described = schema.describe()
    for table in schema.TABLES:
        columns = [row[1] for row in bare.execute(f"PRAGMA table_info({table.name})")]
        assert columns == [column.name for column in table.columns]
        assert f"### `{table.name}`" in described
        for column in table.columns:
            assert f"| `{column.name}` |" in described
            assert len(column.text) > 5
    bare.close()


def test_the_record_loads_nothing_heavy():
    code = (
        "import sys, sequencer.record\n"
        "print([n for n in ('numpy', 'scipy', 'pydantic', 'pyvisa', 'rich') if n in sys.modules])"
    )
    done = subprocess.run(
        [sys.executable, "-c", code],
        capture_output=True,
        text=True,
        check=True,
        cwd=Path(__file__).parents[3],
        env={**os.environ},
    )
    assert done.stdout.strip() == "[]"
