"""What the checker hands on: settings, parts, traces and dimensions; and what it costs to load."""

from __future__ import annotations

import math
import os
import subprocess
import sys
from pathlib import Path

import pytest

from grammar import tree
from grammar.diagnostic import Problems, Source
from grammar.parse import parse
from grammar.quantity import (
    CAPACITANCE,
    CURRENT,
    PLAIN,
    TEMPERATURE,
    TEMPERATURE_POINT,
    TIME,
    VOLTAGE,
    Quantity,
)
from sequencer.checker import Checked, check
from tests.conftest import examples

ROOT = Path(__file__).parents[3]
RECIPE = """recipe "Facts"
channel smu: source, sink, measure, measure open
channel aux: measure voltage
part bank is capacitor on smu, not pushed:
    voltage -0.1 V to 2.8 V
    current within 4.2 A
    energy up to 2 kJ
setting rated = 2.5 V in 2 V ± 25 % "rated voltage"
setting rate = 3 A
setting ambient = 25 °C in 20 °C ± 10 K
setting loose = 1 V in at least 0.5 V
guard smu.voltage < loose * 10
guard aux.voltage < 60 V and ambient < 50 °C
steps:
    let reference = ambient - 20 °C
    source smu voltage rated, limit rate
    output smu on
    for u in linear(1 V, 2 V, 3):
        repeat 2 times:
            measure smu, aux into points with reference
    for k in 1 to 2:
        measure aux, smu into points with reference
    measure smu into single
results:
    C = capacitance(single, 80 % * rated to 40 % * rated) as mF
    expect C in 350 F ± 20 %
    expect C / (350 F) in 0.9 ± 5 % and C / (350 F) in 90 % ± 5 %
"""


def checked(**overrides: Quantity) -> Checked:
    recipe, problems = parse(RECIPE, "facts.recipe")
    found = check(recipe, problems, overrides)
    assert not found.problems.has_errors, [p.message for p in found.problems]
    return found


def test_settings_are_in_si_with_the_ends_of_their_spans() -> None:
    facts = checked().settings
    rated = facts["rated"]
    assert (rated.value, rated.low, rated.high) == (2.5, 1.5, 2.5)
    assert (rated.dimension, rated.title) == (VOLTAGE, "rated voltage")
    assert (facts["rate"].low, facts["rate"].high) == (None, None)
    ambient = facts["ambient"]
    assert ambient.dimension == TEMPERATURE_POINT
    # 0 °C is 273.15 K (SI Brochure, 9th edition, 2.3.1).
    assert (ambient.value, ambient.low, ambient.high) == (298.15, 283.15, 303.15)
    assert (facts["loose"].low, facts["loose"].high) == (0.5, math.inf)


def test_an_override_is_in_force_and_leaves_the_span() -> None:
    rated = checked(rated=Quantity(1.75, VOLTAGE)).settings["rated"]
    assert (rated.value, rated.low, rated.high) == (1.75, 1.5, 2.5)


def test_parts_have_their_ratings_with_infinities_at_open_ends() -> None:
    bank = checked().parts["bank"]
    assert (bank.kind, bank.channel, bank.not_pushed) == ("capacitor", "smu", True)
    assert bank.ratings == {
        "voltage": (-0.1, 2.8),
        "current": (-4.2, 4.2),
        "energy": (-math.inf, 2000.0),
    }
    assert bank.places["energy"].line == 7


def test_traces_are_numbered_and_have_loop_variables_as_columns() -> None:
    traces = checked().traces
    points, single = traces["points"], traces["single"]
    assert (points.number, single.number) == (0, 1)
    assert points.channels == ("smu", "aux")
    assert points.extra == {"u": VOLTAGE, "reference": TEMPERATURE, "k": PLAIN}
    assert single.extra == {}


def expressions(found: Checked) -> dict[str, list[tree.Expression]]:
    """The recipe's expressions by their text."""
    texts: dict[str, list[tree.Expression]] = {}
    kinds = tree.Number | tree.Name | tree.Member | tree.Negative | tree.Binary | tree.Call
    waiting: list[object] = [found.recipe]
    while waiting:
        value = waiting.pop()
        if isinstance(value, tuple):
            waiting += value
        elif isinstance(value, tree.Node):
            waiting += vars(value).values()
            if isinstance(value, kinds | tree.Range | tree.Tolerance | tree.Within):
                line = found.problems.source.line(value.span.line)
                text = line[value.span.column - 1 : value.span.end_column - 1]
                texts.setdefault(text, []).append(value)
    return texts


