"""The shipped recipes: each checks, leaves margins, is laid out canonically, says what one needs.

What their calculations give on the ideal simulated benches stands against closed forms: here for
those that move charge or only watch, beside the calculations' own tests for the others.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from scipy.linalg import expm

from drivers.bench_file import load_bench, read_bench
from grammar import tree
from grammar.diagnostic import draw
from grammar.layout import format_text
from sequencer import api, shipped
from sequencer.analysis.verdicts import Outcome
from sequencer.checker.facts import Checked
from tests.sequencer.analysis.made_traces import TwoBranches

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


def ideally(name: str, store: Path, **settings: str) -> dict[str, float]:
    """The results of an ideal dry run by name, those that are a value."""
    finished = api.dry_run(
        name, settings=settings, ideal=True, store=store / "record.sqlite", tell=lambda _: None
    )
    assert finished.exit_code == 0, finished.ending
    found: list[Outcome] = [r for r in finished.results if not r.is_expectation]
    return {outcome.name: outcome.value for outcome in found if outcome.value is not None}


def test_supply_and_watch(tmp_path: Path) -> None:
    """Ohm's law: 12 V at the instrument on 24 Ω behind two leads of 30 mΩ, for an hour."""
    found = ideally("supply-and-watch", tmp_path)
    current = 12 / 24.06
    assert found["U"] == pytest.approx(12.0, rel=1e-9)
    assert found["I"] == pytest.approx(current, rel=1e-6)
    assert found["I_most"] == pytest.approx(current, rel=1e-6)
    assert found["P"] == pytest.approx(12 * current, rel=1e-6)
    assert found["E"] == pytest.approx(12 * current * 3600, rel=1e-6)


def test_supply_of_the_other_sign(tmp_path: Path) -> None:
    found = ideally("supply-and-watch", tmp_path, level="-12 V", duration="1 min")
    assert found["I"] == pytest.approx(-12 / 24.06, rel=1e-6)
    assert found["P"] == pytest.approx(144 / 24.06, rel=1e-6)


def test_load_and_watch(tmp_path: Path) -> None:
    """The closed form of the bench's network from 2.5 V down to 1.205 V at 1 A, read by four wires.

    The first reading is there some 20 ms after the current began, and the last one comes within
    200 ms of the voltage.
    """
    found = ideally("load-and-watch", tmp_path)
    network = TwoBranches(
        series_ohm=3.2e-3, main_f=330.0, branch_ohm=0.5, branch_f=30.0, leak_ohm=5e3,
        start_v=2.5, current_a=1.0,
    )  # fmt: skip
    expected_s = network.crossing(1.205, 600.0)
    assert found["t"] == pytest.approx(expected_s, abs=0.1)
    assert found["Q"] == pytest.approx(1.0 * expected_s, abs=0.2)
    times = np.linspace(0.0, expected_s, 20_001)
    joules = float(np.trapezoid(network.voltage(times), times))
    assert found["E"] == pytest.approx(joules, rel=1e-3)
    assert found["P"] == pytest.approx(found["E"] / found["t"], rel=1e-9)


def test_count_charge(tmp_path: Path) -> None:
    """Ohm's law: 5 V on 500 Ω behind two leads of 30 mΩ, for an hour; an ideal zero is none."""
    found = ideally("count-charge", tmp_path, duration="1 h")
    assert found["I_before"] == found["I_after"] == 0.0
    assert found["Q"] == pytest.approx(5 / 500.06 * 3600, rel=1e-4)
    assert found["E"] == pytest.approx(25 / 500.06 * 3600, rel=1e-4)
    assert found["I"] == pytest.approx(found["I_most"], rel=1e-9)


