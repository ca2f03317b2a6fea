"""By hand on the simulated bench: what is checked, what is run, and what recipe becomes of it."""

from __future__ import annotations

from pathlib import Path

import pytest

from drivers.bench_file import BenchFile, load_bench
from grammar.parse import parse
from sequencer import api
from sequencer.checker import check
from sequencer.manual.declaring import HELP
from sequencer.record import Store
from sequencer.record.rows import CHANNEL_COLUMNS
from tests.sequencer.cli.recipes_of_tests import write_bench
from tests.sequencer.manual.session import Session

PART = ["part shunt is resistor on smu:", "    voltage within 5 V", "    current within 100 mA", ""]
WORK = [
    *PART,
    "source smu voltage 1 V, limit 50 mA",
    "output smu on",
    "measure smu into looks",
    "let step = 100 mV",
    "every 100 ms for 1 s:",
    "    measure smu into looks",
    "    if smu.voltage > 0.5 V:",
    "        source smu voltage 1 V + step, limit 50 mA",
    "",
    "wait 2 s",
    "set step = 2 * step",
    "source smu voltage 1 V + step, limit 50 mA",
    "measure smu into looks",
    "output smu off",
]


@pytest.fixture
def file(tmp_path: Path) -> BenchFile:
    found, problems = load_bench(write_bench(tmp_path))
    assert found is not None, list(problems)
    return found


def readings(store: Path, run_id: str) -> list[tuple[float, ...]]:
    with Store.open(store) as opened:
        run = opened.run(run_id)
        # The number of a line is the same in both, since both are one recipe.
        blocks = list(run.blocks(run.streams()["smu"], CHANNEL_COLUMNS, 0))
    return [row for block in blocks for row in zip(*block, strict=True)]


def test_the_recipe_of_a_session_checks_and_gives_the_same_readings(
    file: BenchFile, tmp_path: Path
) -> None:
    session = Session(file, WORK, tmp_path, seed=3)
    assert session.found == []
    assert session.finished is not None
    assert session.finished.exit_code == 0
    checked = check(*parse(session.text, "by-hand.recipe"), {}, file)
    assert not checked.problems.has_errors, list(checked.problems)
    (tmp_path / "by-hand.recipe").write_text(session.text, "utf-8")
    again = api.dry_run(tmp_path / "by-hand.recipe", file, seed=3, store=tmp_path / "again.sqlite")
    assert again.exit_code == 0
    by_hand = readings(session.finished.store, session.finished.id)
    assert len(by_hand) > 14
    assert readings(again.store, again.id) == by_hand


def test_the_record_holds_the_recipe_that_it_became(file: BenchFile, tmp_path: Path) -> None:
    session = Session(file, WORK, tmp_path)
    assert session.finished is not None
    with Store.open(session.finished.store) as store:
        run = store.run(session.finished.id)
        assert run.meta.recipe == session.text
        steps = {step.line: step.text for step in run.steps()}
    lines = session.text.split("\n")
    assert len(steps) > 8
    assert all(text in lines[number - 1] for number, text in steps.items())


@pytest.mark.parametrize(
    ("line", "slug"),
    [
        ("source smu voltage 1 V", "source-without-limit"),
        ("source smu voltage 7 V, limit 50 mA", "voltage-beyond-rating"),
        ("sorce smu voltage 1 V, limit 50 mA", "unknown-word"),
        ("measure smo", "unknown-channel"),
        ("wait 5", "missing-unit"),
        ("leave", "leave-outside-loop"),
        ("reset smu.voltage", "not-a-counter"),
    ],
)
def test_a_wrong_line_costs_nothing(file: BenchFile, tmp_path: Path, line: str, slug: str) -> None:
    before = [*PART, "source smu voltage 1 V, limit 50 mA", "output smu on"]
    after = ["", "measure smu into looks"]
    right = Session(file, [*before, *after], tmp_path / "right")
    wrong = Session(file, [*before, line, *after], tmp_path / "wrong")
    assert [problem.slug for problem in wrong.found] == [slug]
    assert wrong.text == right.text


def test_what_is_past_a_rating_costs_nothing_with_the_output_off_either(
    file: BenchFile, tmp_path: Path
) -> None:
    after = ["source smu voltage 1 V, limit 50 mA", "output smu on", "measure smu into looks"]
    right = Session(file, [*PART, *after], tmp_path / "right")
    too_high = "source smu voltage 7 V, limit 50 mA"
    wrong = Session(file, [*PART, too_high, *after], tmp_path / "wrong")
    assert [problem.slug for problem in wrong.found] == ["voltage-beyond-rating"]
    assert wrong.text == right.text
    assert wrong.finished is not None
    assert right.finished is not None
    assert wrong.finished.exit_code == 0
    of_wrong = readings(wrong.finished.store, wrong.finished.id)
    assert of_wrong == readings(right.finished.store, right.finished.id)


