"""Which names the worst case must follow: those that can reach a level, a limit, a time or a count.

A name that is only told to the person or kept for the results can't change what is imposed. Knows
no values.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import NamedTuple

from grammar import tree
from sequencer.checker.naming.walking import blocks_in, nodes_of, steps_of

_NAMING = (tree.Let, tree.Set, tree.Ask, tree.ForIn, tree.ForCount)
_NOT_VALUES = frozenset(("body", "otherwise", "name", "into", "columns", "text"))
"""The fields of a step that hold no value which it works with."""


class Followed(NamedTuple):
    """The names to follow, and those that nothing looks at any more after a step, by its id."""

    names: frozenset[str]
    gone: Mapping[int, Sequence[str]]


def followed(recipe: tree.Recipe) -> Followed:
    """The names of steps that what is imposed, or how long, hangs on; conditions count, too."""
    needs: dict[str, set[str]] = {}
    wanted: set[str] = set()
    looked_at: dict[int, set[str]] = {}
    steps = list(steps_of(recipe.steps + recipe.final))
    if not any(isinstance(step, _NAMING) for step in steps):
        return Followed(frozenset(), {})
    for step in steps:
        found = looked_at[id(step)] = _looked_at(step)
        match step:
            case tree.Let() | tree.Set():
                needs.setdefault(step.name.id, set()).update(found)
            case tree.Ask():
                if step.into is not None:
                    needs.setdefault(step.into.id, set()).update(found)
            case _:
                wanted |= found
    waiting = list(wanted)
    while waiting:
        for name in needs.get(waiting.pop(), ()):
            if name not in wanted:
                wanted.add(name)
                waiting.append(name)
    gone: dict[int, list[str]] = {}
    for block in (recipe.steps, recipe.final):
        _let_go(block, looked_at, gone)
    return Followed(frozenset(wanted), gone)


def _looked_at(step: tree.Step) -> set[str]:
    """The names whose values a step works with."""
    match step:
        case tree.Say() | tree.Note() | tree.Stop() | tree.Fail() | tree.Called():
            return set()
        case tree.If():
            values = tuple(arm.condition for arm in step.arms)
        case _:
            values = tuple(getattr(step, f) for f in step._inner if f not in _NOT_VALUES)
    return {inner.id for inner in nodes_of(values) if isinstance(inner, tree.Name)}


def _let_go(
    block: tree.Block, looked_at: Mapping[int, set[str]], gone: dict[int, list[str]]
) -> Iterable[str]:
    """Find the steps after which the names of a block are gone; gives all that it looks at."""
    last: dict[str, int] = {}
    own = []
    for step in block:
        if isinstance(step, tree.Let):
            own.append(step.name.id)
        elif isinstance(step, tree.Ask) and step.into is not None:
            own.append(step.into.id)
        for names in (looked_at[id(step)], *(_let_go(b, looked_at, gone) for b in blocks_in(step))):
            last.update(dict.fromkeys(names, id(step)))
    for name in own:
        if name in last:
            gone.setdefault(last[name], []).append(name)
    return last


def channels_in(node: object) -> set[str]:
    """The channels whose readings an expression looks at."""
    return {inner.base.id for inner in nodes_of(node) if isinstance(inner, tree.Member)}
