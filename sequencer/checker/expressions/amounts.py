"""Times, counts, levels and limits: what a step's amounts must be, as far as it is known before.

A value that only the run knows is left to the worst case; what is certain to be wrong with the
settings in force is said here. Knows no order of steps.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from grammar import tree
from grammar.diagnostic import Related
from grammar.quantity import CURRENT, PLAIN, TIME, VOLTAGE, Dimension, write
from sequencer.checker.naming.constants import constant
from sequencer.checker.naming.walking import nodes_of
from sequencer.checker.naming.words import a, described, example, several, span_with_unit

if TYPE_CHECKING:
    from sequencer.checker.expressions.units import Expressions
    from sequencer.checker.naming.scope import Definition, Workings

MOST_TURNS = 1_000_000
"""How many points a sweep and how many values a list may have."""

LEVEL = {"voltage": VOLTAGE, "current": CURRENT}
LIMIT = {"voltage": CURRENT, "current": VOLTAGE}
"""The dimensions of a source's level and limit by its mode."""


def time(
    expressions: Expressions, node: tree.Expression, what: str, zero: bool = False
) -> float | None:
    """A time, in s where it is known; `zero` says whether none at all will do."""
    if not _amount(expressions, node, TIME, what):
        return None
    return positive(expressions, node, TIME, what, zero)


def positive_amount(
    expressions: Expressions,
    node: tree.Expression,
    wanted: Dimension,
    what: str,
    why: str,
) -> float | None:
    """An amount above zero of some dimension; `why` is said where it isn't, in place of a hint."""
    if not _amount(expressions, node, wanted, what):
        return None
    value = expressions.work.folding.value(node)
    if value is not None and value <= 0:
        hint = f"write it as in {example(wanted)}: {why}"
        if value < 0 and constant(node) is not None:
            hint = f"write {expressions.work.text(node.span).lstrip('-−')}: {why}"
        expressions.error(
            "not-positive",
            node.span,
            f"{what} is {write(value, wanted)}, expected more than zero",
            hint,
            *origins(expressions.work, node),
        )
    return value


def positive(
    expressions: Expressions,
    node: tree.Expression,
    dimension: Dimension,
    what: str,
    zero: bool = False,
) -> float | None:
    """The value of an amount above zero where it is known; one that isn't is reported."""
    value = expressions.work.folding.value(node)
    if value is not None and (value < 0 or (value == 0 and not zero)):
        expressions.error(
            "not-positive",
            node.span,
            f"{what} is {write(value, dimension)}, expected "
            + ("zero or more" if zero else "more than zero"),
            f"write it as in {example(dimension)}",
            *origins(expressions.work, node),
        )
    return value


def count(expressions: Expressions, node: tree.Expression, what: str, least: int) -> float | None:
    """A whole plain number with the settings in force, its value where it is known."""
    if not _amount(expressions, node, PLAIN, what):
        return None
    value = expressions.work.folding.value(node)
    if value is None:
        return None
    related = origins(expressions.work, node)
    if value != round(value):
        expressions.error(
            "not-whole",
            node.span,
            f"{what} is {write(value, PLAIN)}, expected a whole number",
            f"write {math.floor(value)} or {math.ceil(value)}, or round(…) around it",
            *related,
        )
    elif not least <= value <= MOST_TURNS:
        bound = f"at least {least}" if value < least else f"at most {MOST_TURNS}"
        expressions.error(
            "count-out-of-bounds",
            node.span,
            f"{what} is {write(value, PLAIN, 15)}, expected {bound}",
            f"write {least} or more" if value < least else "take fewer, or nest two loops",
            *related,
        )
    return value


def whole(expressions: Expressions, node: tree.Expression, what: str) -> float | None:
    """A bound of a counting loop: any whole plain number."""
    return count(expressions, node, what, least=-MOST_TURNS)


def level(expressions: Expressions, node: tree.Expression, mode: str, what: str) -> None:
    """A level of a source's mode."""
    _amount(expressions, node, LEVEL[mode], what)


