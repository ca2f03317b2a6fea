"""Runs as JSON and Parquet files, read back by others; the unit of every number."""

from __future__ import annotations

import builtins
import json
import math
import random
import tracemalloc
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from grammar import dimension
from grammar.dimension import Dimension
from grammar.quantity import SIMPLE_UNITS, write
from sequencer.analysis.verdicts import Row
from sequencer.record import GuardRow, ResultRow, StoreError, export_parquet, export_run
from sequencer.record.rows import (
    CHANNEL_COLUMNS,
    SAMPLE_COLUMNS,
    capture_stream,
    extra_stream,
    result_stream,
)

HOSTILE = [-0.0, 5e-324, 1.7976931348623157e308, 0.1 + 0.2, math.inf, -math.inf, math.nan, 1e22]


def row(time: float, voltage: float, current: float, trace: float, line: int = 17):
    """A row in the order of CHANNEL_COLUMNS."""
    return (time, voltage, current, 1.0, 5.4, 20.0, 3.0, voltage, 2.0, trace, line)


@pytest.fixture
def run(store, info):
    """Two channels, a trace over both with a column of its own, captures, a bad value each kind."""
    writer = store.begin(
        info("run", settings={"level": "2.7 V"}, conditions={"room": "23 °C"}, bench="[channels]")
    )
    writer.trace(0, "curve", ["smu", "meter"], {"drive": "V"})
    writer.trace(1, "shot", ["smu"], {"width": "s"})
    smu = writer.stream("smu", CHANNEL_COLUMNS)
    meter = writer.stream("meter", CHANNEL_COLUMNS)
    extra = writer.stream(extra_stream("curve"), ("time", "drive"))
    for k, value in enumerate(HOSTILE):
        smu.append(row(k, value, 2.0, 0))
        meter.append(row(k + 0.25, k / 8, 1.0, 0))
        extra.append((k, value))
        meter.append(row(k + 0.5, -k, 0.5, -1, line=20))
    samples = writer.stream(capture_stream("shot"), (*SAMPLE_COLUMNS, "width"), at_once=True)
    for k in range(3):
        samples.append((0.1 * k, 1.0 * k, 3.0, 0.0, 1.0, 5.0, 3.0, 0.0, 0.0, 1e-3))
    writer.begin_step(3, "output smu on", 0.0)
    writer.event(0.5, "limit", "smu: the limit holds it", "smu", data={"level": math.inf})
    writer.note(1.0, "Warm to the touch.", "person")
    writer.guards([GuardRow("cell voltage", "voltage", None, 4.2, 0.1, 2.0)])
    rows = (
        Row(1.0, "cycle = 1", "", 3.6, "mAh", "1 mAh"),
        Row(2.0, "cycle = 2", "", None, verdict="not worked out", reason="no reading"),
    )
    writer.results(
        [
            ResultRow("C", 0.35, "mF", "Capacitance", "350 mF", method="a line"),
            ResultRow("Q", None, "mAh", "", "2 rows", each="cycle", rows=rows),
            ResultRow("", None, "", "", "C > 1 F", "not met", reason="C = 350 mF"),
        ]
    )
    writer.end("finished", 1)
    return store.run(writer.id)


def numbers(values: list[Any]) -> list[float]:
    """What the documents say of numbers in JSON, undone."""
    return [math.nan if value is None else float(value) for value in values]


def strict(path: Path) -> Any:
    """JSON by the letter of RFC 8259, which has no NaN and no Infinity."""

    def refuse(word: str) -> None:
        raise AssertionError(f"{word} is no JSON")

    return json.loads(path.read_text(encoding="utf-8"), parse_constant=refuse)


def test_json_holds_the_whole_run(run, tmp_path):
    export_run(run, tmp_path / "run.json")
    data = strict(tmp_path / "run.json")
    assert data["format"] == "fusewire run"
    assert data["run"] == run.meta.id
    assert data["settings"] == {"level": "2.7 V"}
    assert data["conditions"] == {"room": "23 °C"}
    assert data["recipe_text"] == run.meta.recipe
    assert data["bench_text"] == "[channels]"
    assert [step["text"] for step in data["steps"]] == ["output smu on"]
    assert data["events"][0]["data"] == {"level": "Infinity"}
    assert data["notes"] == [{"time": 1.0, "author": "person", "text": "Warm to the touch."}]
    assert data["guards"][0]["margin"] == 0.1
    capacitance, charge, expectation = data["results"]
    assert (capacitance["value"], capacitance["si_unit"]) == (0.35, "F")
    assert [(r["value"], r["si_unit"]) for r in charge["rows"]] == [(3.6, "C"), (None, "")]
    assert expectation["verdict"] == "not met"


