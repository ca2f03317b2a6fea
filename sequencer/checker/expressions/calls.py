"""Calls: functions of values, lists for loops, and calculations over traces.

Knows how many arguments each takes and what comes out. The calculations' own table is loaded only
where a recipe calls one.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from grammar import tree
from grammar.quantity import PLAIN, TIME, Dimension
from grammar.wording import listed, near
from sequencer.checker.expressions import amounts
from sequencer.checker.facts import UNKNOWN, Type
from sequencer.checker.naming.words import a, example, with_unit

if TYPE_CHECKING:
    from sequencer.checker.expressions.units import Expressions

FUNCTIONS = {"abs": 1, "sqrt": 1, "ln": 1, "exp": 1, "round": 1, "min": 2, "max": 2}
"""The functions of values, with the number of their arguments (at least, for `min` and `max`)."""

LISTS = {"linear": "A, B, N", "logarithmic": "A, B, N", "values": "A, B, …"}
"""The lists, with their arguments as they are told to a person."""

_LISTED = "write linear(0 V, 2 V, 5), logarithmic(1 mA, 1 A, 10) or values(1 V, 2 V)"

OVER_TRACES = frozenset(("mean", "slope", "minimum", "maximum"))
"""The calculations that steps have: the second argument names a column, and no value."""


def type_of(expressions: Expressions, node: tree.Call) -> Type:
    """The type of a call, its arguments typed on the way."""
    name = node.function.id
    if name in FUNCTIONS:
        return _function(expressions, node)
    if name in LISTS:
        for argument in node.arguments:
            expressions.type_of(argument.value)
        return expressions.error(
            "list-out-of-place",
            node.span,
            "this is a list, and a list stands only in a loop",
            f"write for x in {expressions.work.text(node.span)}:",
        )
    from sequencer.analysis.signatures import IN_STEPS, SIGNATURES

    if name not in SIGNATURES:
        return _unknown(expressions, node, list(SIGNATURES))
    in_steps = expressions.place in ("steps", "finally")
    if expressions.place != "results" and not (in_steps and name in IN_STEPS):
        hint = f"write it beneath results: x = {expressions.work.text(node.span)}"
        if name in IN_STEPS:
            hint = "compare a reading here, or write it in the steps, in an `if` that ends the run"
        if in_steps:
            hint += f"; steps have {listed(IN_STEPS)} over a trace's newest part".replace(
                " or ", " and "
            )
        return expressions.error(
            "calculation-out-of-place",
            node.function.span,
            f"`{name}` works out a whole trace, which is there only when the run has ended"
            if name not in IN_STEPS
            else f"`{name}` works on a trace, which only steps and results can look at",
            hint,
        )
    from sequencer.checker.expressions import calculations

    if not in_steps:
        return calculations.type_of(expressions, node, SIGNATURES[name])
    found = calculations.type_of(expressions, node, IN_STEPS[name])
    newest = [a.value for a in node.arguments[2:3] if a.name is None]
    newest += [a.value for a in node.arguments if a.name == "newest"]
    for value in newest:
        amounts.positive(expressions, value, TIME, "the newest part")
    return found


def _unknown(expressions: Expressions, node: tree.Call, calculations: list[str]) -> Type:
    from sequencer.analysis.signatures import ALSO_CALLED

    names = [*FUNCTIONS, *LISTS, *calculations]
    wanted = ALSO_CALLED.get(node.function.id) or near(node.function.id, names)
    hint = f"write {wanted}(…)" if wanted else f"there are {listed(sorted(names), 30)}"
    return expressions.error(
        "unknown-function",
        node.function.span,
        f"there is no function `{node.function.id}`",
        hint,
    )


def _function(expressions: Expressions, node: tree.Call) -> Type:
    name, given = node.function.id, node.arguments
    count = FUNCTIONS[name]
    found = _all(expressions, given)
    if len(given) < count or (len(given) > count and count == 1):
        return expressions.error(
            "argument-count",
            node.span,
            f"`{name}` takes {'one value' if count == 1 else 'two values or more'}, "
            f"and {len(given) or 'none'} stand{'s' if len(given) < 2 else ''} here",
            f"write {name}({'a' if count == 1 else 'a, b'})",
        )
    if found is None:
        return UNKNOWN
    first = found[0]
    if name in ("min", "max"):
        return _alike(expressions, given, found)
    if name in ("abs", "sqrt") and first.point:
        return expressions.error(
            "scaled-temperature",
            given[0].value.span,
            f"a temperature in °C is a point on a scale: `{name}` of it means nothing",
            f"take a difference first: {name}({expressions.work.text(given[0].span)} - 25 °C)",
        )
    if name in ("abs", "sqrt"):
        return Type("quantity", first if name == "abs" else first.power(0.5))
    if not first.is_plain:
        text = expressions.work.text(given[0].span)
        return expressions.error(
            "wrong-unit",
            given[0].value.span,
            f"`{name}` takes a plain number, and this is {a(first)}",
            f"divide by a unit first: {name}({text} / (1 {first.unit}))",
        )
    return Type("quantity", PLAIN)


def _unnamed(expressions: Expressions, argument: tree.Argument) -> Dimension | None:
    if argument.name is None:
        return expressions.quantity(argument.value)
    expressions.type_of(argument.value)
    expressions.error(
        "unknown-argument",
        argument.span,
        f"the arguments of a function have no names, and here is `{argument.name}`",
        f"write {expressions.work.text(argument.value.span)} alone",
    )
    return None


def _alike(
    expressions: Expressions, arguments: Sequence[tree.Argument], dimensions: Sequence[Dimension]
) -> Type:
    first = dimensions[0]
    for argument, found in zip(arguments, dimensions, strict=True):
        if found != first:
            slug, hint = "unlike-units", f"all must be of one kind, as in {example(first)}"
            if found.is_plain:
                slug, hint = "missing-unit", f"write {with_unit(argument.value, first)}"
            return expressions.error(
                slug,
                argument.value.span,
                f"this is {a(found)} among values of which the first is {a(first)}",
                hint,
            )
    return Type("quantity", first)


def list_of(expressions: Expressions, node: tree.Expression) -> Type:
    """The type of the values of a loop's list, unknown where it is none."""
    if not isinstance(node, tree.Call) or node.function.id not in LISTS:
        from sequencer.analysis.signatures import SIGNATURES

        named = node.function.id if isinstance(node, tree.Call) else ""
        if named and named not in FUNCTIONS and named not in SIGNATURES:
            return expressions.error(
                "unknown-function",
                node.span,
                f"there is no list `{named}`",
                f"{_LISTED}, or 1 to 3",
            )
        if expressions.type_of(node).known:
            expressions.error(
                "not-a-list", node.span, "a loop goes through a list, and this is none", _LISTED
            )
        return UNKNOWN
    name, given = node.function.id, node.arguments
    if name == "values" and given:
        found = _all(expressions, given)
        return _alike(expressions, given, found) if found is not None else UNKNOWN
    if name == "values" or len(given) != 3:
        _all(expressions, given)
        return expressions.error(
            "argument-count",
            node.span,
            f"`{name}` takes {'at least one value' if name == 'values' else 'three values'}, "
            f"and {len(given) or 'none'} stand{'s' if len(given) < 2 else ''} here",
            f"write {name}({LISTS[name]})",
        )
    first, last, count = (argument.value for argument in given)
    found = _all(expressions, given[:2])
    amounts.count(expressions, count, "the number of values", least=1)
    if found is None:
        return UNKNOWN
    kind = _alike(expressions, given[:2], found)
    if kind.known and name == "logarithmic":
        amounts.same_sign(expressions, first, last)
    return kind


def _all(expressions: Expressions, arguments: Sequence[tree.Argument]) -> list[Dimension] | None:
    """The dimensions of arguments, None where one of them has a problem."""
    found = [_unnamed(expressions, argument) for argument in arguments]
    known = [dimension for dimension in found if dimension is not None]
    return known if len(known) == len(found) else None
