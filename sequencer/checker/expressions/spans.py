"""Spans: that both ends are of one kind, in order, and closed where they must be.

Knows no quantity of a step; what a span is for is said by the caller.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from grammar import tree
from grammar.quantity import PLAIN, TEMPERATURE, TEMPERATURE_POINT, Dimension
from sequencer.checker.facts import UNKNOWN, Type
from sequencer.checker.naming.constants import constant
from sequencer.checker.naming.words import a, example, with_unit

if TYPE_CHECKING:
    from sequencer.checker.expressions.units import Expressions


def type_of(expressions: Expressions, node: tree.Expression, reversible: bool = False) -> Type:
    """The type of a span; `reversible` allows its low end to lie above the high one."""
    checked = expressions.work.checked
    match node:
        case tree.Range():
            dimension = _range(expressions, node)
        case tree.Within():
            dimension = expressions.quantity(node.half)
            if dimension is not None and dimension.point:
                dimension = None
                expressions.error(
                    "within-temperature",
                    node.span,
                    "`within` spans from minus to plus, and °C has no zero of that kind",
                    "write the span out: -5 °C to 5 °C",
                )
        case tree.Tolerance():
            dimension = _tolerance(expressions, node)
        case _:
            return expressions.type_of(node)
    found = Type("span", dimension) if dimension is not None else UNKNOWN
    checked.types[id(node)] = found
    if dimension is not None:
        checked.dimensions[id(node)] = dimension
        if not reversible:
            _in_order(expressions, node)
    return found


def _range(expressions: Expressions, node: tree.Range) -> Dimension | None:
    low = expressions.quantity(node.low) if node.low is not None else None
    high = expressions.quantity(node.high) if node.high is not None else None
    if node.low is None or node.high is None:
        return high if node.low is None else low
    if low is None or high is None:
        return None
    if low == high:
        return low
    for end, found, other in ((node.low, low, high), (node.high, high, low)):
        if found.is_plain and constant(end) is not None:
            text = expressions.work.text(end.span)
            expressions.error(
                "missing-unit",
                end.span,
                f"{text} is a plain number, and the span's other end is {a(other)}",
                f"write {with_unit(end, other)}",
            )
            return None
    expressions.error(
        "unlike-units",
        node.span,
        f"this span goes from {a(low)} to {a(high)}",
        f"both ends must be of one kind, as in {example(low)}",
    )
    return None


def _tolerance(expressions: Expressions, node: tree.Tolerance) -> Dimension | None:
    """A tolerance; relative where its half width is in % or ppm and its centre is not."""
    centre, half = expressions.quantity(node.centre), expressions.quantity(node.half)
    if centre is None or half is None:
        return None
    if centre.point:
        if half != TEMPERATURE:
            expressions.error(
                "unlike-units",
                node.half.span,
                "beside a temperature in °C, a tolerance is a difference in K",
                f"write {expressions.work.text(node.centre.span)} ± 5 K",
            )
            return None
        return TEMPERATURE_POINT
    if half == centre:
        if centre == PLAIN and is_share(node.half) and not is_share(node.centre):
            expressions.work.checked.relative.add(id(node))
        return centre
    if half.is_plain and (is_share(node.half) or constant(node.half) is None):
        expressions.work.checked.relative.add(id(node))
        return centre
    if half.is_plain:
        text = expressions.work.text(node.half.span)
        expressions.error(
            "missing-unit",
            node.half.span,
            f"{text} is a plain number, and so no tolerance of {a(centre)}",
            f"write ± {text} %, or ± {with_unit(node.half, centre)}",
        )
        return None
    expressions.error(
        "unlike-units",
        node.half.span,
        f"{a(half)} is no tolerance of {a(centre)}",
        f"write it in % or as {a(centre)}",
    )
    return None


def is_share(node: tree.Expression) -> bool:
    """Whether a literal is written in % or ppm."""
    if isinstance(node, tree.Negative):
        node = node.operand
    return isinstance(node, tree.Number) and node.text.endswith(("%", "ppm"))


def _in_order(expressions: Expressions, node: tree.Expression) -> None:
    ends = expressions.work.folding.ends(node)
    if ends is None or ends[0] <= ends[1]:
        return
    text = expressions.work.text
    if isinstance(node, tree.Range) and node.low is not None and node.high is not None:
        hint = f"write {text(node.high.span)} to {text(node.low.span)}"
        if constant(node.low) is None or constant(node.high) is None:
            hint += ", or change the settings it is worked out from"
    else:
        hint = "the width of a span is positive"
    expressions.error("span-reversed", node.span, "this span ends below where it begins", hint)
