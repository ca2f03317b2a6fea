"""Traces put together from the streams of their channels, and their way into a spreadsheet."""

from __future__ import annotations

import csv
import io
import tracemalloc
from pathlib import Path

import numpy as np
import pytest

from sequencer.record import StoreError, export_run, open_record
from sequencer.record.rows import CHANNEL_COLUMNS, QUANTITIES, extra_stream
from sequencer.record.tables import LazyColumns, table_of_trace

TRACE = CHANNEL_COLUMNS.index("trace")


def row(time: float, voltage: float, current: float, trace: float, line: int = 17):
    """A row in the order of CHANNEL_COLUMNS with values that tell the columns apart."""
    return (time, voltage, current, 1.0, 5.4, 20.0, 3.0, voltage * 10, voltage * 100, trace, line)


@pytest.fixture
def two_channels(store, info):
    """Two traces over two channels with readings of the runner's own in between."""
    writer = store.begin(info("run", settings={"level": "2.7 V"}, identities={"smu": ["a", "b"]}))
    writer.trace(0, "curve", ["smu", "meter"], {"cycle": "", "drive": "V"})
    writer.trace(1, "rest", ["meter"])
    smu = writer.stream("smu", CHANNEL_COLUMNS)
    meter = writer.stream("meter", CHANNEL_COLUMNS)
    extra = writer.stream(extra_stream("curve"), ("time", "cycle", "drive"))
    for k in range(5):
        smu.append(row(k, k + 0.5, 2.0, 0))
        meter.append(row(k + 0.1, k / 8, 1.0, 0))
        extra.append((k, 3.0, k / 4 if k != 2 else float("nan")))
        smu.append(row(k + 0.2, 99.0, 9.0, -1, line=3))
        meter.append(row(k + 0.3, -k, 0.25, 1, line=20))
    return store, writer


def test_row_k_is_the_kth_reading_of_each_channel(two_channels):
    store, writer = two_channels
    writer.end("finished", 0)
    trace = store.run(writer.id).trace("curve")
    assert len(trace) == 5
    assert list(trace.columns) == [
        "time",
        "cycle",
        "drive",
        *(f"smu.{name}" for name in (*QUANTITIES, "power")),
        *(f"meter.{name}" for name in (*QUANTITIES, "power")),
    ]
    assert trace.columns["time"].tolist() == [0, 1, 2, 3, 4]
    assert trace.columns["cycle"].tolist() == [3.0] * 5
    np.testing.assert_array_equal(trace.columns["drive"], [0, 0.25, np.nan, 0.75, 1])
    assert trace.columns["smu.voltage"].tolist() == [0.5, 1.5, 2.5, 3.5, 4.5]
    assert trace.columns["smu.power"].tolist() == [1, 3, 5, 7, 9]
    assert trace.columns["smu.charge"].tolist() == [5, 15, 25, 35, 45]
    assert trace.columns["meter.voltage"].tolist() == [0, 0.125, 0.25, 0.375, 0.5]
    rest = store.run(writer.id).trace("rest")
    assert rest.columns["meter.voltage"].tolist() == [0, -1, -2, -3, -4]
    assert rest.columns["time"].tolist() == [k + 0.3 for k in range(5)]


def test_a_row_cut_off_between_its_channels_is_left_out(two_channels):
    store, writer = two_channels
    writer.stream("smu", CHANNEL_COLUMNS).append(row(5, 5.5, 2.0, 0))
    trace = store.run(writer.id).trace("curve")
    assert {len(column) for column in trace.columns.values()} == {5}
    writer.end("finished", 0)


@pytest.mark.parametrize("extra", [None, {"cycle": ""}])
def test_a_trace_without_readings_is_empty(store, info, extra, tmp_path):
    writer = store.begin(info())
    writer.trace(0, "curve", ["smu"], extra)
    writer.end("stopped", 5)
    run = store.run(writer.id)
    assert len(run.trace("curve")) == 0
    assert "smu.voltage" in run.trace("curve").columns
    export_run(run, tmp_path / "curve.csv", trace="curve")
    table = (tmp_path / "curve.csv").read_text("utf-8-sig").splitlines()
    assert table[-1].startswith("time (s),")


