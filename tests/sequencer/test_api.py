"""What the functions of the Python interface give, show and refuse, beside the command line."""

from __future__ import annotations

import math
import traceback
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import sequencer
from grammar.diagnostic import draw
from grammar.quantity import VOLTAGE, Quantity, UnitError, read
from sequencer import Refused, check, dry_run, load, open_record
from sequencer.analysis.verdicts import Row
from sequencer.cli import main
from sequencer.record import ResultRow, RunInfo, Store, StoreError
from sequencer.record.rows import CHANNEL_COLUMNS
from sequencer.shipped import NotFound
from tests.sequencer.test_from_python import Balanced

SHUNT = """recipe "Ridge weather station, a shunt <&>"
channel smu: source, measure, measure open
part shunt is resistor on smu:
    voltage within 2 V
    current within 50 mA
setting level = 1 V in 0.5 V to 1.5 V
steps:
    setup smu: aperture = 1 PLC
    source smu voltage level, limit 40 mA
    output smu on
    every 20 ms for 100 ms:
        measure smu into readings
results:
    U = mean(readings, voltage)
    worth = U / 1 V as %
    expect U < 0.9 V
"""
BENCH = """line_frequency = "50 Hz"
[channels.smu]
specification = "demo-source-measure"
part = "shunt"
[parts.shunt]
model = "resistor"
resistance = "100 ohm"
"""


@pytest.fixture
def bench(tmp_path: Path) -> Path:
    path = tmp_path / "shunt.bench.toml"
    path.write_text(BENCH, encoding="utf-8")
    return path


@pytest.fixture
def store(tmp_path: Path) -> Path:
    return tmp_path / "records.sqlite"


def html(value: object) -> str:
    """What a notebook shows of a value, which must be well formed; its words."""
    return " ".join(Balanced(value._repr_html_()).words)  # type: ignore[attr-defined]


def test_the_public_names_are_there() -> None:
    assert {name for name in sequencer.__all__ if callable(getattr(sequencer, name))} == {
        "Refused", "check", "dry_run", "load", "open_record", "run",
    }  # fmt: skip
    with pytest.raises(AttributeError, match="no attribute 'measure'"):
        _ = sequencer.measure


