"""A source that is programmed, and whose output never goes on: the commonest slip of all."""

from __future__ import annotations

from grammar import tree
from sequencer.checker.naming.scope import Workings
from sequencer.checker.naming.walking import steps_of


def check_idle(work: Workings) -> None:
    """Warn at the first level of each channel that no step ever switches on."""
    recipe = work.checked.recipe
    steps = list(steps_of(recipe.steps + recipe.final))
    on = {step.channel.id for step in steps if isinstance(step, tree.Output) and step.on}
    for step in steps:
        if isinstance(step, tree.SourceStep) and step.channel.id not in on:
            name = step.channel.id
            on.add(name)
            work.problems.warning(
                "unused-source",
                step.span,
                f"no step switches `{name}` on, so that this never reaches the part",
                f"write output {name} on behind it",
            )
