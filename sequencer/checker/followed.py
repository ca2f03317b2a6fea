"""Which names the worst case must follow: those that can reach a level, a limit, a time or a count.

A name that is only told to the person or kept for the results can't change what is imposed. Knows
no values.
"""

from __future__ import annotations

from collections.abc import Iterator

from grammar import tree
from sequencer.checker.scope import nodes_of, steps_of


def followed(recipe: tree.Recipe) -> frozenset[str]:
    """The names of steps that what is imposed, or how long, hangs on; conditions count, too."""
    needs: dict[str, set[str]] = {}
    wanted: set[str] = set()
    for step in steps_of(recipe.steps + recipe.final):
        match step:
            case tree.Let() | tree.Set():
                needs.setdefault(step.name.id, set()).update(_names(step.value))
            case tree.ForIn():
                wanted.update(_names(step.values))
            case tree.ForCount():
                wanted.update(_names((step.first, step.last)))
            case tree.If():
                wanted.update(_names(tuple(arm.condition for arm in step.arms)))
            case tree.Every():
                times = (step.period, step.duration, step.until, step.at_most)
                wanted.update(_names(times))
            case tree.Repeat():
                wanted.update(_names(step.count))
            case tree.SourceStep() | tree.Setup() | tree.Wait() | tree.Sweep():
                wanted.update(_names(tuple(vars(step).values())))
    waiting = list(wanted)
    while waiting:
        for name in needs.get(waiting.pop(), ()):
            if name not in wanted:
                wanted.add(name)
                waiting.append(name)
    return frozenset(wanted)


def _names(node: object) -> Iterator[str]:
    return (inner.id for inner in nodes_of(node) if isinstance(inner, tree.Name))
