"""Which names the worst case must follow: those that can reach a level, a limit, a time or a count.

A name that is only told to the person or kept for the results can't change what is imposed. Knows
no values.
"""

from __future__ import annotations

from collections.abc import Iterator

from grammar import tree
from sequencer.checker.scope import nodes_of, steps_of

_NAMING = (tree.Let, tree.Set, tree.Ask, tree.ForIn, tree.ForCount)
_NOT_VALUES = frozenset(("body", "otherwise", "name", "into", "columns"))
"""The fields of a step that hold no value which it works with."""


def followed(recipe: tree.Recipe) -> frozenset[str]:
    """The names of steps that what is imposed, or how long, hangs on; conditions count, too."""
    needs: dict[str, set[str]] = {}
    wanted: set[str] = set()
    steps = list(steps_of(recipe.steps + recipe.final))
    if not any(isinstance(step, _NAMING) for step in steps):
        return frozenset()
    for step in steps:
        match step:
            case tree.Let() | tree.Set():
                needs.setdefault(step.name.id, set()).update(_names(step.value))
            case tree.Ask():
                if step.into is not None:
                    needs.setdefault(step.into.id, set()).update(_names(step.bounds))
            case tree.If():
                wanted.update(_names(tuple(arm.condition for arm in step.arms)))
            case tree.Say() | tree.Note() | tree.Stop() | tree.Fail() | tree.Called():
                pass
            case _:
                own = {k: v for k, v in vars(step).items() if k not in _NOT_VALUES}
                wanted.update(_names(tuple(own.values())))
    waiting = list(wanted)
    while waiting:
        for name in needs.get(waiting.pop(), ()):
            if name not in wanted:
                wanted.add(name)
                waiting.append(name)
    return frozenset(wanted)


def _names(node: object) -> Iterator[str]:
    return (inner.id for inner in nodes_of(node) if isinstance(inner, tree.Name))


def channels_in(node: object) -> set[str]:
    """The channels whose readings an expression looks at."""
    return {inner.base.id for inner in nodes_of(node) if isinstance(inner, tree.Member)}
