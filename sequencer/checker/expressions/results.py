"""Results: what is worked out from traces, what is expected of it, and what is plotted.

Knows names, units, columns and the table of calculations; works nothing out.
"""

from __future__ import annotations

from collections.abc import Iterator

from grammar import tree
from grammar.diagnostic import Related
from grammar.quantity import PLAIN, Dimension, UnitError, read_unit
from grammar.wording import listed, near
from sequencer.checker.expressions import calculations
from sequencer.checker.expressions.columns import (
    column,
    columns_of,
    in_words,
    named,
    trace_of,
    written,
)
from sequencer.checker.expressions.units import Expressions
from sequencer.checker.facts import TRUTH, TraceFacts, Type
from sequencer.checker.naming.scope import Definition, Workings
from sequencer.checker.naming.walking import nodes_of
from sequencer.checker.naming.words import a, described


def check_results(work: Workings) -> None:
    """All lines of the results; each sees settings, traces, top-level `let`s and those before."""
    results = _Results(work)
    for name, trace in work.checked.traces.items():
        work.checked.columns[name] = tuple(columns_of(work, trace))
    for node in work.checked.recipe.results:
        match node:
            case tree.Result():
                results.result(node)
            case tree.Expect():
                results.expectation(node)
            case tree.Plot():
                results.plot(node)


