"""A procedure's step with names put in: of its own names, and of what its parameters stand for.

Knows no procedure and no call; what isn't named stays as it is.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from grammar import tree
from grammar.diagnostic import Span
from grammar.node import replaced
from grammar.quantity import Quantity
from sequencer.checker.expressions.calls import OVER_TRACES


def renamed(value: Any, names: Mapping[str, str]) -> Any:
    """The value of a node's field with other names in it; nodes are copied, all of them."""
    match value:
        case tree.Name():
            return tree.Name(names.get(value.id, value.id), value.span)
        case tree.Member():
            return tree.Member(renamed(value.base, names), value.field, value.span)
        case tree.Call():
            arguments = tuple(
                argument
                if value.function.id in OVER_TRACES and _is_column(argument, k)
                else renamed(argument, names)
                for k, argument in enumerate(value.arguments)
            )
            return tree.Call(value.function, arguments, value.span)
        case tree.SetupItem():
            return tree.SetupItem(value.name, renamed(value.value, names), value.span)
        case Span() | Quantity():
            # Tuples of their own kind, with nothing to rename in them.
            return value
        case tuple():
            return tuple(renamed(inner, names) for inner in value)
        case tree.Node():
            changes = {field: renamed(getattr(value, field), names) for field in value._compared}
            return replaced(value, **changes)
        case _:
            return value


def _is_column(argument: tree.Argument, place: int) -> bool:
    """Whether an argument of a function over a trace names its column by the quantity alone."""
    named = argument.name == "column" or (argument.name is None and place == 1)
    return named and isinstance(argument.value, tree.Name)
