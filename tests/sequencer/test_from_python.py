"""The shipped example in cells, executed as a notebook does: cell by cell, and what each shows.

And the page beside the functions: its code runs, and every key of an export stands there.
"""

from __future__ import annotations

import ast
import json
import re
from collections.abc import Iterator
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

ROOT = Path(__file__).parents[2]
SCRIPT = ROOT / "recipes" / "from_python.py"
PAGE = (ROOT / "sequencer" / "PYTHON.md").read_text(encoding="utf-8")
VOID = {"br", "hr", "img"}


class Balanced(HTMLParser):
    """Reads HTML, and fails where an element isn't closed, or one that isn't open is."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.open: list[str] = []
        self.words: list[str] = []
        self.feed(text)
        self.close()
        assert self.open == []

    def handle_starttag(self, tag: str, attrs: object) -> None:
        if tag not in VOID:
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        self.words.append(data)


def cells_of(text: str) -> list[str]:
    """The code cells of a script; a cell in Markdown is comments alone."""
    return [cell for cell in re.split(r"^# %%.*$", text, flags=re.M) if ast.parse(cell).body]


def shown(value: Any) -> str:
    """What a notebook shows of a value: its HTML where it has any, else its text; in words."""
    if not hasattr(value, "_repr_html_"):
        return repr(value)
    html = value._repr_html_()
    return " ".join(Balanced(html).words)


def execute(cells: list[str]) -> tuple[dict[str, Any], list[str]]:
    """The names after all cells, and what each of them showed at its end."""
    names: dict[str, Any] = {"__name__": "__main__"}
    displays = []
    for cell in cells:
        body = ast.parse(cell)
        last = body.body.pop() if isinstance(body.body[-1], ast.Expr) else None
        exec(compile(body, str(SCRIPT), "exec"), names)  # noqa: S102
        value = None
        if isinstance(last, ast.Expr):
            value = eval(compile(ast.Expression(last.value), str(SCRIPT), "eval"), names)  # noqa: S307
        displays.append(shown(value))
    return names, displays


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """A folder to work in, with a store of its own."""
    folder = tmp_path_factory.mktemp("notebook")
    with pytest.MonkeyPatch.context() as patched:
        patched.setenv("XDG_DATA_HOME", str(folder / "data"))
        patched.setenv("LOCALAPPDATA", str(folder / "data"))
        patched.chdir(folder)
        yield folder


@pytest.fixture(scope="module")
def executed(folder: Path) -> tuple[dict[str, Any], list[str]]:
    names, displays = execute(cells_of(SCRIPT.read_text(encoding="utf-8")))
    names["exported"] = (folder / "discharging.csv").read_text(encoding="utf-8-sig")
    return names, displays


def test_every_cell_shows_something(executed) -> None:
    _, displays = executed
    assert len(displays) == 13
    assert "None" not in displays
    for shown_text in displays:
        assert len(shown_text) < 6000


def test_the_recipe_and_its_check_show_themselves(executed) -> None:
    names, displays = executed
    assert "Supercapacitor: capacitance and internal resistance" in displays[0]
    assert "source smu voltage rated, limit rate" in displays[0]
    assert "characterise-supercapacitor.recipe: no problem" in displays[0]
    assert repr(names["recipe"]) == "Loaded('characterise-supercapacitor.recipe', no problem)"
    for words in ("The worst case", "bank voltage", "-0.05 … 2.8 V", "Assumed:", "The instruments"):
        assert words in displays[1]
    assert names["checked"].settings["rate"].value == 2.0


def test_the_run_and_its_results_show_themselves(executed) -> None:
    names, displays = executed
    run = names["finished"]
    assert f"dry run {run.id}, finished" in displays[2]
    assert "Internal resistance" in displays[2]
    assert "met" in displays[2]
    assert "discharging" in displays[2]
    assert re.search(r"Capacitance.* C .*\d F ", displays[3])
    assert "IEC 62391-1" in displays[3]
    value, unit, method = ast.literal_eval(displays[4])
    assert (value, unit) == (float(names["C"]), "F")
    # The part is 330 F with a slow branch of 30 F, held for 30 min; the discharge takes minutes.
    assert 330 < value < 362
    assert method.startswith("constant-current line from 2.16 V to 1.08 V")
    assert repr(run) == f"Finished('{run.id}', finished, exit code 0)"


def test_the_trace_is_arrays_and_a_frame(executed) -> None:
    names, displays = executed
    trace, frame = names["trace"], names["frame"]
    assert displays[5].startswith(
        f"trace discharging, {len(trace)} rows column unit least greatest"
    )
    assert "smu.voltage V " in displays[5]
    # At 2 A, so the charge (C) is twice the time (s), but for what the first reading's rest took.
    duration = trace["time"][-1] - trace["time"][0]
    assert names["taken_out"] == pytest.approx(2 * duration, rel=0.01)
    assert isinstance(frame, pd.DataFrame)
    assert frame.index.name == "time"
    np.testing.assert_array_equal(frame["smu.current"], trace.columns["smu.current"])
    assert frame.attrs == {"trace": "discharging", "units": trace.units}
    assert "smu.voltage" in displays[7]
    assert displays[8] == "'V'"


def test_a_calculation_from_python_is_the_one_on_record(executed) -> None:
    names, displays = executed
    assert names["again"].value == float(names["C"])
    assert names["again"].method == names["C"].method
    assert displays[9].startswith("Calculated(value=3")
    # Of a part with a slow branch it depends on the voltages, but not by much.
    assert 0 < abs(float(displays[10])) < 0.02


def test_what_is_on_record_is_written_out(executed) -> None:
    names, displays = executed
    assert displays[11] == "'finished'"
    lines = names["exported"].splitlines()
    head = next(line for line in lines if line.startswith("time (s)"))
    assert len(lines) - lines.index(head) - 1 == len(names["trace"])


def test_what_is_refused_shows_its_problems(executed) -> None:
    names, displays = executed
    assert "2 errors" in displays[-1]
    assert "source smu voltage 0 V" in displays[-1]
    assert "^" in displays[-1]
    # As the command line tells it, all at once.
    for gathered in names["refused"].problems:
        for problem in gathered:
            assert problem.message in str(names["refused"])


def test_the_code_of_the_page_runs(folder: Path) -> None:
    blocks = re.findall(r"^```python\n(.*?)^```$", PAGE, re.M | re.S)
    assert len(blocks) == 4
    names, displays = execute(blocks)
    # The diode on that bench has an ideality of 1.8.
    assert float(names["n"]) == pytest.approx(1.8, rel=0.01)
    assert ast.literal_eval(displays[1])[0] == float(names["n"])
    most = names["finished"].result("most")
    assert names["largest"].value == float(most)


def test_the_page_names_every_key_of_an_export(folder: Path, executed) -> None:
    from sequencer import open_record

    with open_record() as store:
        store.find(executed[0]["finished"].id).export(folder / "run.json")
    data = json.loads((folder / "run.json").read_text(encoding="utf-8"))
    table = PAGE.partition("| key | holds |")[2].partition("\n\n")[0]
    cells = re.findall(r"^\| ([^|]*) \|", table, re.M)
    assert {key for cell in cells for key in re.findall(r"`(\w+)`", cell)} == set(data)
