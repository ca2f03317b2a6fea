"""The evaluation of `results:`: every line of it to an outcome, in the recipe's order.

Works from what was measured, also after a bad end. A line that can't be worked out says why and
stops none of the others; what rests on it can't be worked out either. numpy is loaded only when a
calculation is called for.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Set
from typing import TYPE_CHECKING, Any, Protocol

from grammar import tree
from grammar.diagnostic import Source, Span
from grammar.quantity import PLAIN, Dimension, write
from sequencer.analysis.arithmetic import Arithmetic
from sequencer.analysis.expectations import Facts
from sequencer.analysis.signatures import SIGNATURES, Parameter, Signature
from sequencer.analysis.verdicts import (
    MET,
    NOT_APPLICABLE,
    NOT_MEASURED,
    NOT_MET,
    NOT_WORKED_OUT,
    PLAIN_COMPARISON,
    Missing,
    Outcome,
)

if TYPE_CHECKING:
    from sequencer.analysis.calculations import Trace


class SettingInForce(Protocol):
    """A setting with its value in SI."""

    @property
    def value(self) -> float:
        """The value in force (SI)."""


class ProblemsOfSource(Protocol):
    """What was gathered of a text, with the text."""

    source: Source


class CheckedRecipe(Protocol):
    """What the evaluation reads of a checked recipe.

    `dimensions` holds every expression node's dimension by the node's `id`, `relative` the ids of
    the tolerances whose half width is a share of the centre.
    """

    @property
    def recipe(self) -> tree.Recipe:
        """The tree."""

    @property
    def settings(self) -> Mapping[str, SettingInForce]:
        """The settings by name."""

    @property
    def dimensions(self) -> Mapping[int, Dimension]:
        """The dimensions of the expressions."""

    @property
    def relative(self) -> Set[int]:
        """The relative tolerances."""

    @property
    def problems(self) -> ProblemsOfSource:
        """The problems, for the recipe's own text."""


def evaluate(
    checked: CheckedRecipe, traces: Mapping[str, Trace | None], values: Mapping[str, float]
) -> list[Outcome]:
    """Work out every result and decide every expectation.

    Args:
        checked: a recipe without errors.
        traces: the traces by name; None, or no rows, where nothing was taken into one.
        values: the top-level `let`s and typed values in SI, as they stood at the end; those that
            the run did not reach are left out or NaN.

    Returns:
        One outcome a line, in the recipe's order.
    """
    evaluation = _Evaluation(checked, traces, values)
    return [
        evaluation.result(line) if isinstance(line, tree.Result) else evaluation.expectation(line)
        for line in checked.recipe.results
    ]