@pytest.mark.parametrize(
    ("text", "dimension"),
    [
        ("ambient - 20 °C", TEMPERATURE),
        ("20 °C ± 10 K", TEMPERATURE_POINT),
        ("80 % * rated", VOLTAGE),
        ("80 % * rated to 40 % * rated", VOLTAGE),
        ("capacitance(single, 80 % * rated to 40 % * rated)", CAPACITANCE),
        ("350 F ± 20 %", CAPACITANCE),
        ("loose * 10", VOLTAGE),
        ("smu.voltage", VOLTAGE),
        ("rate", CURRENT),
    ],
)
def test_every_expression_has_its_dimension(text: str, dimension: object) -> None:
    found = checked()
    nodes = [n for n in expressions(found)[text] if id(n) in found.dimensions]
    assert nodes
    assert {found.dimensions[id(node)] for node in nodes} == {dimension}


def test_a_tolerance_is_relative_where_only_its_half_width_is_in_percent() -> None:
    found = checked()
    texts = expressions(found)
    relative = {
        text: id(nodes[0]) in found.relative
        for text, nodes in texts.items()
        if isinstance(nodes[0], tree.Tolerance)
    }
    assert relative == {
        "2 V ± 25 %": True,
        "20 °C ± 10 K": False,
        "350 F ± 20 %": True,
        "0.9 ± 5 %": True,
        "90 % ± 5 %": False,
    }


def test_an_empty_tree_is_checked_too() -> None:
    recipe = tree.Recipe("", *((),) * 11)
    found = check(recipe, Problems(Source("empty.recipe", "")))
    assert not found.problems.has_errors
    assert found.settings == {}


def test_the_dimension_of_time_comes_from_the_clock_of_the_run() -> None:
    text = 'recipe "Time"\nsteps:\n    let late = elapsed + 5 min\n    note "{late}"\n'
    recipe, problems = parse(text)
    found = check(recipe, problems)
    let = found.recipe.steps[0]
    assert isinstance(let, tree.Let)
    assert found.dimensions[id(let.value)] == TIME
    assert not found.problems.has_errors


def test_checking_without_a_bench_loads_nothing_heavy() -> None:
    program = (
        "import sys\n"
        "from grammar.parse import parse\n"
        "from sequencer.checker import check\n"
        f"recipe, problems = parse({RECIPE!r}, 'facts.recipe')\n"
        "check(recipe, problems)\n"
        "print(sorted({'numpy', 'scipy', 'pydantic', 'pyvisa', 'rich', 'matplotlib'}"
        " & set(sys.modules)))\n"
    )
    answer = subprocess.run(
        [sys.executable, "-c", program], cwd=ROOT, capture_output=True, text=True, check=True
    )
    assert answer.stdout.strip() == "[]"


def test_specifications_in_markdown_are_read_as_written() -> None:
    text = (
        "# Names\n\n## One\n\nProse.\n\n```recipe a=1 V\nrecipe one\n```\n\n"
        "```problems\nnone\n```\n\n"
        "```recipe\nrecipe two\n```\n\n```problems\nfirst\n\nsecond\n```\n\n"
        "## Other\n\n```bench\ntitle\n```\n\n```recipe\nx\n```\n\n```problems\ny\n```\n"
    )
    found = [(e.name, e.recipe, e.settings, e.bench, e.expected) for e in examples(text)]
    assert found == [
        ("One", "recipe one\n", "a=1 V", "", "none"),
        ("One (2)", "recipe two\n", "", "", "first\n\nsecond"),
        ("Other", "x\n", "", "title\n", "y"),
    ]


@pytest.mark.parametrize(
    "text",
    ["## A\n\n```recipe\nx\n```\n", "## A\n\n```problems\nx\n```\n"],
    ids=["a recipe without problems", "problems without a recipe"],
)
def test_a_specification_without_its_other_half_is_refused(text: str) -> None:
    with pytest.raises(AssertionError, match="beneath “A”"):
        list(examples(text))


def test_a_specification_that_no_longer_holds_fails(tmp_path: Path) -> None:
    conftest = (ROOT / "tests" / "conftest.py").read_text("utf-8")
    (tmp_path / "conftest.py").write_text(conftest, "utf-8")
    wrong = 'recipe "A"\nsteps:\n    wait 1\n'
    said = (
        "test.recipe:3:10: error: the time to wait is a plain number, expected a time "
        "[missing-unit]\n    3 |     wait 1\n      |          ^\n  write 1 s"
    )
    text = "## {0}\n\n```recipe\n{1}```\n\n```problems\n{2}\n```\n"
    for name, expected in (("holds", said), ("fails", "none")):
        (tmp_path / f"{name}.md").write_text(text.format(name, wrong, expected), "utf-8")
    command = [sys.executable, "-m", "pytest", "-p", "no:cacheprovider", "-rA", str(tmp_path)]
    answer = subprocess.run(
        command,
        cwd=tmp_path,
        env=os.environ | {"PYTHONPATH": str(ROOT)},
        capture_output=True,
        text=True,
    )
    assert answer.returncode == 1, answer.stdout
    assert "PASSED holds.md::holds" in answer.stdout
    assert "FAILED fails.md::fails" in answer.stdout
    assert said in answer.stdout
