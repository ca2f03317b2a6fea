"""What goes into a store comes out of it, to the bit and in order."""

from __future__ import annotations

import math
import sqlite3
import struct
from datetime import datetime
from hashlib import sha256
from pathlib import Path

import numpy as np
import pytest

from sequencer.record import GuardRow, ResultRow, Store, StoreError, open_record
from sequencer.record.rows import CHANNEL_COLUMNS

MODES = ("dry run", "run")


def bits(values: object) -> list[bytes]:
    return [struct.pack("<d", value) for value in values]  # type: ignore[attr-defined]


@pytest.mark.parametrize("mode", MODES)
@pytest.mark.parametrize("count", [0, 1, 2, 4095, 4096, 4097, 8192, 8193])
def test_rows_come_back_whatever_the_block(store, info, readings, mode, count):
    rows = readings(count)
    writer = store.begin(info(mode))
    stream = writer.stream("smu", CHANNEL_COLUMNS)
    for row in rows:
        stream.append(row)
    writer.end("finished", 0)
    run = store.run(writer.id)
    columns = run.columns("smu")
    assert list(columns) == list(CHANNEL_COLUMNS)
    for position, name in enumerate(CHANNEL_COLUMNS):
        assert columns[name].dtype == np.float64
        assert columns[name].tolist() == [row[position] for row in rows]
    assert store.runs()[0].readings == count


@pytest.mark.parametrize("mode", MODES)
def test_every_bit_is_kept(store, info, mode):
    # Values that compare equal, or unequal to themselves, without being so in their bits
    # (IEEE 754-2019, 5.11): zeros of both signs, and not-a-numbers of two payloads.
    quiet = math.nan
    other = struct.unpack("<d", struct.pack("<Q", 0x7FF8000000000007))[0]
    special = [0.0, -0.0, 0.0, quiet, other, quiet, math.inf, -math.inf, 5e-324, 1.7e308]
    rows = [(float(k), value, -0.0, quiet, 3) for k, value in enumerate(special)]
    writer = store.begin(info(mode))
    stream = writer.stream("smu", ("time", "voltage", "current", "limited", "level"))
    for row in rows:
        stream.append(row)
    writer.end("finished", 0)
    columns = store.run(writer.id).columns("smu")
    assert bits(columns["voltage"]) == bits(special)
    assert bits(columns["current"]) == bits([-0.0] * 10)
    assert bits(columns["limited"]) == bits([quiet] * 10)
    assert columns["level"].tolist() == [3.0] * 10


def test_a_zero_that_changes_its_sign_is_not_constant(store, info):
    writer = store.begin(info())
    stream = writer.stream("smu", ("time", "voltage"))
    zero = 0.0
    for row in ((0.0, zero), (1.0, -0.0), (2.0, zero)):
        stream.append(row)
    writer.end("finished", 0)
    assert bits(store.run(writer.id).columns("smu")["voltage"]) == bits([0.0, -0.0, 0.0])


def test_a_constant_column_takes_eight_bytes(store, path, info, readings):
    writer = store.begin(info())
    stream = writer.stream("smu", CHANNEL_COLUMNS)
    for row in readings(4097):
        stream.append(row)
    writer.end("finished", 0)
    with sqlite3.connect(path) as bare:
        sizes = dict(
            bare.execute("SELECT position, length(data) FROM block WHERE first = 0").fetchall()
        )
    bare.close()
    constant = {"limited", "level", "voltage_range", "current_range", "trace", "step"}
    assert sizes == {
        position: 8 if name in constant else 8 * 4096
        for position, name in enumerate(CHANNEL_COLUMNS)
    }


def test_live_and_buffered_runs_lie_alike(store, path, info, readings):
    rows = readings(5000)
    ids = []
    for mode in MODES:
        writer = store.begin(info(mode))
        stream = writer.stream("smu", CHANNEL_COLUMNS)
        for row in rows:
            stream.append(row)
        writer.end("finished", 0)
        ids.append(writer.id)
    bare = sqlite3.connect(path)
    blocks = [
        bare.execute(
            "SELECT first, position, count, block.start, block.stop, data FROM block"
            " JOIN stream ON stream.key = block.stream JOIN run ON run.key = stream.run"
            " WHERE run.id = ? ORDER BY first, position",
            (run_id,),
        ).fetchall()
        for run_id in ids
    ]
    assert blocks[0] == blocks[1]
    assert len(blocks[0]) == 2 * len(CHANNEL_COLUMNS)
    assert bare.execute("SELECT count(*) FROM live").fetchone() == (0,)
    bare.close()


