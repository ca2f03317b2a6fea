"""Long tables made short enough to draw, beside a plain search over the whole table."""

from __future__ import annotations

import tracemalloc
from collections.abc import Collection, Iterator
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sequencer.record import StoreError
from sequencer.record.decimation import decimate
from sequencer.record.rows import CHANNEL_COLUMNS
from sequencer.record.tables import Column, Piece, Table, table_of_channel, table_of_trace

PARTICULAR = [np.nan, np.inf, -np.inf, 0.0, -0.0, 1.0]
VALUES = st.floats(-5, 5, width=16) | st.sampled_from(PARTICULAR)


def table_of(columns: Piece, cuts: Collection[int] = ()) -> Table:
    """A table that is given in pieces, cut before these rows."""
    rows = len(columns["time"])
    bounds = sorted({0, rows, *(cut for cut in cuts if cut < rows)})

    def source(wanted: Collection[str]) -> Iterator[Piece]:
        for start, end in pairwise(bounds):
            yield {name: columns[name][start:end] for name in wanted}

    return Table("made", dict.fromkeys(columns, ""), source)


def shown(time: Column, columns: list[Column], edges: Column) -> list[int]:
    """The rows that a picture needs, by the definition and with no thought of speed."""
    rows = {0, len(time) - 1}
    for low, high in zip([-np.inf, *edges], [*edges, np.inf], strict=True):
        inside = [k for k in range(len(time)) if low <= time[k] < high]
        for column in columns:
            finite = [k for k in inside if np.isfinite(column[k])]
            if finite:
                rows.add(min(finite, key=lambda k: column[k]))
                rows.add(max(finite, key=lambda k: column[k]))
            for is_kind in (np.isnan, np.isposinf, np.isneginf):
                rows.update([k for k in inside if is_kind(column[k])][:1])
    return sorted(rows)


@st.composite
def tables(draw: st.DrawFn) -> tuple[Piece, list[int], int]:
    """Uneven times, some equal or on an edge, hostile values, cut anywhere; how many buckets."""
    rows = draw(st.integers(1, 60))
    steps = draw(st.lists(st.sampled_from([0.0, 1.0, 2.0, 8.0]), min_size=rows, max_size=rows))
    columns = {"time": 3.0 + np.cumsum(steps)}
    for name in ("a", "b"):
        columns[name] = np.array(draw(st.lists(VALUES, min_size=rows, max_size=rows)))
    cuts = draw(st.lists(st.integers(1, 59), max_size=5))
    return columns, cuts, draw(st.integers(1, 12))


@settings(max_examples=300, deadline=None)
@given(tables())
def test_the_rows_are_those_of_the_definition_however_the_table_is_cut(made) -> None:
    columns, cuts, buckets = made
    time, rows = columns["time"], len(columns["time"])
    single, double = decimate(table_of(columns, cuts), [("a",), ("b", "a")], buckets)
    edges = np.linspace(time[0], time[-1], buckets + 1)[1:-1]
    whole = list(range(rows))
    for found, names in ((single, ["a"]), (double, ["b", "a"])):
        expected = (
            whole if rows <= 2 * buckets else shown(time, [columns[name] for name in names], edges)
        )
        assert list(found) == ["time", *names]
        for name in ("time", *names):
            # To the bit, so that a zero keeps its sign.
            assert found[name].tobytes() == columns[name][expected].tobytes()


def test_logarithmic_buckets_are_beside_the_even_ones() -> None:
    random = np.random.default_rng(5)
    time = 3.0 + np.cumsum(random.exponential(1.0, 300))
    value = random.standard_normal(300)
    even = [time[0] + k * (time[-1] - time[0]) / 40 for k in range(1, 40)]
    shortest, longest = time[1] - time[0], time[-1] - time[0]
    powers = [time[0] + shortest * (longest / shortest) ** (k / 39) for k in range(39)]
    # The first power is the time of row 1 itself, which begins its bucket.
    edges = np.sort([*even, time[1], *powers[1:]])
    assert np.abs(np.subtract.outer(time[2:], edges)).min() > 1e-9  # none hangs on a last bit
    table = table_of({"time": time, "a": value}, (7, 100, 250))
    (found,) = decimate(table, [("a",)], 40, logarithmic=True)
    np.testing.assert_array_equal(found["time"], time[shown(time, [value], edges)])


def test_rows_on_an_edge_where_a_piece_ends_belong_to_what_follows() -> None:
    time = np.array([0.0, 1.0, 2.0, 2.0, 3.0, 4.0])
    value = np.array([9.0, -9.0, 3.0, 2.0, 2.5, 2.5])
    (found,) = decimate(table_of({"time": time, "a": value}, [4]), [("a",)], 2)
    assert found["a"].tolist() == [9.0, -9.0, 3.0, 2.0, 2.5]


def test_an_early_transient_is_kept_where_the_axis_is_logarithmic() -> None:
    """Ten decades of time: a wiggle in the first hundred rows of a million."""
    time = np.concatenate([np.arange(100) * 1e-6, np.linspace(1.0, 1e4, 1_000_000)])
    value = np.where(time < 1e-4, np.sin(time * 2e5), 0.0)
    table = table_of({"time": time, "a": value}, range(4096, len(time), 4096))
    (even,) = decimate(table, [("a",)], 500)
    (log,) = decimate(table, [("a",)], 500, logarithmic=True)
    assert np.count_nonzero(even["time"] < 1e-4) <= 4
    assert np.count_nonzero(log["time"] < 1e-4) > 60
    assert len(log["time"]) <= 2 * 2 * 500 + 2


def test_what_a_short_table_holds_is_kept_whole() -> None:
    columns = {"time": np.arange(10.0), "a": np.arange(10.0) % 3}
    (found,) = decimate(table_of(columns), [("a",)], 5)
    assert found["a"].tolist() == columns["a"].tolist()
    (empty,) = decimate(table_of({"time": np.empty(0), "a": np.empty(0)}), [("a",)])
    assert {name: len(column) for name, column in empty.items()} == {"time": 0, "a": 0}


def test_an_unknown_column_is_told_with_those_there_are() -> None:
    with pytest.raises(StoreError, match="“made” has no column “b”") as told:
        decimate(table_of({"time": np.arange(3.0), "a": np.arange(3.0)}), [("b",)])
    assert told.value.advice == "it has time, a"


def test_a_long_record_takes_no_more_memory_than_a_short_one(store, info) -> None:
    """Forty blocks beside four: what is kept is bounded by the buckets, not by the rows."""

    def peak_of(blocks: int) -> int:
        rows = 4096 * blocks
        writer = store.begin(info())
        writer.trace(0, "held", ["smu"])
        time = np.arange(rows) * 0.1
        values = [np.sin(time * k) for k in range(1, len(CHANNEL_COLUMNS))]
        values[CHANNEL_COLUMNS.index("trace") - 1] = np.zeros(rows)
        writer.stream("smu", CHANNEL_COLUMNS).extend([time, *values], rows)
        writer.end("finished", 0)
        run = store.run(writer.id)
        tracemalloc.start()
        for table in (table_of_trace(run, "held"), table_of_channel(run, "smu")):
            (found,) = decimate(table, [("smu.voltage", "smu.power")], 200)
            assert 0 < len(found["time"]) <= 4 * 200 + 2
            assert found["smu.voltage"].max() == values[0].max()
        peak = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
        return peak

    peak_of(4)  # what is made once and kept
    short, long = peak_of(4), peak_of(40)
    # Held to the end of each piece are its extremes and its two ends: some kilobytes in all.
    assert long < short + 0.5e6
