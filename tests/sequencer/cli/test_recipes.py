"""`new` and `check`, whole."""

from __future__ import annotations

import errno
import json
import os
from pathlib import Path

import pytest

from sequencer import shipped
from tests.sequencer.cli.conftest import Call
from tests.sequencer.cli.recipes_of_tests import write_bench, write_recipe

WRONG = """\
recipe "Ridge weather station, a shunt"

channel smu: source, measure

part shunt is resistr on smu:
    voltage within 5
    current within 100 mA

steps:
    source smu voltage 1 V
    output smu on
"""
DRAWN = """\
wrong.recipe:5:15: error: “resistr” is no kind of part that is known here [unknown-kind]
    5 | part shunt is resistr on smu:
      |               ^^^^^^^
  write resistor
"""


def test_new_lists_every_shipped_recipe_with_its_title(call: Call) -> None:
    said = call("new")
    assert (said.code, said.err) == (0, "")
    first, *rows = said.out.splitlines()
    assert first == "Shipped recipes"
    assert rows[-1] == (
        "`fusewire new NAME` copies one to start from, with its bench file if it has one."
    )
    assert max(map(len, rows)) <= 80
    for name in shipped.names():
        assert any(row.startswith(f"  {name}  ") for row in rows)


def test_new_copies_a_recipe_with_its_bench(call: Call, folder: Path) -> None:
    said = call("new", "sweep-diode", "--to", "bench one")
    recipe, bench = (
        Path("bench one") / name for name in ("sweep-diode.recipe", "sweep-diode.bench.toml")
    )
    assert said == (
        0,
        f"wrote {recipe}\nwrote {bench}\n\nWhat comes next:\n"
        f"  fusewire check '{recipe}'\n  fusewire dry-run '{recipe}'\n",
        "",
    )
    for copy in (recipe, bench):
        assert copy.read_bytes() == (shipped.folder() / copy.name).read_bytes()


def test_new_copies_a_recipe_that_has_no_bench(
    call: Call, folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    own = tmp_path / "shipped"
    own.mkdir()
    recipe = shipped.find_recipe("measure-joints")
    (own / recipe.name).write_bytes(recipe.read_bytes())
    monkeypatch.setattr(shipped, "folder", lambda: own)
    said = call("new", "measure-joints")
    assert (said.code, said.err) == (0, "")
    assert said.out == (
        "wrote measure-joints.recipe\n\nWhat comes next:\n"
        "  fusewire check measure-joints.recipe\n"
        "  fusewire check measure-joints.recipe --bench BENCH   # a bench file of yours\n"
    )
    assert [path.name for path in folder.iterdir()] == ["measure-joints.recipe"]


@pytest.mark.parametrize("there", ["sweep-diode.recipe", "sweep-diode.bench.toml"])
def test_new_never_overwrites(call: Call, folder: Path, there: str) -> None:
    Path(there).write_text("mine")
    said = call("new", "sweep-diode")
    assert said == (
        2,
        "",
        f"error: {there} is there already, and nothing is overwritten\n"
        "  name another folder with --to, or rename that file\n",
    )
    assert [path.name for path in folder.iterdir()] == [there]
    assert Path(there).read_text() == "mine"


def test_new_writes_nothing_for_an_unknown_name(call: Call, folder: Path) -> None:
    said = call("new", "sweep-diodes")
    assert said == (
        2,
        "",
        "error: there is no recipe sweep-diodes\n  did you mean sweep-diode?\n",
    )
    assert list(folder.iterdir()) == []


def test_new_says_where_nothing_can_be_written(call: Call, folder: Path) -> None:
    Path("mine").write_text("mine")
    said = call("new", "sweep-diode", "--to", "mine/copies")
    assert said == (
        2,
        "",
        f"error: nothing can be written to mine/copies: {os.strerror(errno.ENOTDIR)}\n"
        "  name another folder with --to\n",
    )


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (
            ["check", "shunt.bench.toml"],
            "error: shunt.bench.toml is a bench file, and a recipe is wanted here\n"
            "  --bench names a bench\n",
        ),
        (
            ["check", "shunt.recipe", "--bench", "shunt.recipe"],
            "error: shunt.recipe is a recipe, and a bench file is wanted here\n"
            "  its name ends in .bench.toml\n",
        ),
        (
            ["check", "drawer.recipe"],
            "error: drawer.recipe is a folder, and a recipe is wanted here\n"
            "  name a file in it, or another\n",
        ),
        (
            ["bench", "drawer.recipe"],
            "error: drawer.recipe is a folder, and a bench file is wanted here\n"
            "  name a file in it, or another\n",
        ),
        (
            ["format", "drawer.recipe"],
            "error: drawer.recipe is a folder, and a recipe is wanted here\n"
            "  name a file in it, or another\n",
        ),
    ],
)
def test_what_is_no_recipe_or_no_bench_file_is_named_as_what_it_is(
    call: Call, folder: Path, arguments: list[str], message: str
) -> None:
    write_bench(folder)
    write_recipe(folder)
    Path("drawer.recipe").mkdir()
    assert call(*arguments) == (2, "", message)


