"""No true quantity of any run leaves what the check has proved, and a wrong analysis is found out.

The judge is the simulated bench: what truly happens at its terminals, with every instrument off by
what its specification admits. `python -m tests.soundness RECIPES SEED` makes the long run, of which
`RECORD.md` tells.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.soundness import hunt as hunting
from tests.soundness.census import BLOCKS, STEPS, impossible_after, impossible_inside
from tests.soundness.hunt import Failure, Tally, hunt
from tests.soundness.mutants import MUTANTS, Mutant
from tests.soundness.recipe_text import Recipe, Step, line
from tests.soundness.shrink import shrunk

RECIPES = 80
SEED = 20
LOOKED_AT = 12
"""In how many recipes that check a mutant has to be found out, from where it is known to be."""


@pytest.fixture(scope="module")
def sample() -> Tally:
    """A part of the long run; nothing in it may leave what was proved."""
    tally = Tally()
    failures = [str(failure) for failure in hunt(RECIPES, SEED, tally)]
    assert not failures, "\n\n".join(failures)
    return tally


def test_no_run_leaves_what_was_proved(sample: Tally) -> None:
    assert sample.cases >= 2 * RECIPES


def test_most_recipes_check(sample: Tally) -> None:
    """A generator whose recipes are refused would prove nothing."""
    assert RECIPES / sample.recipes > 0.7, sample.refused


def test_the_truth_comes_near_to_the_proof(sample: Tally) -> None:
    """Bounds that no run comes near would hide a mistake.

    Some run reaches nine tenths of what holds at every moment, and half of what is summed: that
    counts the largest flow of every step for the longest time that it may take.
    """
    for row, tenths in (("voltage", 9), ("current", 9), ("power", 9), ("energy", 5), ("charge", 5)):
        assert sum(sample.near[row][tenths:]) > 0, (row, sample.near[row])


def test_every_construct_takes_part(sample: Tally) -> None:
    missing = [name for name in STEPS if not sample.census.constructs[name]]
    assert not missing


def test_what_is_called_impossible_never_comes(sample: Tally) -> None:
    census = sample.census
    assert not [cell for cell in census.inside if impossible_inside(*cell)]
    assert not [cell for cell in census.after if impossible_after(*cell)]


def test_an_empty_cell_is_told() -> None:
    """Of a census of nothing every cell is empty but the impossible ones."""
    possible = sum(not impossible_inside(name, block) for name in STEPS for block in BLOCKS)
    possible += sum(not impossible_after(name, before) for name in STEPS for before in STEPS)
    assert len(Tally().census.empty()) == possible + len(STEPS)


def test_the_long_run_on_record_holds() -> None:
    record = Path(__file__).with_name("RECORD.md").read_text(encoding="utf-8")
    assert "- 0 runs did what was not proved" in record
    assert "- 0 empty cells" in record
    for name in STEPS:
        assert f"| {name} |" in record


@pytest.mark.parametrize("mutant", MUTANTS, ids=lambda mutant: mutant.__name__)
def test_a_wrong_analysis_is_found_out(mutant: Mutant, monkeypatch: pytest.MonkeyPatch) -> None:
    """The hunt that finds nothing (above) finds each of these mistakes."""
    mutant(monkeypatch)
    monkeypatch.setattr(
        hunting, "shrink", lambda recipe, setting, wrong, store: Failure("", setting, wrong)
    )
    tally = Tally()
    found = next(hunt(LOOKED_AT, SEED, tally, MUTANTS[mutant]), None)
    assert found is not None, f"{mutant.__doc__} Not found in {tally.cases} cases."


def test_a_failure_is_made_small() -> None:
    """Of a recipe that fails for one line, that line is left."""
    inner = Step((("repeat 2 times:", (line("wait 1 s"), line("output smu on"))),))
    recipe = Recipe(("a", "b"), (), (line("note"), inner), (line("stop"),), ("r = 1",))

    def fails(smaller: Recipe) -> list[str]:
        return ["on"] if "output smu on" in smaller.text else []

    found, wrong = shrunk(recipe, ["on"], fails)
    assert wrong == ["on"]
    assert found == Recipe((), (), (line("output smu on"),))
