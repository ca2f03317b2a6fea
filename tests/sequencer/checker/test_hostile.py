"""Recipes spoilt at random: whatever is written, the checker says what is wrong and never fails.

The recipes of the specifications beside this file are taken apart into words and lines, and put
together again wrongly: dropped, doubled, swapped, and exchanged for words of other recipes.
"""

from __future__ import annotations

import random
import re
from pathlib import Path

import pytest

from grammar.diagnostic import NOWHERE, Problem, draw
from grammar.parse import parse
from sequencer.checker import check
from tests.conftest import examples

_PIECES = re.compile(r"[^\W\d]\w*|[\d.]+|\s+|\S")
RECIPES = [
    example.recipe
    for path in sorted(Path(__file__).parent.glob("*.md"))
    for example in examples(path.read_text("utf-8"))
]
WORDS = sorted({word for recipe in RECIPES for word in _PIECES.findall(recipe) if word.strip()})


def spoilt(seed: int) -> str:
    """A recipe with one to four mistakes made at random."""
    rng = random.Random(seed)
    recipe = rng.choice(RECIPES)
    for _ in range(rng.randint(1, 4)):
        if rng.random() < 0.3:
            lines = recipe.split("\n")
            a, b = rng.randrange(len(lines)), rng.randrange(len(lines))
            if rng.random() < 0.5:
                lines[a], lines[b] = lines[b], lines[a]
            else:
                lines[a : a + 1] = [] if rng.random() < 0.5 else [lines[a], lines[b]]
            recipe = "\n".join(lines)
        else:
            pieces = _PIECES.findall(recipe)
            words = [k for k, piece in enumerate(pieces) if piece.strip()] or [0]
            a, b = rng.choice(words), rng.choice(words)
            pieces[a] = rng.choice(("", pieces[b], rng.choice(WORDS)))
            recipe = "".join(pieces)
    return recipe


def complete(problem: Problem, lines: list[str]) -> bool:
    """Whether a problem can be shown and says what to do."""
    within = problem.span == NOWHERE or (
        1 <= problem.span.line <= len(lines)
        and 1 <= problem.span.column <= len(lines[problem.span.line - 1]) + 1
    )
    return bool(within and problem.message and problem.hint and draw(problem))


@pytest.mark.parametrize("first", range(0, 3000, 300))
def test_spoilt_recipes_get_problems_that_say_what_to_do(first: int) -> None:
    for seed in range(first, first + 300):
        text = spoilt(seed)
        recipe, problems = parse(text, "spoilt.recipe")
        read = len(problems)
        check(recipe, problems)
        lines = text.split("\n")
        for problem in problems.found[read:]:
            assert complete(problem, lines), f"seed {seed}: {problem}\n{text}"


def test_what_spoils_them_is_mostly_found() -> None:
    """A judge of the test itself: most of the spoilt recipes must be wrong, in many ways."""
    slugs: set[str] = set()
    wrong = 0
    for seed in range(500):
        recipe, problems = parse(spoilt(seed), "spoilt.recipe")
        check(recipe, problems)
        wrong += problems.has_errors
        slugs.update(problem.slug for problem in problems)
    assert wrong > 400
    assert len(slugs) > 40