@pytest.mark.parametrize("mode", MODES)
def test_everything_besides_readings(store, path, info, mode):
    told = info(
        mode,
        seed=7,
        ideal=True,
        bench='[channel.smu]\nsimulated = "source-measure"\n',
        settings={"level": 2.7, "label": "Ω ± °C"},
        conditions={"ambient": "23 °C"},
        versions={"program": "0.1.0"},
        specifications={"source-measure": "title = 'invented'"},
        checks=[{"quantity": "voltage", "worst": 2.7}],
    )
    writer = store.begin(told)
    loop = writer.begin_step(4, "every 0.1 s for 1 h", 0.5)
    inner = writer.begin_step(9, "output smu off", 3600.5)
    writer.end_step(loop, 3600.5, times=36001)
    writer.event(2.0, "level", "the level took control", "smu")
    writer.event(1.0, "limit", "the limit took control", "smu", exact=False, data={"at": 2.7})
    writer.note(3.0, "fan heard", author="person")
    writer.guards([GuardRow("voltage", "smu.voltage", None, 2.75, 0.2, 4.0)])
    writer.guards([GuardRow("voltage", "smu.voltage", None, 2.75, 0.05, 9.0, tripped=True)])
    result = ResultRow("C", 11.4, "F", "capacitance", "11.40 F", method="80 % to 40 %")
    refused = ResultRow("R", None, "ohm", "", "not measured", reason="the trace is unfilled")
    writer.results([refused])
    writer.results([result, refused])
    writer.update(identities={"smu": ["invented", "model", "1", "2"]})
    writer.commit()
    writer.end("tripped", 3, "voltage above 2.75 V")
    with open_record(path) as looked_at:
        run = looked_at.run(writer.id)
        meta = run.meta
        for name in ("title", "recipe", "recipe_name", "mode", "seed", "ideal", "bench"):
            assert getattr(meta, name) == getattr(told, name)
        for name in ("settings", "conditions", "versions", "specifications", "checks"):
            assert getattr(meta, name) == getattr(told, name)
        assert meta.identities == {"smu": ["invented", "model", "1", "2"]}
        assert meta.recipe_sha256 == sha256(told.recipe.encode()).hexdigest()
        assert (meta.outcome, meta.exit_code, meta.reason) == (
            "tripped",
            3,
            "voltage above 2.75 V",
        )
        assert meta.started == meta.ended == "2026-03-14T09:26:53.000+00:00"
        assert [tuple(step) for step in run.steps()] == [
            (loop, 4, "every 0.1 s for 1 h", 0.5, 3600.5, 36001),
            (inner, 9, "output smu off", 3600.5, None, 0),
        ]
        assert [tuple(event) for event in run.events()] == [
            (1.0, "limit", "smu", "the limit took control", False, {"at": 2.7}),
            (2.0, "level", "smu", "the level took control", True, {}),
        ]
        assert [tuple(note) for note in run.notes()] == [(3.0, "person", "fan heard")]
        assert run.guards() == [
            GuardRow("voltage", "smu.voltage", None, 2.75, 0.05, 9.0, tripped=True)
        ]
        assert run.results() == [result, refused]


@pytest.mark.parametrize("mode", MODES)
def test_after_a_flush_readers_find_everything_and_writing_goes_on(store, info, readings, mode):
    rows = readings(4200)
    writer = store.begin(info(mode))
    stream = writer.stream("smu", CHANNEL_COLUMNS)
    for row in rows[:100]:
        stream.append(row)
    writer.note(1.0, "fan heard")
    writer.flush()
    writer.flush()
    run = store.run(writer.id)
    assert run.columns("smu")["voltage"].tolist() == [row[1] for row in rows[:100]]
    assert store.runs()[0].readings == stream.count == 100
    assert [note.text for note in run.notes()] == ["fan heard"]
    for row in rows[100:]:
        stream.append(row)
    writer.end("finished", 0)
    assert run.columns("smu")["voltage"].tolist() == [row[1] for row in rows]


def test_runs_are_numbered_by_the_day(path, info):
    days = iter([f"2026-03-{day}T10:00:00+00:00" for day in (14, 14, 14, 14, 15, 15)])
    with Store.open(path, wall=lambda: datetime.fromisoformat(next(days))) as store:
        ids = []
        for _ in range(3):
            writer = store.begin(info())
            ids.append(writer.id)
            writer.end("finished", 0)
        assert ids == ["2026-03-14-001", "2026-03-14-002", "2026-03-15-001"]
        assert [row.id for row in store.runs()] == ids


def test_an_unknown_run_stream_column_and_trace(store, path, info, readings):
    writer = store.begin(info())
    writer.stream("smu", CHANNEL_COLUMNS).append(readings(1)[0])
    writer.end("finished", 0)
    with pytest.raises(StoreError) as caught:
        store.run("2026-03-14-002")
    assert caught.value.message == f"there is no run “2026-03-14-002” in {path}"
    assert caught.value.advice == "did you mean 2026-03-14-001?"
    run = store.run(writer.id)
    with pytest.raises(StoreError, match="no readings named “meter”") as caught:
        run.columns("meter")
    assert caught.value.advice == "there are smu"
    with pytest.raises(StoreError, match="“smu” has no column “volts”") as caught:
        run.columns("smu", ["volts"])
    assert caught.value.advice == f"it has {', '.join(CHANNEL_COLUMNS)}"
    with pytest.raises(StoreError, match="no trace “curve”") as caught:
        run.trace("curve")
    assert caught.value.advice == "it has none at all"


def test_a_stream_is_asked_for_twice(store, info):
    writer = store.begin(info())
    first = writer.stream("smu", ("time", "voltage"))
    assert writer.stream("smu", ("time", "voltage")) is first
    with pytest.raises(ValueError, match="begun with other columns"):
        writer.stream("smu", ("time", "current"))
    with pytest.raises(ValueError, match="the time first"):
        writer.stream("meter", ("voltage", "time"))
    writer.end("finished", 0)


def test_the_named_columns_in_the_named_order(store, info, readings):
    rows = readings(4100)
    writer = store.begin(info())
    stream = writer.stream("smu", CHANNEL_COLUMNS)
    for row in rows:
        stream.append(row)
    writer.end("finished", 0)
    columns = store.run(writer.id).columns("smu", ("energy", "time"))
    assert list(columns) == ["energy", "time"]
    assert columns["energy"].tolist() == [row[8] for row in rows]


def test_a_path_with_signs_of_an_address(tmp_path: Path, info):
    odd = tmp_path / "50% #1?mode=ro" / "records.sqlite"
    with Store.open(odd) as store:
        store.begin(info()).end("finished", 0)
    with open_record(odd) as store:
        assert len(store.runs()) == 1