def test_a_trace_longer_than_blocks(store, info, readings):
    writer = store.begin(info())
    writer.trace(4, "curve", ["smu"])
    stream = writer.stream("smu", CHANNEL_COLUMNS)
    rows = readings(10000)
    marked = [
        (*values[:TRACE], 4.0 if k % 3 else -1.0, values[-1]) for k, values in enumerate(rows)
    ]
    for values in marked:
        stream.append(values)
    writer.end("finished", 0)
    trace = store.run(writer.id).trace("curve")
    assert trace.columns["smu.current"].tolist() == [v[2] for v in marked if v[TRACE] == 4.0]


def table_of(path: Path) -> tuple[list[str], list[str], list[list[str]]]:
    """Head lines, header and rows as a reader of RFC 4180 sees them."""
    text = path.read_bytes().decode("utf-8-sig")
    lines = list(csv.reader(io.StringIO(text, newline="")))
    begins = int(lines[0][0].rsplit(" ", 1)[1])
    head = lines[: begins - 1]
    assert all(len(line) == 1 for line in head)
    return [line[0] for line in head], lines[begins - 1], lines[begins:]


def test_a_trace_as_csv(two_channels, tmp_path, path):
    store, writer = two_channels
    writer.end("tripped", 3, "voltage above 2.75 V")
    out = tmp_path / "curve.csv"
    export_run(store.run(writer.id), out, trace="curve")
    head, header, rows = table_of(out)
    assert head == [
        "# record of a run; the table begins on line 11",
        "# title: Ridge weather station, buffer capacitor",
        "# run: 2026-03-14-001 (run), started 2026-03-14T09:26:53.000+00:00",
        "# outcome: tripped voltage above 2.75 V",
        f"# recipe: buffer.recipe, SHA-256 {store.run(writer.id).meta.recipe_sha256}",
        "# trace: curve",
        "# setting: level = 2.7 V",
        '# instrument: smu is ["a", "b"]',
        "# sign: current and power are positive into the part",
        "# values: SI units; inf is a reading past its range; an empty place has no value",
    ]
    assert header[:6] == [
        "time (s)",
        "cycle",
        "drive (V)",
        "smu.voltage (V)",
        "smu.current (A)",
        "smu.limited (1 = limit in control)",
    ]
    trace = store.run(writer.id).trace("curve").columns
    assert len(rows) == 5
    for position, values in enumerate(trace.values()):
        written = [float(cells[position]) if cells[position] else np.nan for cells in rows]
        np.testing.assert_array_equal(written, values)
    assert rows[2][2] == ""


def test_all_readings_as_csv_in_the_order_of_time(two_channels, tmp_path):
    store, writer = two_channels
    writer.end("finished", 0)
    out = tmp_path / "all.csv"
    export_run(store.run(writer.id), out)
    _, header, rows = table_of(out)
    width = len(QUANTITIES) + 1
    assert header[:3] == ["time (s)", "trace", "line (of the recipe)"]
    assert header[3 : 3 + width] == [
        "smu.voltage (V)",
        "smu.current (A)",
        "smu.limited (1 = limit in control)",
        "smu.level (V or A as sourced)",
        "smu.voltage_range (V)",
        "smu.current_range (A)",
        "smu.charge (C)",
        "smu.energy (J)",
        "smu.power (W)",
    ]
    assert len(header) == 3 + 2 * width
    assert [float(cells[0]) for cells in rows] == sorted(
        k + part for k in range(5) for part in (0, 0.1, 0.2, 0.3)
    )
    assert [cells[1:3] for cells in rows[:4]] == [
        ["curve", "17"],
        ["curve", "17"],
        ["", "3"],
        ["rest", "20"],
    ]
    for cells in rows:
        assert len(cells) == len(header)
    assert rows[4][3:] == ["1.5", "2.0", "1.0", "5.4", "20.0", "3.0", "15.0", "150.0", "3.0"] + (
        [""] * width
    )
    assert rows[7][3:] == [""] * width + [
        "-1.0", "0.25", "1.0", "5.4", "20.0", "3.0", "-10.0", "-100.0", "-0.25",
    ]  # fmt: skip