def test_check_draws_every_problem_and_says_how_many(call: Call) -> None:
    Path("wrong.recipe").write_text(WRONG)
    said = call("check", "wrong.recipe")
    assert (said.code, said.err) == (2, "")
    assert said.out.startswith(DRAWN)
    assert "[missing-unit]" in said.out
    assert "[source-without-limit]" in said.out
    assert said.out.endswith(
        "\n\n3 errors: it can't be run like this.\n`fusewire explain unknown-kind` tells more.\n"
    )


def test_check_gives_problems_as_data(call: Call) -> None:
    Path("wrong.recipe").write_text(WRONG)
    said = call("check", "wrong.recipe", "--json")
    assert (said.code, said.err) == (2, "")
    data = json.loads(said.out)
    assert (data["recipe"], data["fit"], data["worst"]) == ("wrong.recipe", False, None)
    assert data["problems"][0] == {
        "slug": "unknown-kind",
        "severity": "error",
        "fault": "recipe",
        "message": "“resistr” is no kind of part that is known here",
        "hint": "write resistor",
        "file": "wrong.recipe",
        "span": [5, 15, 5, 22],
        "related": [],
        "explain": "fusewire explain unknown-kind",
    }


def test_check_gives_each_problem_on_a_line_and_nothing_else(call: Call) -> None:
    Path("wrong.recipe").write_text(WRONG)
    said = call("check", "wrong.recipe", "--lines")
    assert (said.code, said.err) == (2, "")
    first, *others = said.out.splitlines()
    assert first == DRAWN.splitlines()[0]
    assert len(others) == 2
    assert all(line.startswith("wrong.recipe:") and line.endswith("]") for line in others)


def test_a_recipe_that_is_no_text_is_refused(call: Call) -> None:
    Path("photo.recipe").write_bytes(b"\x89PNG\r\n\xff\xfe")
    assert call("check", "photo.recipe") == (
        2,
        "",
        "error: photo.recipe is no UTF-8 text: byte 0 can't be read\n"
        "  save it as UTF-8 in your editor\n",
    )


def test_check_draws_the_problems_of_the_bench_file_too(call: Call, folder: Path) -> None:
    write_recipe(folder)
    bench = write_bench(folder)
    bench.write_text(bench.read_text().replace("100 ohm", "100 V"))
    said = call("check", "shunt.recipe", "--bench", "shunt.bench.toml")
    assert (said.code, said.out) == (2, "")
    assert said.err == (
        "shunt.bench.toml:13:14: error: “parts.shunt.resistance”: “100 V” is a voltage, expected "
        "a resistance as in “1 ohm” [bench-unit]\n"
        '   13 | resistance = "100 V"\n'
        "      |              ^^^^^^^\n\n"
        "1 error: it can't be run like this.\n`fusewire explain bench-unit` tells more.\n"
    )


def test_a_setting_is_checked_in_place_of_the_recipes_own(call: Call, folder: Path) -> None:
    write_recipe(folder)
    assert call("check", "shunt.recipe", "--set", "level=2V").code == 0
    said = call("check", "shunt.recipe", "--set", "level = 3 V")
    assert said.code == 2
    assert "the command line sets `level` to 3 V, outside its span 0.1 V to 2 V" in said.out


BENCHES = sorted(p.name.split(".")[0] for p in shipped.folder().glob("*" + shipped.BENCH_ENDING))


@pytest.mark.parametrize("name", BENCHES)
def test_every_shipped_recipe_is_fit_with_its_bench(call: Call, name: str) -> None:
    said = call("check", name, "--bench", name)
    assert (said.code, said.err) == (0, "")
    assert "worst on any path" in said.out
    assert said.out.endswith(f"\nFit to run on {name}: `fusewire dry-run` it first.\n")
    data = json.loads(call("check", name, "--bench", name, "--json").out)
    assert data["fit"]
    assert data["worst"]


def test_the_settings_in_force_have_a_forecast_of_their_own(call: Call) -> None:
    said = call("check", "supply-and-watch", "--set", "duration=1min")
    assert said.code == 0
    assert "\ntime under power up to 30 d 6 s\n" in said.out
    # 12 V up and down at 5 V/s beside the minute, each reading at its longest.
    assert "\n\nWith the settings in force: under power up to 64.9 s.\n\nFit " in said.out
    said = call("check", "supply-and-watch", "--set", "duration=30d", "--set", "level=15V")
    assert "With the settings in force" not in said.out
    assert "With the settings in force" not in call("check", "supply-and-watch").out