@pytest.mark.parametrize(
    ("lines", "slug", "words"),
    [
        (
            ["wait for smu.voltage > 1 V, at most 1 s"],
            "unexpected",
            "makes no sense here",
        ),
        (
            ["settle smu.voltage within 1 mV over 1 s, every 100 ms, at most 10 s",
             "otherwise:", "    wait 1 s", ""],
            "by-hand-too-late",
            "this belongs to the step before it, which has been done already",
        ),
        (
            ["measure smu into looks", "for k in 1 to 3:", "    measure smu into looks", ""],
            "by-hand-too-late",
            "`looks` has rows already, and this would give it other columns",
        ),
        (
            ["measure smu into looks", 'say "{mean(looks, voltage, 1 s)}"'],
            "by-hand-too-late",
            "`looks` was measured before: by hand a function sees what is measured in the same "
            "piece alone",
        ),
        (
            ["source smu voltage 4.7 V, limit 50 mA", "source smu voltage 1 V, limit 0.9 mA",
             "output smu on", "source smu voltage 1 V, limit 50 mA"],
            "by-hand-range",
            "`smu` was switched on in its range of 5 mA, which this goes beyond, and ranges stay "
            "as they are under power",
        ),
    ],
)  # fmt: skip
def test_what_was_done_is_done(
    file: BenchFile, tmp_path: Path, lines: list[str], slug: str, words: str
) -> None:
    session = Session(file, [*PART, *lines], tmp_path)
    assert [problem.slug for problem in session.found] == [slug]
    assert words in session.found[0].message
    assert session.finished is not None
    assert session.finished.exit_code == 0


def test_a_guard_trips_as_in_a_run_and_that_is_the_end(file: BenchFile, tmp_path: Path) -> None:
    lines = [
        *PART,
        'guard smu.current < 5 mA "it runs warm"',
        "source smu voltage 1 V, limit 50 mA",
        "output smu on",
        "measure smu",
    ]
    session = Session(file, lines, tmp_path)
    assert session.finished is not None
    assert session.finished.exit_code == 3
    assert "it runs warm" in session.finished.ending.reason
    assert session.text.rstrip().endswith("output smu on")


def test_declarations_come_before_the_first_step(file: BenchFile, tmp_path: Path) -> None:
    lines = [*PART, "wait 1 s", "setting top = 2 V in 1 V to 3 V", "results:", "", "wait 2 s"]
    session = Session(file, lines, tmp_path)
    assert session.finished is not None
    assert sum("before the first step" in words for words in session.said) == 2
    assert session.text.split("steps:\n")[1] == "    wait 1 s\n    wait 2 s\n"


def test_a_wrong_declaration_is_left_out(file: BenchFile, tmp_path: Path) -> None:
    lines = ["part shunt is resistr on smu:", "    voltage within 5 V", "", *PART, "wait 1 s"]
    session = Session(file, lines, tmp_path)
    assert [problem.slug for problem in session.found] == ["unknown-kind"]
    assert "resistr" not in session.text
    assert session.finished is not None


def test_who_types_nothing_leaves_nothing(file: BenchFile, tmp_path: Path) -> None:
    session = Session(file, [*PART], tmp_path)
    assert session.finished is None
    assert not (tmp_path / "records.sqlite").exists()


def test_stop_ends_well_and_fail_badly(file: BenchFile, tmp_path: Path) -> None:
    for line, code in (("stop", 0), ('fail "no contact"', 4)):
        session = Session(file, [*PART, "wait 1 s", line, "wait 1 s"], tmp_path)
        assert session.finished is not None
        assert session.finished.exit_code == code
        assert session.text.count("wait") == 1


@pytest.mark.parametrize("asked", ["help", "?", "help source", "quit", "exit"])
def test_who_asks_how_to_go_on_or_leave_is_told(
    file: BenchFile, tmp_path: Path, asked: str
) -> None:
    """Before the first step and after it; it costs nothing, and isn't in the recipe."""
    level = "source smu voltage 1 V, limit 50 mA"
    session = Session(file, [asked, *PART, level, asked, "stop"], tmp_path)
    assert session.found == []
    assert session.said.count(HELP[-1]) == 2
    assert asked not in session.text.split("\n")
