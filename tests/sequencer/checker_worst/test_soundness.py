"""No run leaves what the analysis has proved of its recipe, and a wrong analysis is found out.

The judge is an interpreter with an adversary for a part, written from the language's rules alone.
"""

from __future__ import annotations

import inspect

import pytest

from tests.sequencer.checker_worst import mutants
from tests.sequencer.checker_worst.constructs import ALL
from tests.sequencer.checker_worst.mutants import Mutant
from tests.sequencer.checker_worst.soundness import Tally, hunt

RECIPES = 150
SEED = 20
RECIPES_A_MUTANT = 40
SEEDS = {
    "a_capture_that_is_guarded": 2,
    "a_destroyed_part_that_is_guarded": 8,
    "a_line_always_low": 3,
    "a_line_that_always_comes": 8,
    "a_person_of_habit": 2,
    "like_cancels_unlike": 21,
    "nothing_between_two_programmings": 6,
    "on_by_what_is_programmed": 4,
    "what_was_imposed_forgotten": 21,
}
"""With which seed a short hunt comes upon a recipe that shows a mistake; for most any will do."""
MUTANTS = [
    (found, SEEDS.get(name, 1))
    for name, found in inspect.getmembers(mutants, inspect.isfunction)
    if found.__module__ == mutants.__name__
]


def test_no_run_leaves_what_was_proved() -> None:
    """Every construct and every kind of part takes part, or the test proves too little."""
    tally = Tally()
    wrong = [f"{text}\n{why}" for text, why in hunt(RECIPES, SEED, tally)]
    assert not wrong, "\n\n".join(wrong)
    assert not [name for name in ALL if tally.constructs[name] < 2], tally.constructs
    assert len(tally.pairs) > 1500


def test_there_are_mutants() -> None:
    assert len(MUTANTS) >= 25


@pytest.mark.parametrize("seed", sorted({seed for _, seed in MUTANTS}))
def test_without_a_mistake_the_short_hunts_find_nothing(seed: int) -> None:
    assert next(hunt(RECIPES_A_MUTANT, seed), None) is None


@pytest.mark.parametrize(("mutant", "seed"), MUTANTS, ids=[m.__name__ for m, _ in MUTANTS])
def test_a_wrong_analysis_is_found_out(
    mutant: Mutant, seed: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The same hunts find each of these mistakes."""
    mutant(monkeypatch)
    assert next(hunt(RECIPES_A_MUTANT, seed), None) is not None, mutant.__doc__
