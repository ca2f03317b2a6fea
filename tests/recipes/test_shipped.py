"""The shipped recipes: each checks, leaves margins, is laid out canonically, says what one needs.

What they give on their benches stands in the files beside this one, by kind of part.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from drivers.bench_file import load_bench, read_bench
from grammar import tree
from grammar.diagnostic import draw
from grammar.layout import format_text
from sequencer import api, shipped
from sequencer.checker.facts import Checked

NAMES = shipped.names()
BENCHES = [name for name in NAMES if (shipped.folder() / f"{name}.bench.toml").is_file()]
HURTS = ("cell", "solar module", "laser diode", "suppressor", "resettable fuse", "motor")
"""Kinds of part whose recipes say what may hurt, and what to do against it."""

LEAST_MARGIN = 0.01
"""Share of a rating: what the language itself leaves where a part's name stands as the limit."""


def text_of(name: str) -> str:
    return shipped.find_recipe(name).read_text(encoding="utf-8")


def recipe_of(name: str) -> tree.Recipe:
    return api.load(name).recipe


def complaints(checked: Checked) -> str:
    return "\n\n".join(map(draw, checked.problems))


@pytest.mark.parametrize("name", NAMES)
def test_it_checks_without_complaint(name: str) -> None:
    assert complaints(api.check(name)) == ""


@pytest.mark.parametrize("name", BENCHES)
def test_it_checks_without_complaint_on_its_bench(name: str) -> None:
    bench, problems = load_bench(shipped.find_bench(name))
    assert not list(problems)
    assert complaints(api.check(name, bench)) == ""


DEMO_CHANNEL = """
[channels.{channel}]
specification = "demo-source-measure"
part = "{part}"

[parts.{part}]
model = "resistor"
resistance = "1 kohm"
"""


@pytest.mark.parametrize(
    "name", [n for n in NAMES if len(recipe_of(n).channels) == len(recipe_of(n).parts)]
)
def test_margins_hold_the_errors_of_the_demo_instrument(name: str) -> None:
    """Its accuracy and overshoot, and its envelope; what hangs on it matters to no check."""
    text = 'line_frequency = "50 Hz"\n' + "".join(
        DEMO_CHANNEL.format(channel=part.channel.id, part=part.name.id)
        for part in recipe_of(name).parts
    )
    bench, _ = read_bench(Path("demo.bench.toml"), text)
    assert bench is not None
    assert complaints(api.check(name, bench)) == ""


@pytest.mark.parametrize("name", NAMES)
def test_levels_and_limits_stay_away_from_the_ratings(name: str) -> None:
    checked = api.check(name)
    assert checked.worst is not None
    for part in checked.worst.parts:
        for quantity, row in part.rows.items():
            if quantity.split()[0] in ("energy", "charge") or row.rating is None:
                continue
            if checked.parts[part.name].may_be_destroyed and quantity == "power":
                continue
            for worst, rated, side in zip((row.low, row.high), row.rating, (-1, 1), strict=True):
                if math.isfinite(worst) and math.isfinite(rated):
                    assert side * (rated - worst) >= LEAST_MARGIN * abs(rated), (part, quantity)


@pytest.mark.parametrize("name", NAMES)
def test_it_is_laid_out_canonically(name: str) -> None:
    text = text_of(name)
    laid_out, problems = format_text(text)
    assert not list(problems)
    assert laid_out == text
    assert max(map(len, text.splitlines())) <= 100


@pytest.mark.parametrize("name", NAMES)
def test_it_says_what_a_person_needs(name: str) -> None:
    recipe = recipe_of(name)
    about = "\n".join(recipe.about)
    assert re.search(r"^Wiring: ", about, re.MULTILINE)
    hurts = any(part.kind.id in HURTS or part.may_be_destroyed for part in recipe.parts)
    assert not hurts or re.search(r"^Safety: ", about, re.MULTILINE)
    for setting in recipe.settings:
        assert setting.bounds is not None, setting.name.id
        assert setting.title, setting.name.id
    kinds = [type(line) for line in recipe.results]
    assert tree.Expect in kinds
    assert tree.Plot in kinds
    untitled = [r.name.id for r in recipe.results if isinstance(r, tree.Result) and not r.title]
    assert not untitled


def rows(heading: str) -> Iterator[list[str]]:
    """The rows of the table of `recipes/README.md` with a heading in its first line."""
    readme = (shipped.folder() / "README.md").read_text(encoding="utf-8")
    table = next(part for part in readme.split("\n\n") if part.startswith(heading))
    for line in table.splitlines()[2:]:
        yield [cell.strip() for cell in line.strip("|").split("|")]


def test_the_list_is_complete() -> None:
    listed = list(rows("| recipe | job |"))
    assert sorted(row[0].strip("`") for row in listed) == NAMES
    assert all(len(row) == 5 and all(row) for row in listed)
    assert sorted(row[0].strip("`") for row in rows("| recipe | on its")) == BENCHES


def test_every_bench_is_that_of_a_recipe() -> None:
    found = {p.name.removesuffix(".bench.toml") for p in shipped.folder().glob("*.bench.toml")}
    assert found <= set(NAMES)
