"""`runs`, `show` and `export`."""

from __future__ import annotations

import csv
import json
import os
import sys
from pathlib import Path

import pyarrow.parquet as pq
import pytest

from sequencer.record import Store, default_path
from tests.sequencer.cli.conftest import Call
from tests.sequencer.cli.recipes_of_tests import write_bench, write_recipe


@pytest.fixture
def two_runs(call: Call, folder: Path) -> list[str]:
    """The ids of two dry runs."""
    write_bench(folder)
    write_recipe(folder)
    call("dry-run", "shunt.recipe", "--quiet")
    call("dry-run", "shunt.recipe", "--quiet", "--seed", "5")
    with Store.open() as store:
        return [row.id for row in store.runs()]


@pytest.mark.parametrize(
    "arguments", [["runs"], ["show", "last"], ["export", "last", "--to", "csv"]]
)
def test_without_a_store_there_is_nothing_to_look_at(call: Call, arguments: list[str]) -> None:
    assert call(*arguments) == (
        2,
        "",
        f"error: no run is on record yet: there is no file {default_path()}\n"
        "  `fusewire dry-run` and `fusewire run` make one; --record names another\n",
    )
    assert not default_path().exists()


def test_runs_are_listed_the_newest_last(call: Call, two_runs: list[str]) -> None:
    said = call("runs")
    head, *rows = said.out.splitlines()
    assert head.split() == ["run", "at", "outcome", "title"]
    assert [row.split()[0] for row in rows] == two_runs
    assert all(row.endswith("  dry  finished  Ridge weather station, a shunt") for row in rows)
    data = json.loads(call("runs", "--json").out)
    assert [row["id"] for row in data] == two_runs


def test_a_run_goes_by_its_id_a_beginning_or_last(call: Call, two_runs: list[str]) -> None:
    first, second = two_runs
    assert json.loads(call("show", first, "--json").out)["run"] == first
    assert json.loads(call("show", "last", "--json").out)["run"] == second
    assert json.loads(call("show", "last", "--json").out)["seed"] == 5
    with Store.open() as store:
        store._connection.execute("UPDATE run SET id = '2001-01-01-001' WHERE id = ?", (first,))
    assert json.loads(call("show", "2001", "--json").out)["run"] == "2001-01-01-001"


def test_a_beginning_of_several_runs_is_refused(call: Call, two_runs: list[str]) -> None:
    said = call("show", "20")
    assert said == (
        2,
        "",
        f"error: 20 begins 2 runs: {two_runs[0]}, {two_runs[1]}\n  name one of them whole\n",
    )


def test_an_empty_name_is_the_beginning_of_no_run(call: Call, two_runs: list[str]) -> None:
    assert call("show", "") == (
        2,
        "",
        f"error: there is no run “” in {default_path()}\n  it holds 2 runs\n",
    )


def test_an_unknown_run_is_refused(call: Call, two_runs: list[str]) -> None:
    assert call("show", "1999-01-01-001") == (
        2,
        "",
        f"error: there is no run “1999-01-01-001” in {default_path()}\n  it holds 2 runs\n",
    )


def test_show_tells_what_happened(call: Call, two_runs: list[str]) -> None:
    said = call("show", "last")
    assert said.code == 0
    lines = said.out.splitlines()
    assert lines[:3] == [
        "Ridge weather station, a shunt",
        f"  run      {two_runs[1]} (dry run on a simulated bench, seed 5)",
        lines[2],
    ]
    assert lines[2].startswith("  recipe   shunt.recipe, SHA-256 ")
    assert "  setting  level = 1 V" in lines
    assert "  traces   readings" in lines
    assert any(line.endswith("  smu on") for line in lines)
    assert any("note: Measured " in line for line in lines)


def test_show_as_data_holds_events_notes_and_steps(call: Call, two_runs: list[str]) -> None:
    data = json.loads(call("show", "last", "--json").out)
    assert "smu on" in [event["text"] for event in data["events"]]
    assert data["notes"][0]["text"].startswith("Measured ")
    assert [step["line"] for step in data["steps"]] == [12, 13, 14, 15, 16]


