"""Calls of calculations: what they answer and where that may stand.

Knows the table of signatures and how their answers are named; no numbers.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

from grammar import tree
from grammar.quantity import Dimension
from grammar.wording import listed, near
from sequencer.checker.expressions import arguments
from sequencer.checker.facts import UNKNOWN, TraceFacts, Type
from sequencer.checker.naming.scope import Definition

if TYPE_CHECKING:
    from sequencer.analysis.signatures import Signature
    from sequencer.checker.expressions.units import Expressions

ANSWERS, TRACE = Type("answers"), Type("trace")
"""The types of a call that has several answers, and of one that gives a trace."""


def type_of(expressions: Expressions, call: tree.Call, signature: Signature) -> Type:
    """The type of a calculation where a value stands; unknown where something is wrong."""
    answers = _answers(expressions, call, signature)
    if answers is None:
        return UNKNOWN
    if signature.single:
        return Type("quantity", answers[""])
    text = expressions.work.text(call.span)
    if signature.gives_trace:
        return expressions.error(
            "not-a-value",
            call.span,
            f"`{signature.name}` gives a trace, expected a value",
            f"a calculation makes a value of it: mean({text}, {_first_column(call)})",
        )
    return expressions.error(
        "several-answers",
        call.span,
        f"`{signature.name}` has several answers, expected a single value",
        f"give it a name on a line before, fit = {text}, and write "
        + listed([f"fit.{name}" for name in answers], 20),
    )


def whole(expressions: Expressions, call: tree.Call) -> Type:
    """The type of a call where all of its answers do: a result's own line, a trace as argument."""
    from sequencer.analysis.signatures import SIGNATURES

    signature = SIGNATURES[call.function.id]
    answers = _answers(expressions, call, signature)
    if answers is None:
        return UNKNOWN
    return TRACE if signature.gives_trace else ANSWERS


def gives_trace(node: tree.Expression) -> bool:
    """Whether an expression is a call that gives a trace."""
    signature = _signature(node)
    return signature is not None and signature.gives_trace


def is_whole(node: tree.Expression) -> bool:
    """Whether an expression is a call whose answer is more than one value."""
    signature = _signature(node)
    return signature is not None and not signature.single


def _signature(node: tree.Expression) -> Signature | None:
    if not isinstance(node, tree.Call):
        return None
    from sequencer.analysis.signatures import SIGNATURES

    return SIGNATURES.get(node.function.id)


def name_of_several(expressions: Expressions, node: tree.Name, definition: Definition) -> Type:
    """A result's name where a value stands, of a result that is more than one value: refused."""
    if definition.type == TRACE:
        return expressions.error(
            "not-a-value",
            node.span,
            f"`{node.id}` is a trace, expected a value",
            f"a calculation makes a value of it: mean({node.id}, current)",
        )
    names = [f"{node.id}.{name}" for name in _answers_of(expressions, definition)]
    return expressions.error(
        "several-answers",
        node.span,
        f"`{node.id}` has several answers, expected a single value",
        f"write {listed(names, 20)}",
    )


def member(expressions: Expressions, node: tree.Member) -> Type:
    """The type of `fit.series_resistance` in results, an answer of a result that has several."""
    base, field = node.base.id, node.field.id
    definition = expressions.work.find(base)
    if definition is None:
        return _no_result(expressions, node.base)
    if not definition.type.known:
        return UNKNOWN
    if definition.type != ANSWERS:
        hint = f"`{base}` has a single value: write {base}"
        if definition.type == TRACE:
            hint = f"a calculation reads its columns: mean({base}, {field})"
        return expressions.error(
            "not-several-answers", node.span, f"`{base}` has no answer `{field}`", hint
        )
    answers = _answers_of(expressions, definition)
    if field in answers:
        expressions.work.resolve(node.base, ("result",))
        return Type("quantity", answers[field])
    wanted = near(field, answers)
    names = listed([f"{base}.{name}" for name in answers], 20)
    return expressions.error(
        "unknown-answer",
        node.field.span,
        f"`{base}` has no answer `{field}`",
        f"write {base}.{wanted}" if wanted else f"it has {names}",
    )


def _no_result(expressions: Expressions, node: tree.Name) -> Type:
    """A name that stands for nothing, where a result with several answers is expected."""
    work = expressions.work
    if node.id in work.lost or node.id in work.told:
        return UNKNOWN
    work.told.add(node.id)
    names = [d.name for d in work.visible(("result", "channel"))]
    wanted = near(node.id, names)
    return expressions.error(
        "unknown-name",
        node.span,
        f"there is no result `{node.id}` before this line",
        f"write {wanted}"
        if wanted
        else f"work it out on a line before: {node.id} = line_fit(charging, voltage, time)",
    )


def _answers_of(expressions: Expressions, definition: Definition) -> Mapping[str, Dimension]:
    assert isinstance(definition.node, tree.Result)
    return expressions.work.checked.answers[id(definition.node.value)]


def _first_column(call: tree.Call) -> str:
    """A column that a call names, for an example."""
    names = [a.value.id for a in call.arguments[1:] if isinstance(a.value, tree.Name)]
    return names[0] if names else "current"


def _answers(
    expressions: Expressions, call: tree.Call, signature: Signature
) -> dict[str, Dimension] | None:
    """The dimensions of the answers by name, None where an argument has a problem.

    What the recipe's checked form keeps of a call that is more than one value is kept here.
    """
    given = arguments.assigned(expressions, call, signature)
    if given is None:
        for argument in call.arguments:
            _quietly(expressions, argument.value)
        return None
    traces: dict[str, TraceFacts] = {}
    newest: TraceFacts | None = None
    dimensions: dict[str, Dimension] = {}
    complete = True
    for parameter in signature.parameters:
        node = given.get(parameter.name)
        if parameter.takes == "trace" and node is not None:
            newest = arguments.trace(expressions, node, signature)
            if newest is None:
                complete = False
            else:
                traces[parameter.name] = newest
        elif node is None:
            if parameter.takes == "column" and newest is not None:
                complete &= arguments.left_out(expressions, call, signature, parameter, newest)
        else:
            found = arguments.argument(expressions, node, parameter, newest, dimensions)
            if found is None:
                complete = False
            else:
                dimensions[parameter.name] = found
    if not complete:
        return None
    answers = signature.dimensions(dimensions)
    checked = expressions.work.checked
    if signature.gives_trace:
        first = next(iter(traces.values()))
        checked.derived[id(call)] = TraceFacts(
            first.number, first.channels, first.extra | answers, first.columns, call.span
        )
    elif not signature.single:
        checked.answers[id(call)] = answers
    return answers


def _quietly(expressions: Expressions, node: tree.Expression) -> None:
    """Count the traces named in a call that can't be made sense of as used."""
    if isinstance(node, tree.Name):
        definition = expressions.work.find(node.id)
        if definition is not None:
            definition.used = True
