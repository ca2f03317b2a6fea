"""Steps in a procedure that is called once are checked as they are without it.

The recipes of the specifications beside this file are their own judges: with their steps moved into
a procedure, the same is wrong with them, at the same places, and every name is shown as it was
written.
"""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from grammar.diagnostic import Problem
from grammar.parse import parse
from sequencer.checker import check
from tests.conftest import examples

FOLDER = Path(__file__).parent
FILES = sorted(path.relative_to(FOLDER) for path in FOLDER.glob("**/*.md"))
OF_PROCEDURES = {"name-out-of-reach", "leave-outside-loop", "unknown-procedure"}
_STEPS = re.compile(r"^steps:(?= *(?:#.*)?$)", re.MULTILINE)


def problems_of(text: str) -> list[Problem]:
    recipe, problems = parse(text, "test.recipe")
    check(recipe, problems)
    return list(problems)


def in_a_procedure(text: str) -> str:
    """A recipe with all of its steps in a procedure, on the lines that they had."""
    return _STEPS.sub("procedure body_of_it():", text.rstrip("\n") + "\n") + (
        "steps:\n    do body_of_it()\n"
    )


def said(problem: Problem) -> tuple[object, ...]:
    """What is said of a place; of the few slugs that speak of procedures themselves, which."""
    if problem.slug in OF_PROCEDURES:
        return problem.slug, problem.span
    return problem.slug, problem.span, problem.message, problem.hint


def movable(text: str) -> bool:
    """Whether the steps mean the same in a procedure.

    What results and the steps share by `let` stays behind, and lines that can't be read are judged
    by where they stand.
    """
    recipe, problems = parse(text, "test.recipe")
    names = {"let ", "into ", "for "}
    shared = bool(recipe.results) and any(name in text for name in names)
    return bool(_STEPS.search(text)) and not problems.has_errors and not shared


@pytest.mark.parametrize("file", FILES, ids=str)
def test_steps_are_checked_alike_in_a_procedure(file: Path) -> None:
    for example in examples((FOLDER / file).read_text("utf-8")):
        if example.bench or example.settings or not movable(example.recipe):
            continue
        plain = problems_of(example.recipe)
        moved = problems_of(in_a_procedure(example.recipe))
        assert {said(p) for p in moved} == {said(p) for p in plain}, example.name


def test_most_recipes_are_movable() -> None:
    """A judge of the test itself: it must not pass over what it is there for."""
    all_of_them = [e for f in FILES for e in examples((FOLDER / f).read_text("utf-8"))]
    assert sum(movable(e.recipe) for e in all_of_them) > len(all_of_them) / 2
