"""A killed process loses no committed reading: proved with a bare sqlite3 from outside."""

from __future__ import annotations

import shutil
import signal
import sqlite3
import struct
import subprocess
import sys
from pathlib import Path

import pytest

from sequencer.record import Store, open_record
from sequencer.record.rows import CHANNEL_COLUMNS

ROOT = Path(__file__).parents[3]

# Writes readings without end and says of each when `append` has returned, as a runner would act
# upon it then; stops by itself after 200,000.
RUN = """
import sys
from sequencer.record import RunInfo, Store
store = Store.open(sys.argv[1])
writer = store.begin(RunInfo("killed", "recipe", "killed.recipe", sys.argv[2]))
stream = writer.stream("smu", ("time", "voltage", "current"))
writer.begin_step(3, "every 1 ms for 1 h", 0.0)
writer.commit()
print(writer.id, flush=True)
for k in range(200_000):
    stream.append((k / 1000, k * 0.1, -k / 3))
    print(k, flush=True)
"""


def start(path: Path, mode: str = "run") -> tuple[subprocess.Popen[str], str]:
    process = subprocess.Popen(
        [sys.executable, "-c", RUN, str(path), mode], stdout=subprocess.PIPE, text=True, cwd=ROOT
    )
    assert process.stdout is not None
    return process, process.stdout.readline().strip()


def kill_after(process: subprocess.Popen[str], readings: int) -> int:
    """SIGKILL once so many readings were acted upon; the number of the last one that was."""
    assert process.stdout is not None
    while int(process.stdout.readline()) < readings:
        pass
    process.kill()
    rest = process.stdout.read().split("\n")
    process.stdout.close()
    assert process.wait(10) == -signal.SIGKILL
    # What stands in the pipe was acted upon too; a last line without its end was not.
    return max([readings, *(int(line) for line in rest[:-1])])


@pytest.mark.skipif(not hasattr(signal, "SIGKILL"), reason="this system has no SIGKILL")
@pytest.mark.parametrize("readings", [0, 1, 777, 6000])
def test_every_reading_that_was_acted_upon_is_there(path, readings):
    process, run_id = start(path)
    last = kill_after(process, readings)

    bare = sqlite3.connect(path)
    rows = bare.execute("SELECT first, data FROM live ORDER BY first").fetchall()
    assert [first for first, _ in rows] == list(range(len(rows)))
    assert len(rows) >= last + 1
    for k, data in rows:
        assert struct.unpack("<3d", data) == (k / 1000, k * 0.1, -k / 3)
    assert bare.execute("SELECT outcome, ended, settled FROM run").fetchall() == [(None, None, 0)]
    assert bare.execute("SELECT text, stop FROM step").fetchall() == [("every 1 ms for 1 h", None)]
    assert bare.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
    bare.close()

    with Store.open(path) as store:
        (found,) = store.recover()
        assert (found.id, found.outcome, found.exit_code, found.ended) == (
            run_id,
            "cut off",
            None,
            None,
        )
        assert found.reason == "the process that ran it ended without an end on record"
        assert found.readings == len(rows)
        assert store.recover() == []
        assert store.runs() == [found]
        columns = store.run(run_id).columns("smu")
        assert columns["voltage"].tolist() == [k * 0.1 for k in range(len(rows))]
    bare = sqlite3.connect(path)
    assert bare.execute("SELECT count(*) FROM live").fetchone() == (0,)
    assert bare.execute("SELECT settled FROM run").fetchone() == (1,)
    bare.close()
    assert list(path.parent.glob("*.lock")) == []


def test_a_dry_run_that_was_killed_is_found_with_its_full_blocks(path):
    process, run_id = start(path, "dry run")
    last = kill_after(process, 5000)
    with Store.open(path) as store:
        (found,) = store.recover()
        assert (found.id, found.outcome) == (run_id, "cut off")
        assert found.readings % 4096 == 0
        assert found.readings >= (last + 1) // 4096 * 4096 > 0
        voltage = store.run(run_id).columns("smu")["voltage"]
        assert voltage.tolist() == [k * 0.1 for k in range(found.readings)]


def test_a_living_run_is_left_alone(path, store, info, readings):
    writer = store.begin(info("run"))
    stream = writer.stream("smu", CHANNEL_COLUMNS)
    rows = readings(3)
    stream.append(rows[0])
    with Store.open(path) as second:
        assert second.recover() == []
    process, other = start(path)
    with Store.open(path) as second:
        assert second.recover() == []
        kill_after(process, 5)
        assert [row.id for row in second.recover()] == [other]
    for row in rows[1:]:
        stream.append(row)
    writer.end("finished", 0)
    assert store.run(writer.id).columns("smu")["time"].tolist() == [row[0] for row in rows]
    assert store.run(writer.id).meta.outcome == "finished"


def test_a_run_killed_while_its_readings_were_merged_is_merged_later(path, store, info, readings):
    writer = store.begin(info("run"))
    stream = writer.stream("smu", CHANNEL_COLUMNS)
    rows = readings(9000)
    for row in rows:
        stream.append(row)
    # The copy of a store is a store whose processes are gone; here at every stage of the merge.
    stages: list[Path] = []

    def copy(statement: str) -> None:
        if statement.startswith("BEGIN"):
            stage = path.parent / f"stage-{len(stages)}" / path.name
            stage.parent.mkdir()
            for end in ("", "-wal", "-shm"):
                shutil.copy(f"{path}{end}", f"{stage}{end}")
            stages.append(stage)

    writer._connection.set_trace_callback(copy)
    writer.end("finished", 0)
    assert len(stages) == 3
    for stage in stages:
        with Store.open(stage) as copied:
            assert copied.recover() == []
            run = copied.run(writer.id)
            assert run.meta.outcome == "finished"
            assert run.columns("smu")["time"].tolist() == [row[0] for row in rows]
        bare = sqlite3.connect(stage)
        assert bare.execute("SELECT count(*) FROM live").fetchone() == (0,)
        blocks = bare.execute("SELECT first, count FROM block WHERE position = 0 ORDER BY first")
        assert blocks.fetchall() == [(0, 4096), (4096, 4096), (8192, 808)]
        bare.close()


def test_output_on_waits_for_the_disk_itself(store, info):
    writer = store.begin(info("run"))
    statements: list[str] = []
    writer._connection.set_trace_callback(statements.append)
    writer.begin_step(5, "output smu on", 1.0)
    writer.commit()
    # SQLite syncs the log at each commit with synchronous = FULL only (documentation of the
    # pragma); one sync covers every earlier commit in the same log.
    assert statements[-3] == "PRAGMA synchronous = FULL"
    assert statements[-2].startswith("UPDATE run SET syncs")
    assert statements[-1] == "PRAGMA synchronous = NORMAL"
    writer.end("finished", 0)


def test_a_cut_off_run_can_be_read_before_it_is_recovered(path):
    process, run_id = start(path)
    last = kill_after(process, 4200)
    with open_record(path) as store:
        (row,) = store.runs()
        assert row.outcome is None
        assert row.readings >= last + 1
        assert len(store.run(run_id).columns("smu")["time"]) == row.readings
