"""The smallest recipe that still fails: one thing taken out after the other, while it fails."""

from __future__ import annotations

from collections.abc import Callable

from tests.soundness.recipe_text import Recipe

MOST_TRIALS = 400


def shrunk(
    recipe: Recipe, wrong: list[str], fails: Callable[[Recipe], list[str]]
) -> tuple[Recipe, list[str]]:
    """A recipe from which nothing can be taken, with what is wrong of it; bounded in its trials."""
    trials = 0
    again = True
    while again:
        again = False
        for smaller in recipe.smaller():
            trials += 1
            if trials > MOST_TRIALS:
                return recipe, wrong
            found = fails(smaller)
            if found:
                recipe, wrong, again = smaller, found, True
                break
    return recipe, wrong