def test_no_text_becomes_a_formula_or_breaks_the_head(store, info, tmp_path):
    evil = '=HYPERLINK("http://ridge","x")\n,=1+1,"'
    writer = store.begin(info(settings={"=a": evil}, conditions={"+b": evil}))
    writer.stream("smu", CHANNEL_COLUMNS).append(row(0, 1, 1, -1))
    writer.end("failed", 4, evil)
    export_run(store.run(writer.id), tmp_path / "all.csv")
    head, header, rows = table_of(tmp_path / "all.csv")
    assert all(line.startswith("# ") for line in head)
    assert '# setting: =a = =HYPERLINK("http://ridge","x") ,=1+1,"' in head
    assert len(header) == len(rows[0])
    assert not [cell for line in (header, *rows) for cell in line if cell[:1] in ("=", "+", "@")]


def test_a_file_that_cannot_be_written_leaves_nothing(store, info, tmp_path):
    writer = store.begin(info())
    writer.end("finished", 0)
    with pytest.raises(StoreError, match="can't be written: No such file or directory"):
        export_run(store.run(writer.id), tmp_path / "missing" / "all.csv")
    with pytest.raises(StoreError, match="no trace “curve”"):
        export_run(store.run(writer.id), tmp_path / "curve.csv", trace="curve")
    assert list(tmp_path.glob("*.csv*")) == []


def test_memory_is_bounded_whatever_the_length(store, info, tmp_path):
    """Five times the readings take no more memory to write and to export.

    Held is a block of 4096 rows of 11 numbers, as objects, bytes and text: far below 10 MB.
    """

    def peak_of(count: int) -> int:
        tracemalloc.start()
        writer = store.begin(info())
        stream = writer.stream("smu", CHANNEL_COLUMNS)
        for k in range(count):
            stream.append(row(k * 0.1, k * 0.5, 2.0, -1.0))
        writer.end("finished", 0)
        export_run(store.run(writer.id), tmp_path / "all.csv")
        peak = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
        return peak

    peak_of(3 * 4096)  # what is made once and kept
    short, long = peak_of(3 * 4096), peak_of(15 * 4096)
    assert long < 1.1 * short < 10e6


def test_a_run_that_still_goes_on_is_exported_as_far_as_it_is(two_channels, path, tmp_path):
    _, writer = two_channels
    with open_record(path) as looked_at:
        export_run(looked_at.run(writer.id), tmp_path / "all.csv")
    head, _, rows = table_of(tmp_path / "all.csv")
    assert "# outcome: still running" in head
    assert len(rows) == 20
    writer.end("finished", 0)


def test_columns_are_read_when_they_are_asked_for(two_channels) -> None:
    store, writer = two_channels
    writer.end("finished", 0)
    run = store.run(writer.id)
    table = table_of_trace(run, "curve")
    asked = []
    source = table.source
    table.source = lambda wanted: asked.append(tuple(wanted)) or source(wanted)
    columns = LazyColumns(table)
    whole = run.trace("curve").columns
    assert list(columns) == list(whole)
    assert len(columns) == len(whole)
    assert ("smu.voltage" in columns, "smu.ohms" in columns) == (True, False)
    assert asked == []
    for _ in range(2):
        np.testing.assert_array_equal(columns["meter.voltage"], whole["meter.voltage"])
    assert asked == [("meter.voltage",)]
    with pytest.raises(KeyError, match=r"smu\.ohms"):
        columns["smu.ohms"]
