"""Values that expressions of results come to, in one group of the traces after another.

Knows traces, settings and the results so far; not how an outcome is told. numpy is loaded only when
a calculation is called for.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence, Set
from typing import TYPE_CHECKING, Any, NamedTuple, Protocol

from grammar import tree
from grammar.diagnostic import Source, Span
from grammar.quantity import PLAIN, Dimension, write
from sequencer.analysis.arithmetic import Arithmetic
from sequencer.analysis.grouping import Groups
from sequencer.analysis.names import Column, arguments_of, names_in, signature_of, written
from sequencer.analysis.signatures import Parameter
from sequencer.analysis.verdicts import NOT_MEASURED, NOT_WORKED_OUT, Missing

if TYPE_CHECKING:
    from sequencer.analysis.calculations import Trace


class SettingInForce(Protocol):
    """A setting with its value in SI."""

    @property
    def value(self) -> float:
        """The value in force (SI)."""


class PartDeclared(Protocol):
    """A part with what is said of it beside its ratings."""

    @property
    def facts(self) -> Mapping[str, float | str]:
        """The facts by their words in the recipe, as "in series"; values in SI."""


class ProblemsOfSource(Protocol):
    """What was gathered of a text, with the text."""

    source: Source


class CheckedRecipe(Protocol):
    """What the evaluation reads of a checked recipe.

    `dimensions` holds every expression node's dimension by the node's `id`, those of the columns
    that results are grouped by among them; `answers` those of a call's several answers, by the
    call's `id`; `relative` the ids of the tolerances whose half width is a share of the centre.
    """

    @property
    def recipe(self) -> tree.Recipe:
        """The tree."""

    @property
    def settings(self) -> Mapping[str, SettingInForce]:
        """The settings by name."""

    @property
    def parts(self) -> Mapping[str, PartDeclared]:
        """The parts by name."""

    @property
    def dimensions(self) -> Mapping[int, Dimension]:
        """The dimensions of the expressions."""

    @property
    def columns(self) -> Mapping[str, Sequence[str]]:
        """The full names of each trace's columns; others of the record mean nothing there."""

    @property
    def answers(self) -> Mapping[int, Mapping[str, Dimension]]:
        """The dimensions of several answers."""

    @property
    def relative(self) -> Set[int]:
        """The relative tolerances."""

    @property
    def problems(self) -> ProblemsOfSource:
        """The problems, for the recipe's own text."""


class Group(NamedTuple):
    """One group: the value (SI) that a column has in all of its rows, and both in words."""

    column: str
    key: float
    label: str


Answers = Mapping[str, float | Missing]
"""The answers of a result by name, a single one under ""; in place of a value why there is none."""