def limit(
    expressions: Expressions, node: tree.Expression, mode: str, channel: str, what: str = "source"
) -> None:
    """A limit: a magnitude, a span of both ends, or the name of the part on the channel."""
    wanted = LIMIT[mode]
    what = f"the limit of a {mode} {what}"
    if isinstance(node, tree.Name) and _is_part(expressions, node, channel):
        return
    if not isinstance(node, tree.Range | tree.Within | tree.Tolerance):
        if _amount(expressions, node, wanted, what):
            _magnitude(expressions, node, wanted, what)
        return
    found = expressions.span_of(node)
    expressions.work.critical.append((node, what))
    if not found.known or found.dimension is None:
        return
    if found.dimension != wanted:
        slug = "missing-unit" if found.dimension.is_plain else "wrong-unit"
        expressions.error(
            slug,
            node.span,
            f"{what} is a span of {several(found.dimension)}, expected {several(wanted)}",
            f"write limit {span_with_unit(node, wanted)}"
            if found.dimension.is_plain
            else f"{a(wanted)} is written as in {example(wanted)}",
        )
    elif isinstance(node, tree.Range) and (node.low is None or node.high is None):
        end = node.high if node.low is None else node.low
        assert end is not None
        text = expressions.work.text(end.span)
        expressions.error(
            "open-ended",
            node.span,
            f"{what} has one end only, and must hold on both sides",
            f"write limit {text}, or limit 0 {wanted.unit} to {text}",
        )


def same_sign(expressions: Expressions, first: tree.Expression, last: tree.Expression) -> None:
    """Ends of a logarithmic series: neither zero, both on one side of it."""
    folding = expressions.work.folding
    ends = folding.value(first), folding.value(last)
    for node, value, other in ((first, ends[0], ends[1]), (last, ends[1], ends[0])):
        if value == 0 or (value is not None and other is not None and value * other < 0):
            dimension = expressions.work.checked.dimensions.get(id(node), PLAIN)
            expressions.error(
                "logarithmic-through-zero",
                node.span,
                f"a logarithmic series can't {'begin or end at' if value == 0 else 'pass'} zero",
                f"take both ends from one side of it, as in {write(0.001, dimension)} "
                f"to {write(1.0, dimension)}",
            )
            return


def origins(work: Workings, node: tree.Expression) -> list[Related]:
    """Where the settings of an expression are defined, where it is more than a literal."""
    return [
        Related(d.span, f"`{d.shown}` is defined here")
        for d in dict.fromkeys(definitions_in(work, node))
        if d.role == "setting"
    ]


def definitions_in(work: Workings, node: tree.Node) -> list[Definition]:
    """What the names of an expression stand for."""
    return [work.resolved[id(n)] for n in nodes_of(node) if id(n) in work.resolved]


def _amount(expressions: Expressions, node: tree.Expression, wanted: Dimension, what: str) -> bool:
    expressions.work.critical.append((node, what))
    if isinstance(node, tree.Range | tree.Within | tree.Tolerance):
        found = expressions.span_of(node)
        if found.known:
            expressions.error(
                "not-a-quantity",
                node.span,
                f"{what} is {described(found)}, expected {a(wanted)}",
                f"write a single value, as in {example(wanted)}",
            )
        return False
    return expressions.quantity(node, wanted, what) is not None


def _magnitude(
    expressions: Expressions, node: tree.Expression, dimension: Dimension, what: str
) -> None:
    value = expressions.work.folding.value(node)
    if value is None or value > 0:
        return
    text = expressions.work.text(node.span)
    hint = "write a positive value: it holds on both sides"
    if value < 0 and constant(node) is not None:
        hint = f"write limit {text.lstrip('-−')}: it holds on both sides"
    message = f"{what} is {write(value, dimension)}, and must be more than nothing"
    expressions.error("not-positive", node.span, message, hint, *origins(expressions.work, node))


def _is_part(expressions: Expressions, node: tree.Name, channel: str) -> bool:
    """Whether a limit names a part; one on another channel is reported."""
    definition = expressions.work.find(node.id)
    if definition is None or definition.role != "part":
        return False
    expressions.work.resolve(node, ("part",))
    part = expressions.work.checked.parts.get(node.id)
    if part is not None and part.channel != channel:
        expressions.error(
            "limit-of-other-part",
            node.span,
            f"the part `{node.id}` is on `{part.channel}`, and this limit is for `{channel}`",
            f"name the part on `{channel}`, or write the limit as a value",
            Related(part.span, "the part"),
        )
    return True
