"""How long a run can take with its settings as they are, where the check speaks of all their spans.

The check's worst case holds for every value that a setting may be given. Here the same check works
on the recipe with each setting written as the number that is in force. Draws nothing.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

from grammar import tree
from grammar.diagnostic import Problems
from grammar.node import replaced
from grammar.quantity import Quantity
from sequencer.checker import Checked, check

if TYPE_CHECKING:
    from drivers.bench import BenchFile


def checked_as_set(
    recipe: tree.Recipe,
    problems: Problems,
    settings: Mapping[str, Quantity],
    bench: BenchFile | None = None,
) -> Checked:
    """A recipe, checked with these values of its settings and no others.

    Where that has no worst case, since a number leads nowhere that its span doesn't, it is the
    check over all spans. `problems` are those of the text; nothing is added to them.
    """
    fixed = tuple(
        replaced(node, value=_number(settings[node.name.id], node), bounds=None)
        if node.name.id in settings
        else node
        for node in recipe.settings
    )
    found = check(replaced(recipe, settings=fixed), _copied(problems), None, bench)
    return found if found.worst is not None else check(recipe, _copied(problems), settings, bench)


def under_power_as_set(
    recipe: tree.Recipe, problems: Problems, checked: Checked, bench: BenchFile | None = None
) -> float | None:
    """For how long the settings in force allow power at most (s), where that is less than any do.

    `checked` is the check over all their spans. None where it has no bound, or none that is less.
    """
    settings = {
        name: Quantity(facts.value, facts.dimension) for name, facts in checked.settings.items()
    }
    if checked.worst is None or not settings:
        return None
    own = checked_as_set(recipe, problems, settings, bench)
    if own.worst is None:
        return None
    longest, any_can = (
        max((part.under_power_s for part in worst.parts), default=0.0)
        for worst in (own.worst, checked.worst)
    )
    return longest if longest < any_can else None


def _number(value: Quantity, node: tree.Setting) -> tree.Number:
    return tree.Number(value, str(value), node.value.span)


def _copied(problems: Problems) -> Problems:
    return Problems(problems.source, problems.fault, [*problems.found])
