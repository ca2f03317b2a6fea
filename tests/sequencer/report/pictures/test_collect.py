"""What the plots of a run show, against its record read whole."""

from __future__ import annotations

import numpy as np
import pytest

from sequencer.record import GuardRow, PlotRow, RunInfo, Store
from sequencer.record.rows import CHANNEL_COLUMNS
from sequencer.report.pictures.collect import asked_for, over_time, visited
from sequencer.report.pictures.plot import Level
from tests.sequencer.report.rows_on_record import row
from tests.sequencer.report.shipped_runs import run_of

PANEL = """\
recipe "Ridge weather station: small panel"
channel smu: source, sink, measure
part panel is solar module on smu:
    voltage -0.5 V to 25 V
    current within 800 mA
steps:
    measure smu into sweep
results:
    plot sweep: current against voltage
"""


def test_every_channel_is_shown_over_time_with_the_lines_of_its_guards() -> None:
    run = run_of("characterise-supercapacitor")
    plots = {plot.name: plot for plot in over_time(run)}
    assert list(plots) == ["smu-voltage", "smu-current", "smu-power"]
    voltage, current = plots["smu-voltage"], plots["smu-current"]
    assert (voltage.x.label, voltage.y.label) == ("time (min)", "voltage (V)")
    assert voltage.levels == (Level("bank voltage -50 mV", -0.05), Level("bank voltage 2.8 V", 2.8))
    whole = run.columns("smu")
    for plot, column in ((voltage, whole["voltage"]), (current, whole["current"])):
        (curve,) = plot.curves
        assert curve.y.max() == column.max()
        assert curve.y.min() == column.min()
        assert curve.x[-1] == whole["time"][-1] / 60
    power = whole["voltage"] * whole["current"]
    assert plots["smu-power"].curves[0].y.max() == power.max()


def test_a_guard_far_away_is_named_and_not_drawn() -> None:
    voltage = over_time(run_of("sweep-diode"))[0]
    assert [level.name for level in voltage.levels] == ["blocking voltage 1.2 V"]
    assert voltage.levels[0].value == 1200.0  # the axis is in mV
    assert voltage.note == "beyond the picture: blocking voltage -5 V"


def test_what_the_recipe_asks_for_counts_from_the_first_row_of_each_trace() -> None:
    run = run_of("characterise-supercapacitor")
    first, second = asked_for(run)
    assert first.title == "charging, discharging: voltage against time"
    assert [curve.name for curve in first.curves] == ["charging", "discharging"]
    assert [curve.x[0] for curve in first.curves] == [0.0, 0.0]
    charging = run.trace("charging").columns
    assert first.curves[0].x[-1] == pytest.approx(
        (charging["time"][-1] - charging["time"][0]) / 60, rel=1e-12
    )
    assert second.y.logarithmic
    assert second.y.label == "current (A)"


def test_a_panel_is_shown_as_a_generator(store: Store) -> None:
    writer = store.begin(RunInfo("panel", PANEL, "panel.recipe", "dry run", seed=0))
    writer.trace(0, "sweep", ["smu"])
    stream = writer.stream("smu", CHANNEL_COLUMNS)
    for k in range(5):
        stream.append(row(float(k), 5.0 * k, -0.6 + 0.1 * k, trace=0))
    writer.plots([PlotRow(("sweep",), "current", False, "voltage", False)])
    writer.end("finished", 0)
    (plot,) = asked_for(store.run(writer.id))
    assert plot.y.label == "current of the panel as a generator (mA)"
    np.testing.assert_allclose(plot.curves[0].y, [600, 500, 400, 300, 200], rtol=1e-12)
    assert plot.curves[0].x.tolist() == [0, 5, 10, 15, 20]
    # As it is on record where it is shown over time: what the part gives is negative.
    assert over_time(store.run(writer.id))[1].curves[0].y.max() < 0


def test_a_curve_that_begins_anew_is_broken(store: Store) -> None:
    writer = store.begin(RunInfo("panel", PANEL, "panel.recipe", "dry run", seed=0))
    writer.trace(0, "sweep", ["smu"])
    stream = writer.stream("smu", CHANNEL_COLUMNS)
    for k in range(24):
        stream.append(row(float(k), float(k % 12), -0.1, trace=0))
    writer.plots([PlotRow(("sweep",), "current", False, "voltage", False)])
    writer.end("finished", 0)
    (plot,) = asked_for(store.run(writer.id))
    assert np.flatnonzero(np.isnan(plot.curves[0].x)).tolist() == [12]


def test_a_trace_that_holds_nothing_is_said(store: Store) -> None:
    writer = store.begin(RunInfo("panel", PANEL, "panel.recipe", "dry run", seed=0))
    writer.trace(0, "sweep", ["smu"])
    writer.plots([PlotRow(("sweep",), "current", False, "voltage", False)])
    writer.guards([GuardRow("panel voltage", "voltage", -0.5, 25.0, None, None)])
    writer.end("failed", 4)
    (plot,) = asked_for(store.run(writer.id))
    assert (plot.curves, plot.note) == ((), "nothing was taken into sweep")


def test_another_run_is_drawn_over_it() -> None:
    run = run_of("sweep-diode")
    (plot,) = asked_for(run, [run])
    assert [curve.name for curve in plot.curves] == ["curve", f"curve of {run.meta.id}"]
    np.testing.assert_array_equal(plot.curves[0].y, plot.curves[1].y)


def test_the_places_that_were_visited_are_of_the_record() -> None:
    run = run_of("characterise-supercapacitor")
    volts, amperes = visited(run, "smu")
    whole = run.columns("smu", ("voltage", "current"))
    read = set(zip(whole["voltage"].tolist(), whole["current"].tolist(), strict=True))
    assert set(zip(volts.tolist(), amperes.tolist(), strict=True)) <= read
    assert 200 < len(volts) < len(whole["voltage"])
