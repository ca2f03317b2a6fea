"""What an expression needs of its operands to have a value: no zero below, no root of a negative.

Says what is needed and in which words it is missed; works nothing out.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

from grammar import tree
from sequencer.checker.worst.interval import Interval


class Needs(NamedTuple):
    """What an operand has to be: whether it is, and what to say where it may not be.

    `wrong` and `why` follow “it can be”, `right` follows “keep it”; `never` is a sentence of its
    own, for an operand that is one value alone.
    """

    slug: str
    met_by: Callable[[Interval], bool]
    wrong: str
    why: str
    right: str
    never: str


_DIVISOR = Needs(
    "division-by-zero",
    lambda of: not of.holds(0.0),
    "zero",
    "and this divides by it",
    "off zero",
    "this divides by zero",
)
_ROOT = Needs(
    "no-value",
    lambda of: of.low >= 0,
    "negative",
    "and no number is the root of that",
    "from zero up",
    "no number is the root of a negative one",
)
_LOGARITHM = Needs(
    "no-value",
    lambda of: of.low > 0,
    "zero or less",
    "and that has no logarithm",
    "above zero",
    "zero and what is less have no logarithm",
)
_POWER = Needs(
    "no-value",
    lambda of: of.low >= 0,
    "negative",
    "and only whole powers of that are numbers",
    "from zero up",
    "only whole powers of a negative value are numbers",
)
_BASE = Needs(
    "no-value",
    lambda of: of.low > 0,
    "zero or less",
    "and this may raise it to a power that gives no number",
    "above zero",
    "this may raise zero or less to a power that gives no number",
)


def doubtful(
    node: object, interval_of: Callable[[tree.Expression], Interval]
) -> tuple[tree.Expression, Needs] | None:
    """The operand by which an expression may have no value, and what it needs for one."""
    match node:
        case tree.Binary("/", _, right):
            return right, _DIVISOR
        case tree.Binary("^", base, exponent):
            low, high = interval_of(exponent)
            if low != high or low != round(low):
                return base, _POWER if low == high and low > 0 else _BASE
            return (base, _DIVISOR) if low < 0 else None
        case tree.Call(tree.Name("sqrt"), (argument,)):
            return argument.value, _ROOT
        case tree.Call(tree.Name("ln"), (argument,)):
            return argument.value, _LOGARITHM
    return None
