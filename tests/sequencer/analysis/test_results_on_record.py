"""A dry run whose results have rows, several answers and a trace of their own: what is on record,
what is shown, and what `--json` gives."""

from __future__ import annotations

import io
import json
from pathlib import Path

import pytest

from sequencer.record import PlotRow
from sequencer.report.record import as_data, show_results
from sequencer.report.terminal import Terminal
from tests.sequencer.engine.bench_of import Ran, bench_file, dry

RESISTOR = '\n[parts.load]\nmodel = "resistor"\nresistance = "10 ohm"\n'
RECIPE = """recipe "Ridge weather station: heater wire"
about "The heater wire of the rain gauge, four-wire, at three currents."
channel smu: source, measure
part load is resistor on smu:
    voltage within 2 V
    current within 150 mA
steps:
    for drive in values(20 mA, 50 mA, 100 mA):
        source smu current drive, limit 1.5 V
        output smu on
        wait 100 ms
        repeat 3 times:
            measure smu into looks
        output smu off
results:
    R = mean(looks, voltage) / mean(looks, current) for each drive "Resistance"
    heat = R * mean(looks, current)^2 for each drive as mW
    fit = line_fit(looks, voltage, current) "Line"
    wire = fit.slope as mohm
    clean = without_offset(looks, voltage, 0.1 V)
    low = mean(clean, voltage) for each drive
    expect R in 10 ohm ± 1 %
    expect low < 0.5 V
    plot looks, clean: voltage against current logarithmic
"""


@pytest.fixture
def ran(tmp_path: Path) -> Ran:
    return dry(RECIPE, tmp_path / "record.sqlite", bench_file(RESISTOR))


def test_rows_answers_and_plots_are_on_record(ran: Ran) -> None:
    """An ideal bench: U = 10 Ω × I at each current, to the digits of the reading."""
    assert ran.ending.reason == ""
    lines = {line.name: line for line in ran.record.results() if line.name}
    for name, expected in {"R": [10, 10, 10], "heat": [4e-3, 25e-3, 0.1]}.items():
        assert lines[name].each == "drive"
        assert [row.key for row in lines[name].rows] == [0.02, 0.05, 0.1]
        assert [row.label for row in lines[name].rows][:1] == ["drive = 20 mA"]
        assert [row.value for row in lines[name].rows] == pytest.approx(expected, rel=1e-4)
    assert [row.answer for row in lines["fit"].rows] == [
        "slope",
        "intercept",
        "spread",
        "slope_uncertainty",
        "intercept_uncertainty",
    ]
    assert lines["wire"].value == pytest.approx(10.0, rel=1e-4)
    assert lines["clean"].text == "a trace of 9 rows"
    assert [row.value for row in lines["low"].rows] == pytest.approx([0.1, 0.4, 0.9], rel=1e-3)
    assert ran.record.plots() == [PlotRow(("looks", "clean"), "voltage", False, "current", True)]


def test_an_expectation_on_rows_is_on_record_row_by_row(ran: Ran) -> None:
    met, not_met = (line for line in ran.record.results() if not line.name)
    assert (met.verdict, met.reason) == ("met", "in all 3 rows")
    assert (not_met.verdict, [row.verdict for row in not_met.rows]) == (
        "not met", ["met", "met", "not met"],
    )  # fmt: skip
    assert not_met.reason.startswith("drive = 100 mA: low = ")
    assert ran.finished.exit_code == 1


def test_rows_are_shown_beneath_their_result_and_given_as_data(ran: Ran) -> None:
    out = io.StringIO()
    show_results(Terminal(out), ran.record.results(), ended_well=True)
    shown = [" ".join(line.split()) for line in out.getvalue().splitlines()]
    first = next(k for k, line in enumerate(shown) if line.startswith("R 3 rows"))
    assert [line.split(" = ")[0] for line in shown[first + 1 : first + 4]] == ["drive"] * 3
    assert any(line.startswith("slope 10 ohm") for line in shown)
    data = json.loads(json.dumps(as_data(ran.record)))
    by_name = {line["name"]: line for line in data["results"]}
    assert by_name["heat"]["each"] == "drive"
    assert [row["unit"] for row in by_name["heat"]["rows"]] == ["mW"] * 3
