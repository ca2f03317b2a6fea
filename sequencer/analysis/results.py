"""The evaluation of `results:`: every line of it to an outcome, in the recipe's order.

Works from what was measured, also after a bad end. A line that can't be worked out says why and
stops none of the others; what rests on it can't be worked out either. Plots are no outcome, and no
value is worked out here: `sequencer.analysis.values` does that.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

from grammar import tree
from grammar.quantity import PLAIN, write
from sequencer.analysis.expectations import Facts
from sequencer.analysis.names import Column, column_of_line, columns_of_results, signature_of
from sequencer.analysis.names import written as column_written
from sequencer.analysis.values import Answers, CheckedRecipe, Group, Values
from sequencer.analysis.verdicts import (
    MET,
    NOT_APPLICABLE,
    NOT_MEASURED,
    NOT_MET,
    NOT_WORKED_OUT,
    PLAIN_COMPARISON,
    Missing,
    Outcome,
    Row,
    worst,
)

if TYPE_CHECKING:
    from sequencer.analysis.calculations import Trace

_SHOWN_ROWS = 3  # of an expectation's rows, in the words of why it isn't met


def evaluate(
    checked: CheckedRecipe,
    traces: Mapping[str, Trace | None],
    values: Mapping[str, float],
    *,
    says_why: bool = True,
) -> list[Outcome]:
    """Work out every result and decide every expectation.

    Args:
        checked: a recipe without errors.
        traces: the traces by name; None, or no rows, where nothing was taken into one.
        values: the top-level `let`s and typed values in SI, as they stood at the end; those that
            the run did not reach are left out or NaN.
        says_why: whether an expectation that was decided says by which values.

    Returns:
        One outcome a line, in the recipe's order; plots have none.
    """
    evaluation = _Evaluation(checked, traces, values, says_why)
    return [
        evaluation.result(line) if isinstance(line, tree.Result) else evaluation.expectation(line)
        for line in checked.recipe.results
        if not isinstance(line, tree.Plot)
    ]


class _Evaluation:
    """The lines of one recipe's results, one after another."""

    def __init__(
        self,
        checked: CheckedRecipe,
        traces: Mapping[str, Trace | None],
        values: Mapping[str, float],
        says_why: bool,
    ) -> None:
        self._checked = checked
        self._says_why = says_why
        self._columns = columns_of_results(checked.recipe)
        self._values = Values(checked, traces, values, self._columns)
        self._units: dict[str, str] = {}

    def result(self, line: tree.Result) -> Outcome:
        """Work one result out."""
        name = line.name.id
        self._units[name] = line.unit or ""
        signature = signature_of(line.value)
        if signature is not None and signature.gives_trace and isinstance(line.value, tree.Call):
            return self._trace(line, line.value)
        each = self._columns.get(name)
        found: dict[float | None, Answers] = {}
        rows: list[Row] = []
        try:
            groups = self._values.groups(line.value, each)
        except Missing as missing:
            groups = []
            found[None] = dict.fromkeys(self._names(line.value), missing)
            rows.append(_without(missing))
        for group in groups:
            self._values.group = group
            answers, method = self._answers(line.value)
            found[group.key if group is not None else None] = answers
            rows += [self._row(line, group, *answer, method) for answer in answers.items()]
        self._values.group = None
        self._values.found[name] = found
        return self._outcome(line, each, rows)

    def _outcome(self, line: tree.Result, each: Column | None, rows: list[Row]) -> Outcome:
        """The outcome of a result: of its only value, or of all of its rows."""
        answers = self._names(line.value)
        first = next((row for row in rows if row.value is not None), None)
        one = first or _without(worst([Missing(row.verdict, row.reason) for row in rows]))
        single = each is None and answers == ("",)
        counted = [] if each is None else [_counted(len(rows) // len(answers), "row")]
        if answers != ("",):
            counted.append(_counted(len(answers), "answer"))
        return Outcome(
            name=line.name.id,
            value=one.value if single else None,
            dimension=self._checked.dimensions.get(id(line.value), PLAIN),
            unit=line.unit or "",
            title=line.title,
            text=one.text if single or first is None else ", ".join(counted),
            verdict=one.verdict,
            method=one.method,
            reason=one.reason,
            span=line.span,
            each=column_written(each) if each is not None else "",
            rows=() if single or (rows == [one] and first is None) else tuple(rows),
        )

    def _trace(self, line: tree.Result, call: tree.Call) -> Outcome:
        """What is said of a result that is a trace; the lines after it work on it themselves."""
        values = self._values
        values.calls[line.name.id] = call
        values.methods = []
        text, verdict, reason, trace = "", "", "", None
        try:
            trace = values.trace(call)
            text = f"a trace of {_counted(len(trace.columns['time']), 'row')}"
        except Missing as missing:
            verdict, reason = missing.verdict, missing.reason
        return Outcome(
            line.name.id,
            None,
            title=line.title,
            text=text,
            verdict=verdict,
            method=self._methods(),
            reason=reason,
            span=line.span,
            trace=trace,
        )

    def _names(self, node: tree.Expression) -> tuple[str, ...]:
        """The names of an expression's answers; a single one has none."""
        return tuple(self._checked.answers.get(id(node), ("",)))

    def _answers(self, node: tree.Expression) -> tuple[Answers, str]:
        """The answers of an expression in the present group, and the methods they depend on."""
        self._values.methods = []
        names = self._names(node)
        try:
            if isinstance(node, tree.Call) and names != ("",):
                return self._values.several(node), self._methods()
            return {"": self._values.number(node)}, self._methods()
        except Missing as missing:
            return dict.fromkeys(names, missing), self._methods()

    def _methods(self) -> str:
        return "; ".join(dict.fromkeys(self._values.methods))

    def _row(
        self,
        line: tree.Result,
        group: Group | None,
        answer: str,
        found: float | Missing,
        method: str,
    ) -> Row:
        key, label = (group.key, group.label) if group is not None else (None, "")
        if isinstance(found, Missing):
            return _without(found)._replace(key=key, label=label, answer=answer, method=method)
        dimension = self._checked.dimensions.get(id(line.value), PLAIN)
        if answer:
            dimension = self._checked.answers[id(line.value)][answer]
        text = write(found, dimension, unit=line.unit)
        return Row(key, label, answer, found, line.unit or "", text, method=method)

    def expectation(self, line: tree.Expect) -> Outcome:
        """Decide one expectation; on results with rows it is for every row."""
        each = column_of_line(line.condition, self._columns)
        rows: list[Row] = []
        try:
            for group in self._values.groups(line.condition, each):
                self._values.group = group
                rows.append(self._decided(line.condition))
        except Missing as missing:
            rows.append(_undecided(missing))
        self._values.group = None
        whole = _every(rows) if each is not None else rows[0]
        return Outcome(
            name="",
            value=None,
            text=self._values.written(line.condition),
            verdict=whole.verdict,
            method=PLAIN_COMPARISON if whole.verdict in (MET, NOT_MET) else "",
            reason=whole.reason,
            span=line.span,
            each=column_written(each) if each is not None else "",
            rows=tuple(row for row in rows if row.label),
        )

    def _decided(self, condition: tree.Expression) -> Row:
        group = self._values.group
        try:
            verdict = MET if self._values.truth(condition) else NOT_MET
            reason = Facts(self._values, self._units).of(condition) if self._says_why else ""
            row = Row(None, "", "", None, verdict=verdict, reason=reason)
        except Missing as missing:
            row = _undecided(missing)
        return row if group is None else row._replace(key=group.key, label=group.label)


def _without(missing: Missing) -> Row:
    """A row that has no value."""
    return Row(None, "", "", None, verdict=missing.verdict, reason=missing.reason)


def _undecided(missing: Missing) -> Row:
    """A row of an expectation that rests on a missing value."""
    verdict = NOT_APPLICABLE if missing.verdict == NOT_MEASURED else NOT_WORKED_OUT
    return _without(missing)._replace(verdict=verdict)


def _every(rows: Sequence[Row]) -> Row:
    """An expectation over its rows: the worst of them decides, and is named."""
    for verdict in (NOT_MET, NOT_WORKED_OUT):
        bad = [row for row in rows if row.verdict == verdict]
        if bad:
            said = [f"{r.label}: {r.reason}" if r.label else r.reason for r in bad[:_SHOWN_ROWS]]
            if len(bad) > _SHOWN_ROWS:
                said.append(f"and {len(bad) - _SHOWN_ROWS} rows more")
            return bad[0]._replace(reason="; ".join(said))
    met = [row for row in rows if row.verdict == MET]
    if not met:
        return rows[0]
    reason = f"in all {_counted(len(rows), 'row')}"
    if len(met) < len(rows):
        reason = f"in {len(met)} of {_counted(len(rows), 'row')}; the others are {NOT_APPLICABLE}"
    return met[0]._replace(reason=reason)


def _counted(number: int, noun: str) -> str:
    return f"{number} {noun}" if number == 1 else f"{number} {noun}s"
