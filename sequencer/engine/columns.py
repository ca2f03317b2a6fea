"""What is to be known of a recipe's traces before it is compiled: who fills and who looks at them.

Reads a checked tree and changes nothing. What is found is kept, since a spread compiles one recipe
a thousand times.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import lru_cache
from typing import TYPE_CHECKING

from drivers.sensed import SENSED
from grammar import tree
from sequencer.checker.naming.walking import nodes_of
from sequencer.engine.newest import FUNCTIONS

if TYPE_CHECKING:
    from sequencer.checker import Checked


def everything(checked: Checked) -> Iterator[tree.Node]:
    """All nodes of steps, guards and `finally`, calls of procedures with their steps."""
    recipe = checked.recipe
    return nodes_of((recipe.steps, recipe.final, recipe.guards))


@lru_cache(maxsize=4)
def looked_at(checked: Checked) -> frozenset[str]:
    """The traces that a function looks at while they are being measured."""
    found = set()
    for node in everything(checked):
        if isinstance(node, tree.Call) and node.function.id in FUNCTIONS and node.arguments:
            first = node.arguments[0].value
            if isinstance(first, tree.Name) and first.id in checked.traces:
                found.add(first.id)
    return frozenset(found)


@lru_cache(maxsize=4)
def captured_traces(checked: Checked) -> frozenset[str]:
    """The traces that captures fill."""
    return frozenset(
        node.into.id
        for node in everything(checked)
        if isinstance(node, tree.CaptureStep) and node.into is not None
    )


@lru_cache(maxsize=4)
def facts_in_numbers(checked: Checked) -> dict[str, dict[str, float]]:
    """What is said of each part in numbers, under the names that expressions have for it."""
    return {
        part.name: {
            key.replace(" ", "_"): value
            for key, value in part.facts.items()
            if not isinstance(value, str)
        }
        for part in checked.parts.values()
    }


def only_channel(checked: Checked, trace: str, quantity: str) -> str | None:
    """The channel of a trace that alone has a quantity there; None for its further columns."""
    facts = checked.traces[trace]
    if quantity in facts.extra:
        return None
    if quantity in ("voltage", "current"):
        able = [c for c in facts.channels if checked.channels[c].can(f"measure {quantity}")]
    elif quantity in ("power", "limited", "level", "charge", "energy"):
        able = [c for c in facts.channels if not checked.channels[c].sensed]
    elif quantity in SENSED:
        able = [c for c in facts.channels if checked.channels[c].sensed == quantity]
    else:
        return None
    return able[0] if able else None