def test_json_loses_no_number(run, tmp_path):
    export_run(run, tmp_path / "run.json")
    data = strict(tmp_path / "run.json")
    assert list(data["traces"]) == ["curve", "shot"]
    for name, table in data["traces"].items():
        trace = run.trace(name)
        assert table["channels"] == list(run.traces()[name].channels)
        assert table["columns"] == [{"name": n, "unit": u} for n, u in trace.units.items()]
        columns = zip(*table["rows"], strict=True)
        for column, values in zip(trace.columns.values(), columns, strict=True):
            found = np.array(numbers(list(values)))
            np.testing.assert_array_equal(found, column)
            np.testing.assert_array_equal(np.signbit(found), np.signbit(column))
    # Of the readings only those are there once more that no trace holds.
    assert [len(table["rows"]) for table in data["readings"].values()] == [0, len(HOSTILE)]
    names = [column["name"] for column in data["readings"]["meter"]["columns"]]
    assert names[:4] == ["time", "trace", "line", "meter.voltage"]
    assert data["readings"]["meter"]["rows"][1][:4] == [1.5, -1.0, 20.0, -1.0]


@pytest.mark.parametrize("to", ["json", "csv", "parquet"])
def test_a_result_that_is_a_trace_is_one(store, info, tmp_path, to):
    writer = store.begin(info())
    writer.trace(0, "curve", ["smu"])
    writer.stream("smu", CHANNEL_COLUMNS).append(row(0, 1.0, 2.0, 0))
    result = writer.stream(result_stream("stc"), ("time", "smu.voltage"), at_once=True)
    result.append((0.0, 1.25))
    writer.end("finished", 0)
    run = store.run(writer.id)
    assert run.trace("stc")["voltage"].tolist() == [1.25]
    assert run.trace("stc").units == {"time": "s", "smu.voltage": "V"}
    path = tmp_path / "stc"
    export_run(run, path, to, "stc")
    if to == "json":
        assert strict(path)["traces"]["stc"]["rows"] == [[0.0, 1.25]]
        export_run(run, path, to)
        assert {n: table["channels"] for n, table in strict(path)["traces"].items()} == {
            "curve": ["smu"], "stc": [],
        }  # fmt: skip
    elif to == "csv":
        assert path.read_text("utf-8-sig").splitlines()[-1] == "0.0,1.25"
    else:
        assert pq.read_table(path).to_pylist() == [{"time": 0.0, "smu.voltage": 1.25}]


def test_json_of_one_trace(run, tmp_path):
    export_run(run, tmp_path / "shot.json", trace="shot")
    data = strict(tmp_path / "shot.json")
    assert list(data["traces"]) == ["shot"]
    assert data["readings"] == {}
    assert len(data["traces"]["shot"]["rows"]) == 3


@pytest.mark.parametrize("trace", ["curve", "shot"])
def test_parquet_of_a_trace_is_read_back_to_the_bit(run, tmp_path, trace):
    path = tmp_path / "trace.parquet"
    export_run(run, path, trace=trace)
    expected = run.trace(trace)
    table = pq.read_table(path)
    assert table.column_names == list(expected.columns)
    for field in table.schema:
        assert field.type == pa.float64()
        assert field.metadata[b"unit"].decode() == expected.units[field.name]
    facts = json.loads(table.schema.metadata[b"fusewire"])
    assert (facts["run"], facts["trace"]) == (run.meta.id, trace)
    assert facts["results"][0]["si_unit"] == "F"
    assert facts["conditions"] == {"room": "23 °C"}
    frame = pd.read_parquet(path)
    assert frame.attrs["units"] == expected.units
    for name, column in expected.columns.items():
        found = frame[name].to_numpy()
        np.testing.assert_array_equal(found, column)
        np.testing.assert_array_equal(np.signbit(found), np.signbit(column))
    assert table["time"].null_count == 0


def test_parquet_has_no_value_where_the_record_has_none(run, tmp_path):
    path = tmp_path / "all.parquet"
    export_run(run, path)
    table = pq.read_table(path)
    assert table.schema.field("trace").type == pa.string()
    assert table.schema.field("line").type == pa.int32()
    time = table["time"].to_pylist()
    assert time == sorted(time)
    assert len(time) == 3 * len(HOSTILE)
    assert table["trace"].to_pylist()[:4] == ["curve", "curve", None, "curve"]
    assert table["line"].to_pylist()[:3] == [17, 17, 20]
    # One is of the channel itself, not a number; the others are rows of the other channel.
    assert table["smu.voltage"].null_count == 1 + 2 * len(HOSTILE)
    assert math.inf in table["smu.voltage"].to_pylist()
    frame = pd.read_parquet(path)
    assert frame["meter.voltage"].dtype == np.float64


