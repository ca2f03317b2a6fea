"""Results: what is worked out from traces, and what is expected of it.

Knows names, units and the table of calculations; works nothing out.
"""

from __future__ import annotations

from grammar import tree
from grammar.quantity import UnitError, read_unit
from sequencer.checker.facts import TRUTH, Type
from sequencer.checker.scope import Workings
from sequencer.checker.units import Expressions
from sequencer.checker.words import a, described


def check_results(work: Workings) -> None:
    """All lines of the results; each sees settings, traces, top-level `let`s and those before."""
    expressions = Expressions(work, "results")
    for node in work.checked.recipe.results:
        if isinstance(node, tree.Result):
            _result(expressions, node)
        else:
            expressions.condition(node.condition)


def _result(expressions: Expressions, node: tree.Result) -> None:
    found = expressions.type_of(node.value)
    if found == TRUTH:
        text = expressions.work.text(node.value.span)
        found = expressions.error(
            "not-a-quantity",
            node.value.span,
            f"`{node.name.id}` is a condition, and a result is a value",
            f"write expect {text}",
        )
    elif found.known and found.kind != "quantity":
        found = expressions.error(
            "not-a-quantity",
            node.value.span,
            f"`{node.name.id}` is {described(found)}, and a result is a single value",
            "write a calculation, as in capacitance(discharging, 2 V to 1 V)",
        )
    if node.unit is not None:
        _unit(expressions, node, node.unit, found)
    expressions.work.define(node.name, "result", found, node).used = True


def _unit(expressions: Expressions, node: tree.Result, unit: str, found: Type) -> None:
    try:
        dimension = read_unit(unit).dimension
    except UnitError as error:
        expressions.error("unknown-unit", node.span, str(error), "write a unit as V or mohm")
        return
    if found.dimension is not None and dimension != found.dimension:
        expressions.error(
            "wrong-unit",
            node.value.span,
            f"this is {a(found.dimension)}, and can't be shown in {unit}, "
            f"which is for {a(dimension)}",
            f"write as {found.dimension.unit}, or nothing"
            if found.dimension.unit
            else "write no unit, or as %",
        )