class _Evaluation(Arithmetic):
    def __init__(
        self,
        checked: CheckedRecipe,
        traces: Mapping[str, Trace | None],
        values: Mapping[str, float],
    ) -> None:
        super().__init__(checked.dimensions, checked.relative)
        self._settings = checked.settings
        self._source = checked.problems.source
        self._traces = traces
        self._values = values
        self._outcomes: dict[str, Outcome] = {}
        self._methods: list[str] = []

    def result(self, line: tree.Result) -> Outcome:
        """Work one result out."""
        dimension = self.dimensions.get(id(line.value), PLAIN)
        unit = line.unit or ""
        value, text, verdict, reason = None, "", "", ""
        self._methods = []
        try:
            value = self.number(line.value)
        except Missing as missing:
            verdict, reason = missing.verdict, missing.reason
        else:
            text = write(value, dimension, unit=line.unit)
        outcome = Outcome(
            name=line.name.id,
            value=value,
            dimension=dimension,
            unit=unit,
            title=line.title,
            text=text,
            verdict=verdict,
            method="; ".join(dict.fromkeys(self._methods)),
            reason=reason,
            span=line.span,
        )
        self._outcomes[line.name.id] = outcome
        return outcome

    def expectation(self, line: tree.Expect) -> Outcome:
        """Decide one expectation."""
        try:
            verdict = MET if self.truth(line.condition) else NOT_MET
            reason = Facts(self, self._outcomes).of(line.condition)
        except Missing as missing:
            verdict = NOT_APPLICABLE if missing.verdict == NOT_MEASURED else NOT_WORKED_OUT
            reason = missing.reason
        return Outcome(
            name="",
            value=None,
            text=self.written(line.condition),
            verdict=verdict,
            method=PLAIN_COMPARISON if verdict in (MET, NOT_MET) else "",
            reason=reason,
            span=line.span,
        )

    def named(self, node: tree.Name) -> float:
        """The value of an earlier result, a setting, a top-level `let` or a typed value."""
        name = node.id
        if name in self._outcomes:
            outcome = self._outcomes[name]
            if outcome.value is None:
                raise Missing(outcome.verdict, f"`{name}` is {outcome.verdict}")
            return outcome.value
        if name in self._settings:
            return self._settings[name].value
        value = self._values.get(name, math.nan)
        if math.isnan(value):
            raise Missing(NOT_MEASURED, f"the run ended before `{name}` had a value")
        return value

    def written(self, node: tree.Expression) -> str:
        """The text of a node on one line, as it stands in the recipe."""
        return _stretch(self._source, node.span)

    def calculated(self, node: tree.Call) -> float:
        """Call a calculation, which needs numpy."""
        from sequencer.analysis.calculations import CALCULATIONS, NoStart, NotWorkedOut

        signature = SIGNATURES[node.function.id]
        arguments = self._arguments(node, signature)
        calculation = CALCULATIONS[signature.name]
        try:
            try:
                answer = calculation(**arguments)
            except NoStart:
                # The other traces are read only now: they may be long, and most traces hold their
                # own start.
                before = _newest_before(arguments["trace"], self._traces)
                answer = calculation(**arguments, before=before)
        except NotWorkedOut as refusal:
            raise Missing(NOT_WORKED_OUT, f"`{self.written(node)}`: {refusal}") from None
        self._methods.append(answer.method)
        return answer.value

    def _arguments(self, node: tree.Call, signature: Signature) -> dict[str, Any]:
        """The arguments by the names of the signature, each as what it is."""
        parameters = {parameter.name: parameter for parameter in signature.parameters}
        unnamed = iter(signature.parameters)
        return {
            parameter.name: self._argument(argument.value, parameter)
            for argument in node.arguments
            for parameter in [parameters[argument.name] if argument.name else next(unnamed)]
        }

    def _argument(self, node: tree.Expression, parameter: Parameter) -> Any:
        if parameter.takes == "trace" and isinstance(node, tree.Name):
            trace = self._traces.get(node.id)
            if trace is None or len(trace.columns["time"]) == 0:
                raise Missing(NOT_MEASURED, f"no reading was taken into “{node.id}”")
            return trace
        if parameter.takes == "column" and isinstance(node, tree.Name):
            return node.id
        if parameter.takes == "column" and isinstance(node, tree.Member):
            return f"{node.base.id}.{node.field.id}"
        if parameter.takes == "span":
            return self.ends(node)
        return self.number(node)


def _newest_before(
    trace: Trace, traces: Mapping[str, Trace | None]
) -> tuple[float, float, float] | None:
    """Time, voltage and current of the channel's newest reading before a trace's first row."""
    from sequencer.analysis.calculations import channel_of

    channel = channel_of(trace)
    names = ("time", f"{channel}.voltage", f"{channel}.current")
    found: tuple[float, float, float] | None = None
    for other in traces.values():
        if other is None or names[1] not in other.columns:
            continue
        time, voltage, current = (other.columns[name] for name in names)
        for row in (time < trace.columns["time"][0]).nonzero()[0][-1:]:
            if found is None or time[row] > found[0]:
                found = float(time[row]), float(voltage[row]), float(current[row])
    return found


def _stretch(source: Source, span: Span) -> str:
    """A stretch of a text, its lines joined and its spaces made one."""
    lines = [source.line(number) for number in range(span.line, span.end_line + 1)]
    if not lines:
        return ""
    lines[-1] = lines[-1][: span.end_column - 1]
    lines[0] = lines[0][span.column - 1 :]
    return " ".join(" ".join(lines).split())