def test_parquet_without_its_package_says_which_command_brings_it(run, tmp_path, monkeypatch):
    real = builtins.__import__

    def without(name: str, *rest: Any, **more: Any) -> Any:
        if name.split(".")[0] in ("pyarrow", "pandas"):
            raise ImportError(name)
        return real(name, *rest, **more)

    monkeypatch.setattr(builtins, "__import__", without)
    with pytest.raises(StoreError, match="needs the package pyarrow") as told:
        export_run(run, tmp_path / "all.parquet")
    assert told.value.advice == "`pip install 'fusewire[frames]'` installs it"
    assert told.value.fault == "person"
    with pytest.raises(StoreError, match="a frame needs the package pandas"):
        run.trace("curve").frame()
    assert list(tmp_path.glob("*.p*")) == []


def test_the_form_goes_by_the_ending_unless_it_is_named(run, tmp_path):
    run.export(tmp_path / "a.CSV")
    run.export(tmp_path / "b.txt", "csv")
    assert (tmp_path / "a.CSV").read_bytes() == (tmp_path / "b.txt").read_bytes()
    with pytest.raises(StoreError, match="no export to “txt”") as told:
        run.export(tmp_path / "b.txt")
    assert told.value.advice == "there are csv, parquet, json"


@pytest.mark.parametrize("to", ["json", "parquet"])
def test_a_long_export_takes_no_more_memory_than_a_short_one(
    store, info, tmp_path, to, monkeypatch
):
    # Rows of Parquet go in groups; small ones here, so that a test has several of them.
    monkeypatch.setattr(export_parquet, "GROUP", 4096)

    def peak_of(count: int) -> int:
        writer = store.begin(info())
        time = np.arange(count) * 0.1
        columns = [
            time,
            *(time * k for k in range(1, 9)),
            np.full(count, -1.0),
            np.full(count, 17.0),
        ]
        writer.stream("smu", CHANNEL_COLUMNS).extend(columns, count)
        writer.end("finished", 0)
        del time, columns
        tracemalloc.start()
        export_run(store.run(writer.id), tmp_path / "all", to)
        peak = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
        return peak

    peak_of(2 * 4096)  # what is made once and kept
    short, long = peak_of(3 * 4096), peak_of(15 * 4096)
    assert long < 1.1 * short + 1e5


def test_a_parquet_file_of_many_groups_is_whole(store, info, tmp_path, monkeypatch):
    monkeypatch.setattr(export_parquet, "GROUP", 5000)
    writer = store.begin(info())
    writer.trace(0, "held", ["smu"])
    count = 4096 * 5 + 17
    values = np.random.default_rng(1).standard_normal((len(CHANNEL_COLUMNS), count))
    values[0], values[CHANNEL_COLUMNS.index("trace")] = np.arange(count), 0.0
    writer.stream("smu", CHANNEL_COLUMNS).extend([*values], count)
    writer.end("finished", 0)
    run = store.run(writer.id)
    export_run(run, tmp_path / "held.parquet", trace="held")
    assert pq.ParquetFile(tmp_path / "held.parquet").num_row_groups == 3
    found = pq.read_table(tmp_path / "held.parquet")["smu.energy"].to_numpy()
    np.testing.assert_array_equal(found, run.trace("held").columns["smu.energy"])


DIMENSIONS = [value for value in vars(dimension).values() if isinstance(value, Dimension)]


@pytest.mark.parametrize("seed", range(200))
def test_the_si_unit_of_a_result_is_that_of_its_dimension(seed):
    """However the value was written for a person: with a prefix, in hours and minutes, in °C."""
    draw = random.Random(seed)
    kind = draw.choice(DIMENSIONS)
    if draw.random() < 0.4:
        kind = kind.times(draw.choice(DIMENSIONS)).over(draw.choice(DIMENSIONS).power(0.5))
    value = draw.choice([1, -1]) * 10 ** draw.uniform(-14, 9)
    unit = None
    if draw.random() < 0.4:
        unit, found = draw.choice([*SIMPLE_UNITS.items()])
        kind = found.dimension
    result = ResultRow("x", value, unit or "", "", write(value, kind, unit=unit))
    assert result.si_unit == ("K" if kind.point else kind.unit)