def test_a_dry_run_says_and_records_what_the_command_does(
    bench: Path, store: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    recipe = tmp_path / "shunt.recipe"
    recipe.write_text(SHUNT, encoding="utf-8")
    finished = dry_run(recipe, bench, {"level": "1.2 V"}, seed=3, store=store)
    code = main(["dry-run", str(recipe), "--bench", str(bench), "--set", "level=1.2V",
                 "--seed", "3", "--record", str(store), "--quiet"])  # fmt: skip
    capsys.readouterr()
    assert code == finished.exit_code == 1
    with open_record(store) as opened:
        first, second = (opened.run(row.id) for row in opened.runs())
        assert first.results() == second.results()
        for name, column in first.trace("readings").columns.items():
            np.testing.assert_array_equal(column, second.trace("readings").columns[name])
        assert repr(opened) == f"Store({str(store)!r}, 2 runs)"
        assert html(opened).startswith(f"2 runs in {store}")
        assert repr(first) == (
            f"Run('{finished.id}', dry run, finished: 'Ridge weather station, a shunt <&>')"
        )
        assert html(finished) == html(first)


def test_results_are_numbers_with_their_units(bench: Path, store: Path) -> None:
    finished = dry_run(load(SHUNT), bench, store=store, tell=lambda words: None)
    voltage, worth = finished.result("U"), finished.result("worth")
    # 1 V, within the instrument's accuracy
    assert float(voltage) == voltage.value == pytest.approx(1, rel=1e-2)
    assert voltage.si_unit == "V"
    assert (float(worth), worth.unit, worth.si_unit) == (float(voltage), "%", "")
    assert repr(voltage).startswith(f"U = {voltage.text}")
    assert html(worth).endswith(f"worth {worth.text}")
    with pytest.raises(StoreError, match="no result “C”") as told:
        finished.result("C")
    assert told.value.advice == "it has U, worth"


def test_what_a_recipe_brings_is_escaped(bench: Path, store: Path) -> None:
    loaded = load(SHUNT)
    finished = dry_run(loaded, bench, store=store, tell=lambda words: None)
    for shown in (loaded, check(loaded, bench), finished, finished.trace("readings")):
        text = shown._repr_html_()
        Balanced(text)
        assert "<&>" not in text
    assert "a shunt &lt;&amp;&gt;" in finished._repr_html_()
    assert "expect U &lt; 0.9 V" in finished._repr_html_()
    trace = finished.trace("readings")
    assert repr(trace).startswith("Trace('readings', 6 rows of time, smu.voltage, ")


def test_a_frame_goes_by_time_by_a_column_or_by_number(bench: Path, store: Path) -> None:
    trace = dry_run(load(SHUNT), bench, store=store, tell=lambda words: None).trace("readings")
    np.testing.assert_array_equal(trace.frame().index, trace["time"])
    assert "time" not in trace.frame().columns
    assert trace.frame("voltage").index.name == "smu.voltage"
    assert list(trace.frame(None).columns) == list(trace.columns)
    assert list(trace.frame(None).index) == list(range(6))
    assert {str(kind) for kind in trace.frame(None).dtypes} == {"float64"}
    with pytest.raises(StoreError, match="“readings” has no column “speed”"):
        trace.frame("speed")


def test_a_quantity_of_two_channels_has_to_be_named_in_full() -> None:
    from sequencer.record.trace import Trace

    trace = Trace("both", {name: np.zeros(2) for name in ("time", "a.voltage", "b.voltage")})
    np.testing.assert_array_equal(trace["a.voltage"], [0, 0])
    with pytest.raises(StoreError, match="“both” has 2 columns voltage") as told:
        trace["voltage"]
    assert told.value.advice == "name one of them in full: a.voltage, b.voltage"


def test_what_does_not_check_is_told_as_on_the_command_line(
    bench: Path, store: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    wrong = SHUNT.replace(", limit 40 mA", "").replace("mean(readings", "mean(reading")
    recipe = tmp_path / "shunt.recipe"
    recipe.write_text(wrong, encoding="utf-8")
    with pytest.raises(Refused) as told:
        dry_run(recipe, bench, store=store)
    problems = [problem for found in told.value.problems for problem in found]
    assert len(problems) == 2
    assert str(told.value) == "\n\n".join(map(draw, problems))
    assert main(["check", str(recipe), "--bench", str(bench)]) == 2
    said = capsys.readouterr()
    assert str(told.value) in said.out + said.err
    assert "shunt.recipe: 2 errors" in html(told.value)
    assert html(problems[0]) == draw(problems[0])
    assert repr(problems[0]) in str(told.value)
    checked = check(recipe)
    assert repr(checked) == "Checked('Ridge weather station, a shunt <&>', 2 errors)"
    assert repr(checked.problems) == "Problems('shunt.recipe', 2 errors)"
    assert not store.exists()


def test_a_value_that_is_none_is_named(bench: Path) -> None:
    with pytest.raises(UnitError, match=r"level = 1 X: “X” is not a unit"):
        check(load(SHUNT), settings={"level": "1 X"})
    assert check(load(SHUNT), settings={"level": read("1.5 V")}).settings["level"].value == 1.5


@pytest.mark.parametrize(
    "value",
    [
        None,
        True,
        [0.15],
        b"150 mA",
        math.nan,
        math.inf,
        Quantity(math.nan, VOLTAGE),
        pytest.param(10**400, id="too large"),
    ],
)
def test_a_value_that_is_no_text_is_refused_with_what_to_write(bench: Path, value: Any) -> None:
    for give in (check, dry_run):
        with pytest.raises(UnitError) as told:
            give(load(SHUNT), bench, {"level": value})
        assert str(told.value) == (
            f'level = {value!r:.40}: write a number with its unit in quotes, as in "150 mA"'
        )


@pytest.mark.parametrize("value", [2, 2.0, np.float64(2), np.int64(2), "2"])
def test_a_number_without_a_unit_is_told_as_on_the_command_line(
    bench: Path, store: Path, value: Any
) -> None:
    with pytest.raises(Refused) as told:
        dry_run(load(SHUNT), bench, {"level": value}, store=store)
    assert str(told.value).splitlines() == [
        "recipe: error: the command line sets `level` to 2, a plain number, expected a voltage "
        "[setting-unit]",
        "  the setting (line 6):",
        "    6 | setting level = 1 V in 0.5 V to 1.5 V",
        "      |         -----",
        "  write --set level='2 V'",
    ]
    assert not store.exists()


def test_a_plain_setting_takes_a_number() -> None:
    checked = check("measure-joints", settings={"joints": 5})
    assert not checked.problems.has_errors
    assert checked.settings["joints"].value == 5


def test_settings_that_are_no_values_by_name_are_refused() -> None:
    given: Any
    for given in ("level=1 V", ["level"], 2):
        with pytest.raises(UnitError) as told:
            check(load(SHUNT), settings=given)
        assert str(told.value) == (
            f'{given!r} is no values by name: write them as in {{"rate": "2 A"}}'
        )
    given = {3: "1 V"}
    with pytest.raises(UnitError) as told:
        check(load(SHUNT), settings=given)
    assert str(told.value) == '3 = 1 V: a name is a text: write it as in {"rate": "1 V"}'


def test_what_is_no_bench_is_not_found() -> None:
    wrong: Any
    for wrong in (3, None, ["shunt"]):
        for give in (check, dry_run, sequencer.run):
            if wrong is not None or give is sequencer.run:
                with pytest.raises(NotFound) as told:
                    give(load(SHUNT), wrong)
                assert str(told.value).startswith(f"there is no bench file {wrong}; shipped are ")


def test_a_traceback_says_what_to_do(tmp_path: Path) -> None:
    with pytest.raises(StoreError) as told:
        open_record(tmp_path / "none.sqlite")
    lines = traceback.format_exception_only(told.value)
    assert lines[-1] == "a run or a dry run makes one; or name another file\n"


@pytest.fixture
def opened(store: Path) -> Iterator[Store]:
    """A store with two runs, the second with results of several answers and groups."""
    made = Store.open(store)
    info = RunInfo(title="", recipe="", recipe_name="curve.recipe", mode="dry run", seed=0)
    for _ in range(2):
        writer = made.begin(info)
        writer.trace(0, "curve", ["smu"])
        writer.stream("smu", CHANNEL_COLUMNS).append((0.0, *[np.nan] * 8, 0.0, 3.0))
        several = (
            Row(None, "", "Voc", 21.5, "V", "21.5 V"),
            Row(None, "", "FF", None, verdict="not worked out", reason="no crossing"),
        )
        grouped = tuple(
            Row(float(k), f"cycle = {k}", "", 3.6 * k, "mAh", f"{k} mAh") for k in range(100)
        )
        night = (Row(None, "", "Voc", 0.0, "V", "0 V"),)
        both = (Row(1.0, "k = 1", "late", 0.1, "ohm", "0.1 ohm"),)
        writer.results(
            [
                ResultRow("night", None, "", "Curve", "1 answer", rows=night),
                ResultRow("sun", None, "", "Curve", "2 answers", method="a fit", rows=several),
                ResultRow("Q", None, "", "Charge", "100 rows", each="cycle", rows=grouped),
                ResultRow("R", None, "", "", "1 row, 1 answer", each="k", rows=both),
            ]
        )
        writer.end("stopped by the person", 5, "enough")
    yield made
    made.close()


def test_one_of_several_answers_goes_by_its_name(opened: Store) -> None:
    run = opened.find()
    assert float(run.result("sun.Voc")) == 21.5
    assert (run.result("sun.Voc").title, run.result("sun.Voc").si_unit) == ("Curve", "V")
    assert repr(run.result("sun.FF")) == "sun.FF = not worked out, no crossing"
    with pytest.raises(ValueError, match=r"sun\.FF = not worked out, no crossing is no single"):
        float(run.result("sun.FF"))
    with pytest.raises(ValueError, match="Q = 100 rows is no single number"):
        float(run.result("Q"))
    assert [row.value for row in run.result("Q").rows][:3] == [0.0, 3.6, 7.2]
    for name in ("Q.cycle", "sun.Isc", "R.late", "smu"):
        with pytest.raises(StoreError, match="no result") as told:
            run.result(name)
        assert told.value.advice == "it has night.Voc, sun.Voc, sun.FF, Q, R"


def test_what_is_long_is_cut(opened: Store) -> None:
    shown = html(opened.find())
    assert "stopped by the person: enough" in shown
    assert "Q cycle = 39 39 mAh" in shown
    assert "cycle = 40" not in shown
    assert "Q 60 rows more in its `rows`" in shown
    # Of a column without any value there are no extremes; their cells are there, and empty.
    trace = opened.find().trace("curve")
    assert " smu.voltage V smu.current A " in html(trace)
    lines = trace._repr_html_().split("<tr>")[1:]
    assert {line.count("<th ") + line.count("<td>") for line in lines} == {4}


def test_a_run_is_found_as_on_the_command_line(opened: Store) -> None:
    first, last = (row.id for row in opened.runs())
    assert opened.find().meta.id == opened.find("last").meta.id == last
    assert opened.find(first).meta.id == first
    with pytest.raises(StoreError, match=f"{first[:6]} begins 2 runs: {first}, {last}"):
        opened.find(first[:6])
    # The thousandth run of a day begins as its hundredth does, which is meant all the same.
    for run_id, row in zip(("2026-03-14-100", "2026-03-14-1000"), (first, last), strict=True):
        opened._connection.execute("UPDATE run SET id = ? WHERE id = ?", (run_id, row))
    assert opened.find("2026-03-14-100").meta.id == "2026-03-14-100"
    with pytest.raises(StoreError, match="there is no run “nine”"):
        opened.find("nine")
