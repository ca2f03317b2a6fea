"""What is to be known of a recipe's traces before it is compiled: who fills and who looks at them.

Reads a checked tree and changes nothing.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from drivers.sensed import SENSED
from grammar import tree
from sequencer.checker.naming.walking import nodes_of
from sequencer.engine.newest import FUNCTIONS, Newest

if TYPE_CHECKING:
    from sequencer.checker import Checked


def everything(checked: Checked) -> Iterator[tree.Node]:
    """All nodes of steps, guards and `finally`, calls of procedures with their steps."""
    recipe = checked.recipe
    return nodes_of((recipe.steps, recipe.final, recipe.guards))


def newest_of(checked: Checked) -> dict[str, Newest]:
    """The traces that a function looks at while they are being measured."""
    found: dict[str, Newest] = {}
    for node in everything(checked):
        if isinstance(node, tree.Call) and node.function.id in FUNCTIONS and node.arguments:
            first = node.arguments[0].value
            if isinstance(first, tree.Name) and first.id in checked.traces:
                found.setdefault(first.id, Newest())
    return found


def captured_traces(checked: Checked) -> set[str]:
    """The traces that captures fill."""
    return {
        node.into.id
        for node in everything(checked)
        if isinstance(node, tree.CaptureStep) and node.into is not None
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
