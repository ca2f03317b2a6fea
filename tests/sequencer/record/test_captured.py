"""Samples of captures on record: whole blocks even of a run on a bench, a trace of their own."""

from __future__ import annotations

import sqlite3

import pytest

from sequencer.record import open_record
from sequencer.record.rows import CHANNEL_COLUMNS, SAMPLE_COLUMNS, capture_stream

SAMPLES = 5000


def sample(k: int) -> tuple[float, ...]:
    """A sample in the order of SAMPLE_COLUMNS, with one further column."""
    return (k * 1e-5, k * 0.5, 2.0, 0.0, 5.0, 20.0, 3.0, k * 1.0, k * 2.0, 7.0)


@pytest.fixture(params=["run", "dry run"])
def captured(store, info, request):
    writer = store.begin(info(request.param))
    writer.trace(0, "wave", ["smu"], {"k": ""})
    writer.stream("smu", CHANNEL_COLUMNS)
    stream = writer.stream(capture_stream("wave"), (*SAMPLE_COLUMNS, "k"), at_once=True)
    for k in range(SAMPLES):
        stream.append(sample(k))
    stream.flush()
    return store, writer


def test_samples_are_a_trace_while_the_run_goes_on_and_afterwards(captured, path):
    store, writer = captured
    writer.flush()
    for _ in range(2):
        with open_record(path) as other:
            trace = other.run(writer.id).trace("wave")
        assert len(trace) == SAMPLES
        assert list(trace.columns)[:3] == ["time", "k", "smu.voltage"]
        assert trace.columns["time"].tolist() == [k * 1e-5 for k in range(SAMPLES)]
        assert trace.columns["smu.power"].tolist() == [k * 1.0 for k in range(SAMPLES)]
        assert set(trace.columns["k"].tolist()) == {7.0}
        if store.run(writer.id).meta.ended is None:
            writer.end("finished", 0)


def test_they_are_blocks_at_once_and_no_readings(captured, path):
    store, writer = captured
    bare = sqlite3.connect(path)
    assert bare.execute("SELECT count(*) FROM live").fetchone() == (0,)
    # 4096 rows a block: two blocks of each column.
    assert bare.execute("SELECT count(*) FROM block").fetchone() == (2 * (len(SAMPLE_COLUMNS) + 1),)
    bare.close()
    writer.end("finished", 0)
    (row,) = store.runs()
    assert row.readings == 0


def test_a_trace_whose_trigger_never_came_is_empty(store, info):
    writer = store.begin(info())
    writer.trace(0, "wave", ["smu"], {})
    writer.stream(capture_stream("wave"), SAMPLE_COLUMNS, at_once=True)
    writer.end("finished", 0)
    trace = store.run(writer.id).trace("wave")
    assert len(trace) == 0
    assert "smu.power" in trace.columns
