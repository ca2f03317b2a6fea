"""Units and types of expressions: what adds to what, what compares with what, what a name is.

`Expressions.type_of` finds the type of every node beneath an expression, once, and keeps it in
`Checked`. The module knows nothing of steps; readings, calls and lists have files of their own.
"""

from __future__ import annotations

from grammar import tree
from grammar.diagnostic import Related, Span
from grammar.quantity import CHARGE, CURRENT, PLAIN, TEMPERATURE, TEMPERATURE_POINT, TIME, Dimension
from sequencer.checker.expressions import calls, readings, spans
from sequencer.checker.facts import TRUTH, UNKNOWN, Type
from sequencer.checker.naming.constants import constant
from sequencer.checker.naming.scope import Definition, Workings, role_of
from sequencer.checker.naming.words import ELAPSED, a, described, example, several, with_unit

VALUES = ("setting", "let", "typed value", "loop variable", "result")
"""The roles of names that stand for a value."""


class Expressions:
    """Types the expressions of one place: "steps", "finally", "require", "guard" or "results"."""

    def __init__(self, work: Workings, place: str) -> None:
        self.work = work
        self.place = place

    def type_of(self, node: tree.Expression) -> Type:
        """The type of an expression; it and all beneath it are kept, problems are reported."""
        found = self._type_of(node)
        checked = self.work.checked
        checked.types[id(node)] = found
        if found.dimension is not None:
            checked.dimensions[id(node)] = found.dimension
        return found

    def error(self, slug: str, span: Span, message: str, hint: str = "", *related: Related) -> Type:
        """Report a problem; gives the unknown type, so that nothing follows from it."""
        self.work.problems.error(slug, span, message, hint, related)
        return UNKNOWN

    def _type_of(self, node: tree.Expression) -> Type:
        match node:
            case tree.Number():
                return Type("quantity", node.quantity.dimension)
            case tree.Name():
                return self._name(node)
            case tree.Member():
                return readings.type_of(self, node)
            case tree.Text():
                for part in node.parts:
                    if not isinstance(part, str):
                        self.shown(part)
                return Type("text")
            case tree.Negative():
                return self._negative(node)
            case tree.Binary():
                return self._binary(node)
            case tree.Compare():
                return self._compare(node)
            case tree.Inside():
                return self._inside(node)
            case tree.Logic():
                self.condition(node.left)
                self.condition(node.right)
                return TRUTH
            case tree.Not():
                self.condition(node.operand)
                return TRUTH
            case tree.IsState():
                return self._state(node)
            case tree.Confirm():
                self.type_of(node.text)
                return TRUTH
            case tree.Call():
                return calls.type_of(self, node)
            case _:
                return self.span_of(node)

    def quantity(
        self, node: tree.Expression, wanted: Dimension | None = None, what: str = "this"
    ) -> Dimension | None:
        """The dimension of an expression that must be a quantity, None where there is none.

        `wanted` is the dimension it must have, `what` what it is for: "the level".
        """
        found = self.type_of(node)
        if not found.known:
            return None
        if found.kind != "quantity" or found.dimension is None:
            hint = f"write {a(wanted)}, as in {example(wanted)}" if wanted else "write a value"
            if found == TRUTH and wanted is None:
                hint = "a condition stands behind if, until, require, guard or expect"
            self.error(
                "not-a-quantity",
                node.span,
                f"{what} is {described(found)}, expected {a(wanted) if wanted else 'a quantity'}",
                hint,
            )
            return None
        if wanted is not None and found.dimension != wanted:
            self._wrong_unit(node, found.dimension, wanted, what)
            return None
        return found.dimension

    def _wrong_unit(
        self, node: tree.Expression, found: Dimension, wanted: Dimension, what: str
    ) -> None:
        slug, hint = "wrong-unit", f"{a(wanted)} is written as in {example(wanted)}"
        text = self.work.text(node.span)
        if found.is_plain:
            slug, hint = "missing-unit", f"write {with_unit(node, wanted)}"
            if spans.is_share(node):
                hint = f"say what it is a share of: {text} * {example(wanted)}"
        elif wanted.is_plain:
            hint = f"write a number without a unit, or divide by 1 {found.unit}"
        elif found == CHARGE and wanted == CURRENT:
            hint = f"divide it by a time: {text} / 1 h"
            if text.endswith("C"):
                hint = "C is the coulomb; a rate is written as in 0.4 * cell.capacity / 1 h"
        elif wanted == found.over(TIME) and constant(node) is not None:
            hint = f"write how much of it in a second: {text}/s"
        elif wanted == PLAIN.over(found) and constant(node) is not None:
            hint += f", or 1 / ({text})"
        elif {found, wanted} == {TEMPERATURE, TEMPERATURE_POINT}:
            hint = "temperatures are written in °C, differences between them in K"
        self.error(
            slug, node.span, f"{what} is {a(found)}, expected {a(wanted)}", hint,
            *self.origin(node),
        )  # fmt: skip

    def condition(self, node: tree.Expression) -> None:
        """Type an expression that must be a condition."""
        found = self.type_of(node)
        if not found.known or found == TRUTH:
            return
        hint = "a condition compares, as in smu.voltage >= 2.7 V"
        if found.dimension is not None and constant(node) is None:
            hint = f"compare it: {self.work.text(node.span)} >= {example(found.dimension)}"
        self.error(
            "not-a-condition", node.span, f"this is {described(found)}, expected a condition", hint
        )

    def shown(self, node: tree.Expression) -> None:
        """Type an expression whose value is shown to a person."""
        found = self.type_of(node)
        if found.known and found != TRUTH and found.kind != "quantity":
            self.error(
                "not-a-quantity",
                node.span,
                f"this is {described(found)}, and a text shows single values",
                "write a value in the braces, as in {smu.voltage}",
            )

    def origin(self, node: tree.Expression) -> list[Related]:
        """Where a name's value comes from, to be shown beside a message about it."""
        definition = self.work.resolved.get(id(node))
        if definition is None:
            return []
        return [Related(definition.span, f"`{definition.shown}` is defined here")]

    def _name(self, node: tree.Name) -> Type:
        if node.id == ELAPSED and self.work.find(ELAPSED) is None:
            if self.place in ("steps", "finally", "guard"):
                return Type("quantity", TIME)
            return self.error(
                "reading-out-of-place",
                node.span,
                f"`elapsed` has no value in {PLACES[self.place]}",
                "keep it in a step: let duration = elapsed"
                if self.place == "results"
                else "only settings are known before a run",
            )
        definition = self.work.resolve(node, VALUES)
        if definition is None:
            return UNKNOWN
        if definition.role not in VALUES:
            return self._not_a_value(node, definition)
        if definition.type.kind in ("answers", "trace"):
            from sequencer.checker.expressions import calculations

            return calculations.name_of_several(self, node, definition)
        return definition.type

    def _not_a_value(self, node: tree.Name, definition: Definition) -> Type:
        message, hint = f"`{node.id}` is {role_of(definition)}, expected a value", ""
        match definition.role:
            case "digital line":
                hint = f"a line is no value but a condition: {node.id} is high"
            case "channel":
                hint = f"write which reading of it is meant: {node.id}.voltage"
            case "part":
                hint = "a part's name stands for its rating, as a limit only: limit " + node.id
            case "trace":
                hint = f"in results, a calculation makes a value of it: mean({node.id}, current)"
        return self.error("not-a-value", node.span, message, hint)

    def _state(self, node: tree.IsState) -> Type:
        if self.place in ("results", "require"):
            return self.error(
                "reading-out-of-place",
                node.span,
                f"`{node.line.id}` has no state in {PLACES[self.place]}",
                f"keep it in a step: let open = {self.work.text(node.span)}"
                if self.place == "results"
                else "only settings are known before a run; a guard may look at a line",
            )
        self.work.line(node.line)
        return TRUTH

    def _negative(self, node: tree.Negative) -> Type:
        dimension = self.quantity(node.operand)
        if dimension is None:
            return UNKNOWN
        if dimension.point:
            return self._scaled_point(node.operand)
        return Type("quantity", dimension)

    def _binary(self, node: tree.Binary) -> Type:
        left, right = self.quantity(node.left), self.quantity(node.right)
        if left is None or right is None:
            return UNKNOWN
        match node.operator:
            case "+" | "-":
                return self._sum(node, left, right)
            case "^":
                return self._power(node, left, right)
        for operand, dimension in ((node.left, left), (node.right, right)):
            if dimension.point:
                return self._scaled_point(operand)
        found = left.times(right) if node.operator == "*" else left.over(right)
        return Type("quantity", found)

    def _sum(self, node: tree.Binary, left: Dimension, right: Dimension) -> Type:
        if TEMPERATURE_POINT in (left, right):
            return self._sum_of_points(node, left, right)
        if left == right:
            return Type("quantity", left)
        verb = "adds {0} to {1}" if node.operator == "+" else "subtracts {0} from {1}"
        first, second = (left, right) if node.operator == "+" else (right, left)
        return self.unlike(node, left, right, "this " + verb.format(a(first), a(second)))

    def _sum_of_points(self, node: tree.Binary, left: Dimension, right: Dimension) -> Type:
        """Points on the scale of temperature: differences may be added, two points subtracted."""
        if left == right and node.operator == "-":
            return Type("quantity", TEMPERATURE)
        if {left, right} == {TEMPERATURE, TEMPERATURE_POINT} and (
            left.point or node.operator == "+"
        ):
            return Type("quantity", TEMPERATURE_POINT)
        if left == right:
            return self.error(
                "sum-of-temperatures",
                node.span,
                "this adds two temperatures in °C, which are points on a scale",
                "write the difference in K, as in 25 °C + 5 K",
            )
        if left == TEMPERATURE:
            first, second = self.work.text(node.left.span), self.work.text(node.right.span)
            return self.error(
                "sum-of-temperatures",
                node.span,
                "this takes a temperature in °C, a point on a scale, from a difference",
                f"write the temperature first: {second} - {first}",
            )
        return self.unlike(node, left, right, f"this joins {a(left)} and {a(right)}")

    def unlike(
        self,
        node: tree.Binary | tree.Compare,
        left: Dimension,
        right: Dimension,
        message: str,
    ) -> Type:
        """Refuse two operands of unlike dimensions; a plain literal among them lacks its unit."""
        for operand, dimension, other in (
            (node.left, left, right),
            (node.right, right, left),
        ):
            if constant(operand) is None or not dimension.is_plain:
                continue
            text = self.work.text(operand.span)
            if text.endswith(("%", "ppm")):
                share = self.work.text((node.right if operand is node.left else node.left).span)
                hint = f"say what it is a share of: {text} * {share}"
                if operand is node.right and isinstance(operand, tree.Negative):
                    centre, half = share, self.work.text(operand.operand.span)
                    hint = f"a tolerance is written with ± or +/-: {centre} ± {half}"
                message = f"{text} is a plain number beside {a(other)}"
            else:
                message = f"{text} is a plain number beside {a(other)}"
                hint = f"write {with_unit(operand, other)}"
                beside = node.right if operand is node.left else node.left
                if isinstance(beside, tree.Member) and beside.field.id == "speed":
                    hint = f"write {text} rpm"
            return self.error("missing-unit", operand.span, message, hint)
        hint = "both sides must be of one kind"
        if not left.is_plain and not right.is_plain:
            hint += f": two {several(left)}, or two {several(right)}"
        if {left, right} == {TEMPERATURE, TEMPERATURE_POINT}:
            hint = "temperatures are written in °C, differences between them in K"
        return self.error(
            "unlike-units",
            node.span,
            message,
            hint,
            *self.origin(node.left),
            *self.origin(node.right),
        )

    def _power(self, node: tree.Binary, left: Dimension, right: Dimension) -> Type:
        if not right.is_plain:
            return self.error(
                "wrong-unit",
                node.right.span,
                f"the exponent is {a(right)}, expected a plain number",
                "write a number without a unit, as in smu.current ^ 2",
            )
        if left.point:
            return self._scaled_point(node.left)
        if left.is_plain:
            return Type("quantity", PLAIN)
        exponent = constant(node.right)
        if exponent is None or (2 * exponent) % 1:
            return self.error(
                "exponent",
                node.right.span,
                f"the exponent of {a(left)} must be a number like 2 or 0.5, written out",
                "write it out, or use sqrt(…)",
            )
        return Type("quantity", left.power(exponent))

    def _scaled_point(self, node: tree.Expression) -> Type:
        return self.error(
            "scaled-temperature",
            node.span,
            "a temperature in °C is a point on a scale: it can't be multiplied, divided or negated",
            f"take a difference first: ({self.work.text(node.span)} - 25 °C)",
        )

    def _compare(self, node: tree.Compare) -> Type:
        types = [self.type_of(side) for side in (node.left, node.right)]
        for side, found in zip((node.left, node.right), types, strict=True):
            if found == TRUTH:
                text = self.work.text(side.span)
                self.error(
                    "compared-condition",
                    side.span,
                    "this is yes or no by itself and can't be compared",
                    f"write `{text}` or `not {text}`, without a comparison",
                )
                return TRUTH
            if found.known and found.kind != "quantity":
                self.error(
                    "not-a-quantity",
                    side.span,
                    f"{described(found)} can't be compared",
                    "compare values, as in smu.voltage >= 2.7 V",
                )
                return TRUTH
        left, right = (found.dimension for found in types)
        if left is not None and right is not None and left != right:
            self.unlike(node, left, right, f"this compares {a(left)} with {a(right)}")
        return TRUTH

    def _inside(self, node: tree.Inside) -> Type:
        dimension = self.quantity(node.operand)
        bounds = self.type_of(node.bounds)
        if not bounds.known:
            return TRUTH
        if bounds.kind != "span":
            text = self.work.text(node.bounds.span)
            self.error(
                "not-a-span",
                node.bounds.span,
                f"this is {described(bounds)}, expected a span",
                f"write in {text} ± 5 %, in 0 V to 2.7 V, or compare with <= or >=",
            )
        elif dimension is not None and bounds.dimension not in (None, dimension):
            assert bounds.dimension is not None
            self.error(
                "unlike-units",
                node.bounds.span,
                f"this is a span of {several(bounds.dimension)}, and "
                f"{self.work.text(node.operand.span)} is {a(dimension)}",
                f"write both in one unit, as in {example(dimension)}",
            )
        return TRUTH

    def span_of(self, node: tree.Expression, reversible: bool = False) -> Type:
        """The type of a span; `reversible` allows its low end to lie above the high one."""
        return spans.type_of(self, node, reversible)


PLACES = {
    "steps": "steps",
    "finally": "`finally`",
    "require": "a `require`",
    "guard": "a `guard`",
    "results": "results",
}