def test_export_writes_a_table_that_a_spreadsheet_opens(
    call: Call, two_runs: list[str], folder: Path
) -> None:
    said = call("export", "last", "--to", "csv", "--trace", "readings")
    file = folder / f"{two_runs[1]}-readings.csv"
    assert said == (0, f"wrote {file.name}\n", "")
    text = file.read_text(encoding="utf-8-sig")
    rows = [row for row in csv.reader(text.splitlines()) if not row[0].startswith("#")]
    assert rows[0][:3] == ["time (s)", "smu.voltage (V)", "smu.current (A)"]
    # every 20 ms for 100 ms ticks at 0, 20, … 100 ms
    assert len(rows) == 1 + 6
    current = rows[0].index("smu.current (A)")
    # 1 V over 100 ohm (Ohm), within the instrument's accuracy
    assert all(float(row[current]) == pytest.approx(0.01, rel=0.01) for row in rows[1:])


def test_export_to_other_programs(call: Call, two_runs: list[str], folder: Path) -> None:
    assert call("export", "last", "--to", "json") == (0, f"wrote {two_runs[1]}.json\n", "")
    data = json.loads((folder / f"{two_runs[1]}.json").read_text(encoding="utf-8"))
    assert (data["run"], data["seed"]) == (two_runs[1], 5)
    assert len(data["traces"]["readings"]["rows"]) == 6
    given = ("export", "last", "--to", "parquet", "--trace", "readings", "-o", "r.parquet")
    assert call(*given) == (0, "wrote r.parquet\n", "")
    table = pq.read_table(folder / "r.parquet")
    rows = data["traces"]["readings"]["rows"]
    assert [list(row.values()) for row in table.to_pylist()] == rows


def test_export_to_parquet_without_its_package(
    call: Call, two_runs: list[str], folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "pyarrow", None)  # as if it weren't installed
    assert call("export", "last", "--to", "parquet") == (
        2,
        "",
        "error: an export to Parquet needs the package pyarrow, which isn't installed\n"
        "  `pip install 'fusewire[frames]'` installs it\n",
    )
    assert list(folder.glob("*.parquet*")) == []


def test_export_replaces_a_file_only_when_it_is_named(call: Call, two_runs: list[str]) -> None:
    name = f"{two_runs[1]}.csv"
    Path(name).write_text("mine")
    assert call("export", "last", "--to", "csv") == (
        2,
        "",
        f"error: {name} is there already, and nothing is overwritten unasked\n"
        f"  --out {name} replaces it, --out ANOTHER writes beside it\n",
    )
    assert Path(name).read_text() == "mine"
    assert call("export", "last", "--to", "csv", "--out", name) == (0, f"wrote {name}\n", "")
    assert Path(name).read_text(encoding="utf-8-sig").startswith("# record of a run")


def test_export_writes_through_a_link_and_over_files_alone(
    call: Call, two_runs: list[str], folder: Path
) -> None:
    # Links are followed and pipes stay pipes, as where a shell's `>` opens a file (POSIX.1, 2.7.2).
    if not hasattr(os, "mkfifo"):
        pytest.skip("the system has no pipes with a name")
    Path("kept").mkdir()
    os.symlink("kept/run.csv", "link.csv")
    assert call("export", "last", "--to", "csv", "--out", "link.csv").code == 0
    assert Path("link.csv").is_symlink()
    assert Path("kept/run.csv").read_text(encoding="utf-8-sig").startswith("# record of a run")
    os.mkfifo("pipe")
    assert call("export", "last", "--to", "csv", "--out", "pipe") == (
        2,
        "",
        "error: pipe can't be written: it is no plain file\n  name another file\n",
    )
    assert Path("pipe").is_fifo()
    assert call("export", "last", "--to", "csv", "--out", "kept") == (
        2,
        "",
        "error: kept can't be written: it is a folder\n  name another file\n",
    )


def test_export_to_standard_output_is_refused(
    call: Call, two_runs: list[str], folder: Path
) -> None:
    assert call("export", "last", "--to", "csv", "--out", "-") == (
        2,
        "",
        "error: --out -: an export goes to a file\n  name one, as in --out run.csv\n",
    )
    assert not Path("-").exists()


def test_export_of_an_unknown_trace_writes_nothing(
    call: Call, two_runs: list[str], folder: Path
) -> None:
    before = sorted(folder.iterdir())
    assert call("export", "last", "--to", "csv", "--trace", "reading") == (
        2,
        "",
        "error: the run has no trace “reading”\n  it has readings\n",
    )
    assert sorted(folder.iterdir()) == before


def test_a_file_that_is_no_store_is_left_as_it_is(call: Call, folder: Path) -> None:
    Path("notes.txt").write_text("my notes")
    said = call("runs", "--record", "notes.txt")
    assert said.code == 4
    assert "notes.txt can't be used: file is not a database" in said.err
    assert Path("notes.txt").read_text() == "my notes"
