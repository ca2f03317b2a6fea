"""`plot`, `report` and `check --picture`, whole."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.sequencer.cli.conftest import Call

RUN = ("dry-run", "sweep-diode", "--record", "records.sqlite", "--quiet")
STORE = ("--record", "records.sqlite")


@pytest.fixture
def there(call: Call, folder: Path) -> None:
    assert call(*RUN).code == 0


@pytest.mark.usefixtures("there")
def test_a_plot_in_the_terminal_keeps_within_it(call: Call) -> None:
    said = call("plot", "last", *STORE)
    assert (said.code, said.err) == (0, "")
    lines = said.out.splitlines()
    assert "curve: current against voltage" in lines[0]
    assert lines[-1] == "across: voltage (mV); upwards: current (A)"
    assert max(map(len, lines)) <= 80


@pytest.mark.usefixtures("there")
def test_plots_are_chosen_by_name_and_written_as_pictures(call: Call) -> None:
    for path, begins in (("area.png", b"\x89PNG"), ("curve.SVG", b"<?xml")):
        said = call("plot", "last", "smu-current", "plot-1", *STORE, "--out", path)
        assert said == (0, f"wrote {path}\n", "")
        assert Path(path).read_bytes().startswith(begins)
    assert b"smu: current over time" in Path("curve.SVG").read_bytes()


@pytest.mark.usefixtures("there")
def test_what_can_not_be_drawn_is_said(call: Call) -> None:
    said = call("plot", "last", "smu-resistance", *STORE)
    assert (said.code, said.out) == (2, "")
    assert said.err == (
        "error: the run has no plot “smu-resistance”\n"
        "  it has plot-1, smu-voltage, smu-current, smu-power\n"
    )
    said = call("plot", "last", *STORE, "--out", "curve.pdf")
    assert (
        said.err == "error: curve.pdf: no picture is written as “.pdf”\n  end it in .svg or .png\n"
    )
    said = call("plot", "last", *STORE, "--out", "nowhere/curve.png")
    assert said.code == 2
    assert said.err.startswith("error: nowhere/curve.png can't be written: No such file")


@pytest.mark.usefixtures("there")
def test_a_report_is_a_file_that_is_never_replaced_unasked(call: Call) -> None:
    said = call("report", "last", *STORE)
    assert (said.code, said.err) == (0, "")
    path = Path(said.out.removeprefix("wrote ").strip())
    assert path.read_text("utf-8").startswith("<!doctype html>")
    said = call("report", "last", *STORE)
    assert said.code == 2
    assert said.err.startswith(f"error: {path} is there already")
    assert call("report", "last", *STORE, "-o", str(path)).code == 0


@pytest.mark.usefixtures("there")
def test_another_run_is_drawn_over(call: Call) -> None:
    assert call(*RUN, "--seed", "3").code == 0
    first = call("runs", *STORE).out.splitlines()[1].split()[0]
    said = call("report", "last", *STORE, "--over", first, "-o", "both.html")
    assert said.code == 0
    assert f"curve of {first}" in Path("both.html").read_text("utf-8")


def test_the_area_of_a_check_is_a_picture(call: Call, folder: Path) -> None:
    said = call("check", "sweep-diode", "--bench", "sweep-diode", "--picture", "area.svg")
    assert said.code == 0
    assert said.out.endswith("wrote area.svg\n")
    drawn = Path("area.svg").read_text("utf-8")
    assert "Operating area of blocking on smu" in drawn
    assert "all of it lies within what the instrument bears" in drawn
    assert "visited" not in drawn


def test_one_picture_is_of_one_recipe(call: Call, folder: Path) -> None:
    said = call("check", "sweep-diode", "count-charge", "--picture", "area.svg")
    assert said == (2, "", "error: --picture goes with one recipe\n  check them one by one\n")
    assert not Path("area.svg").exists()