def test_soak_supercapacitor(tmp_path: Path) -> None:
    """What is left after three days is 2.7 V over 5 kΩ; then the network runs down by itself.

    The states are the voltages of the main capacitance and of both branches, which start settled;
    the matrix exponential stands for the simulation. The readings resolve 10 µV of some 60 mV.
    """
    found = ideally("soak-supercapacitor", tmp_path)
    assert found["I_end"] == pytest.approx(2.7 / 5e3, rel=1e-4)
    assert found["I_24"] == pytest.approx(2.7 / 5e3, rel=1e-4)
    main, fast, slow = (330.0, 0.0), (30.0, 0.5), (8.0, 400.0)
    matrix = np.zeros((3, 3))
    matrix[0, 0] = -1 / (5e3 * main[0])
    for k, (farad, ohm) in enumerate((fast, slow), start=1):
        matrix[0, 0] -= 1 / (ohm * main[0])
        matrix[0, k] = 1 / (ohm * main[0])
        matrix[k, 0], matrix[k, k] = 1 / (ohm * farad), -1 / (ohm * farad)
    times = np.arange(12 * 3600.0, 24 * 3600.0 + 1, 600.0)
    volts = [(expm(matrix * t) @ np.full(3, 2.7))[0] for t in times]
    fall = -float(np.polyfit(times, volts, 1)[0])
    assert found["fall"] == pytest.approx(fall, rel=1e-3)


def test_pulse_resistor(tmp_path: Path) -> None:
    """30 V on 4.7 Ω for 1 ms, sampled every 2.5 µs: an edge falls between two samples."""
    found = ideally("pulse-resistor", tmp_path)
    assert found["R_0"] == pytest.approx(4.7, rel=1e-6)
    assert found["R_1"] == pytest.approx(4.7, rel=1e-6)
    assert found["top"] == pytest.approx(30 / 4.7, rel=1e-6)
    assert found["E"] == pytest.approx(900 / 4.7 * 1e-3, rel=2.5e-3)
    assert 0 <= found["rise"] <= 2.5e-6


def stands_in(name: str, results: str, model: str, store: Path) -> list[Outcome]:
    """An ideal dry run of a recipe's own steps on a part that stands in for the one it means.

    Of recipes whose own parts aren't simulated; `results` stand in place of theirs.
    """
    text = text_of(name)
    text = text[: text.index("results:")] + f"results:\n    {results}\n"
    path = store / f"{name}.recipe"
    path.write_text(text, encoding="utf-8")
    (part,) = recipe_of(name).parts
    bench, _ = read_bench(
        store / "demo.bench.toml",
        'line_frequency = "50 Hz"\n'
        f'[channels.{part.channel.id}]\nspecification = "demo-source-measure"\n'
        f'part = "{part.name.id}"\n[parts.{part.name.id}]\n{model}\n',
    )
    assert bench is not None
    finished = api.dry_run(
        path, bench, ideal=True, store=store / "record.sqlite", tell=lambda _: None
    )
    assert finished.exit_code == 0, finished.ending
    return list(finished.results)


def test_the_steps_of_measure_joints(tmp_path: Path) -> None:
    """Ohm's law at each of four joints, from readings at both directions of the current."""
    (found,) = stands_in(
        "measure-joints",
        "R = line_fit(readings, voltage, current) for each joint_number",
        'model = "resistor"\nresistance = "8 mohm"',
        tmp_path,
    )
    slopes = [row.value for row in found.rows if row.answer == "slope"]
    assert slopes == pytest.approx([8e-3] * 4, rel=1e-6)


def test_the_steps_of_measure_diode_leakage(tmp_path: Path) -> None:
    """At 5 V backwards a junction passes its saturation current, by Shockley's equation."""
    (found,) = stands_in(
        "measure-diode-leakage",
        "I_R = mean(connected, current)",
        'model = "diode"\nsaturation_current = "3 pA"\nideality = 1.5\n'
        'series_resistance = "1 ohm"\ntemperature = "25 °C"',
        tmp_path,
    )
    assert found.value == pytest.approx(-3e-12, rel=1e-6)


def test_the_steps_of_watch_light(tmp_path: Path) -> None:
    """At 0 V nothing that conducts passes a current, all through twelve hours."""
    found = stands_in(
        "watch-light",
        "least = minimum(light, current)\n    most = maximum(light, current)\n"
        "    length = maximum(light, time) - minimum(light, time)",
        'model = "resistor"\nresistance = "100 Mohm"',
        tmp_path,
    )
    assert [r.value for r in found[:2]] == [0.0, 0.0]
    assert found[2].value == pytest.approx(12 * 3600.0, abs=1e-6)