class Values(Arithmetic):
    """Works expressions out in the present `group`, in all rows where that is None.

    `found` has the answers of the results so far, by the result's name and the group's value, which
    is None where nothing is grouped; `calls` the calls behind results that are traces; `columns`
    the column that a result has rows by. `methods` gathers what the numbers depend on.
    """

    def __init__(
        self,
        checked: CheckedRecipe,
        traces: Mapping[str, Trace | None],
        values: Mapping[str, float],
        columns: Mapping[str, Column],
    ) -> None:
        super().__init__(checked.dimensions, checked.relative)
        self.group: Group | None = None
        self.methods: list[str] = []
        self.found: dict[str, dict[float | None, Answers]] = {}
        self.calls: dict[str, tree.Call] = {}
        self.columns = columns
        self._known = checked.columns
        self._settings = checked.settings
        self._parts = checked.parts
        self._source = checked.problems.source
        self._traces = traces
        self._values = values
        self._groups: dict[tuple[str, str], Groups] = {}

    def groups(self, node: tree.Expression, each: Column | None) -> list[Group | None]:
        """The groups to work an expression out in: those of a column, or the one None.

        They are those of all its traces that have the column, and else those of the results that it
        rests on. Raises Missing where there is none.
        """
        if each is None:
            return [None]
        column, names = written(each), list(names_in(node))
        keys: dict[float, None] = {}
        for name in self._traces_behind(names):
            keys |= dict.fromkeys(self._grouped(name, column).keys)
        if not keys:
            for name in names:
                if name in self.columns:
                    keys |= {key: None for key in self.found[name] if key is not None}
        if not keys:
            for name in names:
                if name in self.found:
                    self._of_result(name, next(iter(self.found[name][None]), ""))
            raise Missing(NOT_MEASURED, f"no row has a value in `{column}`")
        dimension = self.dimensions.get(id(each), PLAIN)
        return [Group(column, key, f"{column} = {write(key, dimension)}") for key in keys]

    def _traces_behind(self, names: list[str]) -> list[str]:
        """The traces among names, and those that results among them are made of."""
        found = []
        for name in names:
            if name in self._traces:
                found.append(name)
            elif name in self.calls:
                found += self._traces_behind(list(names_in(self.calls[name])))
        return found

    def several(self, call: tree.Call) -> Answers:
        """The answers of a calculation that has several, some of them refused by themselves.

        Raises Missing where there are none.
        """
        found = self._called(call)
        signature = signature_of(call)
        assert signature is not None
        return {
            name: Missing(NOT_WORKED_OUT, f"`{self.written(call)}`: {found.refused[name]}")
            if name in found.refused
            else found.values[name]
            for name in signature.answers
        }

    def trace(self, node: tree.Expression) -> Trace:
        """The trace that an expression stands for, its rows of the present group. Raises Missing
        where it has none."""
        if isinstance(node, tree.Call):
            worked: Trace = self._called(node)
            return worked
        assert isinstance(node, tree.Name)
        if node.id in self.calls:
            return self.trace(self.calls[node.id])
        if self.group is None:
            return self._filled(node.id)
        rows = self._grouped(node.id, self.group.column).of(self.group.key)
        if len(rows.columns["time"]) == 0:
            raise Missing(
                NOT_MEASURED, f"no reading was taken into “{node.id}” for {self.group.label}"
            )
        return rows

    def _filled(self, name: str) -> Trace:
        trace = self._traces.get(name)
        if trace is None or len(trace.columns["time"]) == 0:
            raise Missing(NOT_MEASURED, f"no reading was taken into “{name}”")
        if name not in self._known:
            return trace
        from sequencer.analysis.calculations import Table

        # The record has every quantity of a channel, also one that it isn't declared to measure.
        return Table(trace.name, _Chosen(trace.columns, self._known[name]))

    def _grouped(self, name: str, column: str) -> Groups:
        if (name, column) not in self._groups:
            self._groups[name, column] = Groups(self._filled(name), column)
        return self._groups[name, column]

    def named(self, node: tree.Name) -> float:
        """The value of an earlier result, a setting, a top-level `let` or a typed value."""
        name = node.id
        if name in self.found:
            return self._of_result(name, "")
        if name in self._settings:
            return self._settings[name].value
        value = self._values.get(name, math.nan)
        if math.isnan(value):
            raise Missing(NOT_MEASURED, f"the run ended before `{name}` had a value")
        return value

    def answer(self, node: tree.Member) -> float:
        """One answer of an earlier result that has several, or a fact of a part."""
        base, field = node.base.id, node.field.id
        if base in self._parts:
            return float(self._parts[base].facts[field.replace("_", " ")])
        return self._of_result(base, field)

    def _of_result(self, name: str, answer: str) -> float:
        key = self.group.key if self.group is not None and name in self.columns else None
        found = self.found[name]
        if key not in found and None not in found:
            label = self.group.label if self.group is not None else "it"
            raise Missing(NOT_MEASURED, f"`{name}` has no row for {label}")
        value = found[key if key in found else None][answer]
        if isinstance(value, Missing):
            raise Missing(value.verdict, f"`{name}` is {value.verdict}")
        return value

    def written(self, node: tree.Expression) -> str:
        """The text of a node on one line, as it stands in the recipe."""
        return _stretch(self._source, node.span)

    def calculated(self, node: tree.Call) -> float:
        """What a calculation gives that has a single answer."""
        value: float = self._called(node).value
        return value

    def _called(self, node: tree.Call) -> Any:
        """Call a calculation, which needs numpy."""
        from sequencer.analysis.calculations import CALCULATIONS, NoStart, NotWorkedOut

        signature = signature_of(node)
        assert signature is not None
        arguments = {p.name: self._argument(value, p) for p, value in arguments_of(node, signature)}
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
        self.methods.append(answer.method)
        return answer

    def _argument(self, node: tree.Expression, parameter: Parameter) -> Any:
        if parameter.takes == "trace":
            return self.trace(node)
        if parameter.takes == "column":
            assert isinstance(node, tree.Name | tree.Member)
            return written(node)
        return self.ends(node) if parameter.takes == "span" else self.number(node)


class _Chosen(Mapping[str, Any]):
    """Those of some columns that are among the names; what isn't looked at isn't read."""

    def __init__(self, columns: Mapping[str, Any], names: Sequence[str]) -> None:
        self._columns = columns
        self._names = tuple(name for name in names if name in columns)

    def __getitem__(self, name: str) -> Any:
        if name not in self._names:
            raise KeyError(name)
        return self._columns[name]

    def __contains__(self, name: object) -> bool:
        return name in self._names

    def __iter__(self) -> Iterator[str]:
        return iter(self._names)

    def __len__(self) -> int:
        return len(self._names)


def _newest_before(
    trace: Trace, traces: Mapping[str, Trace | None]
) -> tuple[float, float, float] | None:
    """Time, voltage and current of the channel's newest reading before a trace's first row."""
    from sequencer.analysis.calculations import channel_of

    channel = channel_of(trace)
    names = ("time", f"{channel}.voltage", f"{channel}.current")
    found: tuple[float, float, float] | None = None
    for other in traces.values():
        if other is None or any(name not in other.columns for name in names):
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
