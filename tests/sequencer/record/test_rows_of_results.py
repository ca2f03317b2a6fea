"""Results with a row a group, or with several answers, and plots: what goes in comes out again."""

import json
import sqlite3

from sequencer.analysis.verdicts import Row
from sequencer.record import PlotRow, ResultRow, RunInfo, Store, open_record
from sequencer.record.schema import SCHEMA_VERSION

GROUPED = ResultRow(
    "C", None, "F", "capacitance", "2 rows", method="80 % to 40 %", each="cycle",
    rows=(
        Row(1.0, "cycle = 1", "", 11.4, "F", "11.4 F", method="80 % to 40 %"),
        Row(2.0, "cycle = 2", "", None, verdict="not measured", reason="no reading"),
    ),
)  # fmt: skip
ANSWERS = ResultRow(
    "fit", None, "", "", "2 answers",
    rows=(
        Row(None, "", "slope", 0.02, "", "20 mohm"), Row(None, "", "intercept", 2.5, "", "2.5 V"),
    ),
)  # fmt: skip
PLAIN = ResultRow("R", 0.02, "ohm", "", "0.02 ohm")
PLOT = PlotRow(("charging", "discharging"), "smu.voltage", False, "time", True)
INFO = RunInfo("Ridge weather station: bank", "recipe …", "bank.recipe", "dry run")


def written(store: Store) -> str:
    writer = store.begin(INFO)
    writer.results([GROUPED])
    writer.results([GROUPED, PLAIN, ANSWERS])
    writer.plots([PLOT, PLOT])
    writer.plots([PLOT])
    writer.end("finished", 0)
    return writer.id


def test_rows_and_plots_come_back_as_they_went_in(path, store):
    run_id = written(store)
    with open_record(path) as looked_at:
        run = looked_at.run(run_id)
        assert run.results() == [GROUPED, PLAIN, ANSWERS]
        assert run.plots() == [PLOT]


def test_the_plain_data_of_a_result_name_every_field_of_its_rows():
    data = json.loads(json.dumps(GROUPED.as_data()))
    assert (data["name"], data["each"], data["value"]) == ("C", "cycle", None)
    assert [(row["label"], row["key"], row["value"], row["reason"]) for row in data["rows"]] == [
        ("cycle = 1", 1.0, 11.4, ""),
        ("cycle = 2", 2.0, None, "no reading"),
    ]


def test_a_store_of_version_1_is_read_as_it_is_and_completed_when_it_is_written_to(path, store):
    first = written(store)
    store.close()
    bare = sqlite3.connect(path)
    bare.executescript(
        "DROP TABLE result_row; DROP TABLE plot; PRAGMA user_version = 1; PRAGMA wal_checkpoint"
    )
    bare.close()
    with open_record(path) as looked_at:
        assert [row.name for row in looked_at.run(first).results()] == ["C", "R", "fit"]
        assert looked_at.run(first).plots() == []
    with Store.open(path) as again:
        second = written(again)
        assert again.run(second).results() == [GROUPED, PLAIN, ANSWERS]
        assert again.run(first).plots() == []
    bare = sqlite3.connect(path)
    assert bare.execute("PRAGMA user_version").fetchone() == (SCHEMA_VERSION,)
    bare.close()