class _Results:
    """Checks the lines of the results one after another.

    `rows` has the column that a result has a row each of, by the result's name.
    """

    def __init__(self, work: Workings) -> None:
        self.work = work
        self.expressions = Expressions(work, "results")
        self.rows: dict[str, tree.Result] = {}

    def result(self, node: tree.Result) -> None:
        """`NAME = E [for each COLUMN] [as UNIT] ["title"]`."""
        found = self._value(node)
        grouped = self._grouped(node, found)
        if node.unit is not None:
            _unit(self.expressions, node, node.unit, found)
        definition = self.work.define(node.name, "result", found, node)
        definition.used = True
        if grouped is not None and self.work.find(node.name.id) is definition:
            self.rows[node.name.id] = grouped

    def expectation(self, node: tree.Expect) -> None:
        """`expect COND`; with rows it is for every row, and all of them are of one column."""
        self.expressions.condition(node.condition)
        self._rows_used(node.condition)

    def _value(self, node: tree.Result) -> Type:
        """The type of a result, which is a value, several answers by name, or a trace."""
        if calculations.is_whole(node.value) and isinstance(node.value, tree.Call):
            return calculations.whole(self.expressions, node.value)
        found = self.expressions.type_of(node.value)
        if found == TRUTH:
            text = self.work.text(node.value.span)
            return self.expressions.error(
                "not-a-quantity",
                node.value.span,
                f"`{node.name.id}` is a condition, and a result is a value",
                f"write expect {text}",
            )
        if found.known and found.kind != "quantity":
            return self.expressions.error(
                "not-a-quantity",
                node.value.span,
                f"`{node.name.id}` is {described(found)}, and a result is a single value",
                "write a calculation, as in capacitance(discharging, 2 V to 1 V)",
            )
        return found

    def _grouped(self, node: tree.Result, found: Type) -> tree.Result | None:
        """The result whose `for each` gives this one its rows: its own, or one that it rests on."""
        inherited = self._rows_used(node.value)
        if found == calculations.TRACE and (node.each is not None or inherited is not None):
            self.expressions.error(
                "each-of-trace",
                (node.each or node.value).span,
                f"`{node.name.id}` is a trace, and only values have a row each",
                "group it where a value is worked out: "
                f"mean({node.name.id}, current) for each {_each(inherited or node)}",
            )
            return None
        if node.each is None:
            return inherited
        if inherited is not None and _each(inherited) != _each(node):
            self._unlike(node, node, inherited)
        self._column(node, node.each, found)
        return node

    def _column(self, node: tree.Result, each: tree.Name | tree.Member, found: Type) -> None:
        """That at least one trace of the expression has the column; others are taken whole."""
        traces = [trace for trace, _ in self._traces_in(node.value)]
        checked = self.work.checked
        first: TraceFacts | None = None
        for trace in traces:
            columns = columns_of(self.work, trace)
            of_name = named(columns, written(each))
            if len(of_name) == 1:
                checked.dimensions.setdefault(id(each), columns[of_name[0]])
            elif of_name:
                self.expressions.error(
                    "ambiguous-column",
                    each.span,
                    f"several channels of the trace have a column `{written(each)}`",
                    f"write {listed(of_name)}",
                )
                return
            first = first or trace
        if id(each) in checked.dimensions or not found.known:
            return
        for _, earlier in self._rows_in(node.value):
            if _each(earlier) == _each(node):
                checked.dimensions[id(each)] = checked.dimensions.get(id(earlier.each), PLAIN)
                return
        if first is None:
            self.expressions.error(
                "each-without-trace",
                each.span,
                f"`for each` groups a trace, and there is none in `{node.name.id}`",
                "leave it out, or write a calculation over a trace",
            )
            return
        names = [name for trace in traces for name in columns_of(self.work, trace)]
        wanted = near(written(each), [*names, *(name.split(".")[-1] for name in names)])
        columns = columns_of(self.work, first)
        self.expressions.error(
            "unknown-column",
            each.span,
            f"the trace has no column `{written(each)}` to be grouped by",
            f"write for each {wanted}"
            if wanted
            else f"it has {in_words(columns, first)}; loop variables and names given by `with` "
            "are columns too",
        )

    def _rows_used(self, node: tree.Expression) -> tree.Result | None:
        """The result that gives rows to what rests on it; two of unlike columns are refused."""
        first: tree.Result | None = None
        for name, grouped in self._rows_in(node):
            if first is not None and _each(first) != _each(grouped):
                self._unlike(name, first, grouped)
                return first
            first = first or grouped
        return first

    def _rows_in(self, node: tree.Expression) -> list[tuple[tree.Name, tree.Result]]:
        """The names in an expression that stand for results with rows."""
        return [
            (name, self.rows[name.id])
            for name in nodes_of(node)
            if isinstance(name, tree.Name)
            and name.id in self.rows
            and self.work.resolved.get(id(name)) is self.work.find(name.id)
        ]

    def _unlike(self, at: tree.Node, first: tree.Result, second: tree.Result) -> None:
        self.expressions.error(
            "each-unlike",
            at.span if isinstance(at, tree.Name) else first.each.span if first.each else first.span,
            f"this joins rows for each {_each(first)} with rows for each {_each(second)}",
            "group both by the same column",
            Related((second.each or second).span, f"the rows for each {_each(second)}"),
        )

    def _traces_in(self, node: tree.Expression) -> Iterator[tuple[TraceFacts, Definition]]:
        """The traces that an expression works on, those behind a result's name included."""
        checked = self.work.checked
        for inner in nodes_of(node):
            definition = self.work.resolved.get(id(inner))
            if definition is None:
                continue
            if definition.role == "trace" and definition.name in checked.traces:
                yield checked.traces[definition.name], definition
            elif isinstance(definition.node, tree.Result):
                derived = checked.derived.get(id(definition.node.value))
                if derived is not None:
                    yield derived, definition

    def plot(self, node: tree.Plot) -> None:
        """`plot T, U: y against x`: every trace has both columns, of one dimension in all."""
        seen: dict[str, tuple[Dimension, tree.Name]] = {}
        for name in node.traces:
            trace = trace_of(self.expressions, name, "`plot`")
            called = f"`{name.id}`" if len(node.traces) > 1 else "the trace"
            for axis in (node.y, node.x):
                found = column(self.expressions, axis, trace, called) if trace is not None else None
                if found is None:
                    continue
                first, where = seen.setdefault(written(axis), (found, name))
                if first != found:
                    self.expressions.error(
                        "plot-unlike",
                        name.span,
                        f"the column `{written(axis)}` is {a(found)} here, and {a(first)} in "
                        f"`{where.id}`: they can't share an axis",
                        "write a plot for each",
                    )


def _each(node: tree.Result) -> str:
    return written(node.each) if node.each is not None else ""


def _unit(expressions: Expressions, node: tree.Result, unit: str, found: Type) -> None:
    try:
        dimension = read_unit(unit).dimension
    except UnitError as error:
        expressions.error("unknown-unit", node.span, str(error), "write a unit as V or mohm")
        return
    if found in (calculations.ANSWERS, calculations.TRACE):
        what = "a trace" if found == calculations.TRACE else "several answers"
        expressions.error(
            "wrong-unit",
            node.value.span,
            f"`{node.name.id}` is {what}, and can't be shown in one unit",
            f"leave `as {unit}` out, and write it where a single value is worked out",
        )
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
