"""The checker: everything that can be said about a recipe before power, all of it at once.

`check` runs the checks one after another over one tree; each stands in a file of its own and adds
its problems to the one gatherer. What is wrong in one place silences what merely follows from it.
The checker knows no engine, opens no link and loads no numbers library.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

from grammar import tree
from grammar.collector import collector_paused
from grammar.diagnostic import Problems
from grammar.quantity import Quantity
from sequencer.checker.facts import (
    ChannelFacts,
    Checked,
    PartFacts,
    SettingFacts,
    TraceFacts,
    Type,
)

if TYPE_CHECKING:
    from drivers.bench_file import BenchFile

__all__ = [
    "ChannelFacts",
    "Checked",
    "PartFacts",
    "SettingFacts",
    "TraceFacts",
    "Type",
    "check",
]

# Errors that change nothing of what is sourced, as those of the results don't: the worst case is
# worked out beside them, so that a slip of the pen doesn't hide what would harm the part.
_BESIDE_THE_WORST_CASE = frozenset(("period-too-short", "unreachable"))


@collector_paused()
def check(
    recipe: tree.Recipe,
    problems: Problems,
    overrides: Mapping[str, Quantity] | None = None,
    bench: BenchFile | None = None,
) -> Checked:
    """Check a recipe and find out what the engine needs to know of it.

    Args:
        recipe: the tree, also a partial one.
        problems: those of the text so far; what is found here is added to them.
        overrides: values in force in place of the settings' own, by name.
        bench: the bench to check against; without it only the recipe's own promises are.

    Returns:
        The checked recipe; it is fit to run where `problems.has_errors` is false.
    """
    from sequencer.checker.declared.capabilities import check_capabilities
    from sequencer.checker.declared.declarations import check_declarations
    from sequencer.checker.declared.limits import check_limits
    from sequencer.checker.expressions.results import check_results
    from sequencer.checker.flow.final import check_final
    from sequencer.checker.flow.idle import check_idle
    from sequencer.checker.flow.order import check_order
    from sequencer.checker.flow.wear import check_wear
    from sequencer.checker.naming.names import check_used
    from sequencer.checker.naming.scope import Workings
    from sequencer.checker.naming.unread import unread
    from sequencer.checker.procedures.expand import expand, not_expanded
    from sequencer.checker.steps.steps import check_steps

    words, blocks = unread(problems)
    checked = Checked(expand(recipe, problems, words), problems)
    missing = not_expanded(recipe, checked.recipe, blocks)
    work = Workings(checked, (words | missing, blocks | ({"steps"} if missing else set())))
    check_declarations(work, overrides or {})
    check_steps(work)
    others = len(problems.found)
    check_results(work)
    of_results = problems.found[others:]
    check_limits(work)
    check_capabilities(work, bench)
    check_order(work, bench)
    check_final(work)
    check_wear(work)
    if not problems.has_errors:
        check_idle(work)
    check_used(work)
    if all(
        problem.severity != "error"
        or problem.slug in _BESIDE_THE_WORST_CASE
        or any(problem is other for other in of_results)
        for problem in problems.found
    ):
        from sequencer.checker.worst.worst_case import analyse

        checked.worst = analyse(checked, bench)
    return checked
