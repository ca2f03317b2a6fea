"""`fusewire dry-run --spread N`: what it shows, what it gives as data, what it refuses."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest

from sequencer.record import default_path
from tests.sequencer.cli.conftest import Call
from tests.sequencer.cli.recipes_of_tests import write_bench, write_recipe


@pytest.fixture
def recipe(folder: Path) -> str:
    """The recipe, with a tolerance on its bench; the current is 10 mA, and up to 11.1 mA."""
    bench = write_bench(folder)
    bench.write_text(bench.read_text().replace('"100 ohm"', '"100 ohm ± 10 %"'))
    return str(write_recipe(folder, tolerance="5 %"))


def test_the_table(call: Call, recipe: str) -> None:
    said = call("dry-run", recipe, "--spread", "60", "--workers", "1")
    lines = said.out.splitlines()
    assert max(map(len, lines)) <= 80
    first = next(line for line in lines if "dry runs" in line)
    assert first == "60 dry runs of “Ridge weather station, a shunt”: 60 finished."
    text = " ".join(said.out.split())
    assert "I Current mean " in text
    assert "driven by parts.shunt.resistance (" in text
    assert "I in 10 mA ± 5 % met in " in text
    assert "shunt voltage never tripped; " in text
    assert said.code == 1  # in half of the runs the expectation isn't met
    assert not default_path().exists()  # none of them is on record


def test_as_data(call: Call, recipe: str) -> None:
    given = ("dry-run", recipe, "--spread", "20", "--seed", "4", "--json")
    said = call(*given, "--workers", "1")
    data = json.loads(said.out)
    assert (data["runs"], data["seed"], data["outcomes"]) == (20, 4, {"finished": 20})
    (current,) = data["results"]
    each = [run["results"][0]["value"] for run in data["each"]]
    assert len(each) == 21
    assert current["nominal"] == each[0]
    assert (current["least"], current["most"]) == (min(each[1:]), max(each[1:]))
    assert current["mean"] == pytest.approx(sum(each[1:]) / 20, rel=1e-12)
    assert current["driver"]["name"] == "parts.shunt.resistance"
    drawn = [run["parameters"]["parts.shunt.resistance"] for run in data["each"]]
    assert drawn[0] == 100.0
    assert all(90 <= ohms <= 110 for ohms in drawn)
    assert call(*given, "--workers", "2").out == said.out


MISSES = """\
    top = maximum(high, current) as mA
    late = crossing_time(readings, voltage, 2 V)
"""


def test_why_there_is_no_value(call: Call, recipe: str) -> None:
    """Of what some of the runs have, and of what none has: the reason that most of them give."""
    path = Path(recipe)
    text = path.read_text().replace(
        "    say ", "    if smu.current > 10.2 mA:\n        measure smu into high\n    say "
    )
    path.write_text(text.replace("results:\n", "results:\n" + MISSES))
    said = call("dry-run", recipe, "--spread", "60", "--workers", "1")
    text = " ".join(said.out.split())
    assert re.search(
        r" values, the others have none, as in run \d+: no reading was taken into “high” ", text
    )
    said_of = "no run came to a value, as in run 1: `crossing_time(readings, voltage, 2 V)`: "
    assert f" late {said_of}" in text
    assert "squared rank correlation, from 20 % on" in text
    data = json.loads(call("dry-run", recipe, "--spread", "20", "--json", "--workers", "1").out)
    missing = {result["name"]: result["missing"] for result in data["results"]}
    assert missing["top"]["reason"] == "no reading was taken into “high”"
    tops = {run["run"]: run["results"][0] for run in data["each"][1:]}
    assert {top["name"] for top in tops.values()} == {"top"}
    first = min(number for number, top in tops.items() if top["value"] is None)
    assert missing["top"]["run"] == first
    assert missing["I"] is None


def test_what_the_nominal_run_lacks_is_nothing_to_the_others(call: Call, recipe: str) -> None:
    path = Path(recipe)
    text = path.read_text().replace(
        "    say ",
        "    if not smu.current in 10 mA ± 0.3 %:\n        measure smu into high\n    say ",
    )
    path.write_text(text.replace("results:\n", "results:\n" + MISSES))
    data = json.loads(call("dry-run", recipe, "--spread", "3", "--json", "--workers", "1").out)
    top = next(result for result in data["results"] if result["name"] == "top")
    assert (top["values"], top["nominal"], top["missing"]) == (3, None, None)


def test_few_runs_tell_of_no_driver(call: Call, recipe: str) -> None:
    said = call("dry-run", recipe, "--spread", "3", "--workers", "1")
    assert "Among so few, nothing can be told to drive a value." in " ".join(said.out.split())
    assert "squared rank" not in said.out


def test_quiet(call: Call, recipe: str) -> None:
    said = call("dry-run", recipe, "--spread", "3", "--workers", "1", "--quiet")
    assert said.out == "3 finished\n"


def test_without_tolerances_it_says_so(call: Call, folder: Path) -> None:
    write_bench(folder)
    said = call("dry-run", str(write_recipe(folder)), "--spread", "2", "--workers", "1")
    assert "No parameter of the bench has a tolerance" in said.out


@pytest.mark.parametrize(
    ("more", "words"),
    [
        (("--spread", "0"), "--spread: 0 is no whole number from 1 to 9999999"),
        (("--spread", "-3"), "--spread"),
        (("--spread", "many"), "--spread: many is no whole number"),
        (("--workers", "2"), "--workers is for a spread, and one run needs none"),
        (("--cluster", "tcp://127.0.0.1:1"), "--cluster is for a spread"),
        (("--spread", "2", "--workers", "2", "--cluster", "x"), "say both who is to work"),
        (("--spread", "2", "--record", "s.sqlite"), "the runs of a spread go into none"),
        (("--spread", "2", "--cluster", "tcp://127.0.0.1:1"), "there is no cluster at"),
    ],
)
def test_refused(call: Call, recipe: str, more: tuple[str, ...], words: str) -> None:
    said = call("dry-run", recipe, *more)
    assert said.code == 2
    assert words in said.err


def test_a_live_run_has_no_spread(call: Call, recipe: str) -> None:
    said = call("run", recipe, "--bench", "shunt.bench.toml", "--spread", "5")
    assert said.code == 2
    assert "--spread" in said.err
