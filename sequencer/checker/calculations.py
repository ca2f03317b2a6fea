"""Calls of calculations in results: their arguments, and the dimension of the answer.

Knows the table of signatures as it is handed in, the traces and their columns; no numbers.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from grammar import tree
from grammar.quantity import PLAIN, TIME, VOLTAGE, Dimension
from grammar.wording import listed, near
from sequencer.checker.facts import UNKNOWN, TraceFacts, Type
from sequencer.checker.readings import COUNTERS, MEASURED, READINGS
from sequencer.checker.words import a, described, example, several, span_with_unit, with_article

if TYPE_CHECKING:
    from sequencer.analysis.signatures import Parameter, Signature
    from sequencer.checker.units import Expressions

_NAMES = {"trace": "a trace", "column": "a column of it", "span": "a span", "value": "a value"}
_SPANS = {VOLTAGE: "2 V to 1 V", TIME: "0 s to 10 s"}


def type_of(expressions: Expressions, call: tree.Call, signature: Signature) -> Type:
    """The type of a calculation's answer; unknown where an argument has a problem."""
    given = _assigned(expressions, call, signature)
    if given is None:
        for argument in call.arguments:
            _quietly(expressions, argument.value)
        return UNKNOWN
    trace: TraceFacts | None = None
    dimensions: dict[str, Dimension] = {}
    complete = True
    for parameter in signature.parameters:
        node = given.get(parameter.name)
        if node is None:
            continue
        if parameter.takes == "trace":
            trace = _trace(expressions, node, signature)
            complete &= trace is not None
            continue
        found = _argument(expressions, node, parameter, trace)
        if found is None:
            complete = False
        else:
            dimensions[parameter.name] = found
    return Type("quantity", signature.answer(dimensions)) if complete else UNKNOWN


def _assigned(
    expressions: Expressions, node: tree.Call, signature: Signature
) -> dict[str, tree.Expression] | None:
    """The arguments by the names of the signature, None where they don't fit it."""
    names = [parameter.name for parameter in signature.parameters]
    usage = f"{signature.name}({_usage(signature)})"
    given: dict[str, tree.Expression] = {}
    unnamed = iter(names)
    for argument in node.arguments:
        name = argument.name or next(unnamed, None)
        if name is None:
            expressions.error(
                "argument-count",
                argument.span,
                f"`{signature.name}` takes {len(names)} argument{'s' if len(names) > 1 else ''}, "
                "and this is one more",
                f"it is called as {usage}",
            )
            return None
        if name not in names:
            wanted = near(name, names)
            expressions.error(
                "unknown-argument",
                argument.span,
                f"`{signature.name}` has no argument `{name}`",
                f"write {wanted} = …" if wanted else f"it is called as {usage}",
            )
            return None
        if name in given:
            expressions.error(
                "argument-count",
                argument.span,
                f"the argument `{name}` stands here a second time",
                f"it is called as {usage}; those without a name come first",
            )
            return None
        given[name] = argument.value
    missing = [p for p in signature.parameters if not p.optional and p.name not in given]
    if missing:
        what = listed([f"`{p.name}` ({_NAMES[p.takes]})" for p in missing])
        expressions.error(
            "argument-count",
            node.span,
            f"`{signature.name}` is not told its {what}",
            f"it is called as {usage}",
        )
        return None
    return given


def _usage(signature: Signature) -> str:
    """The arguments as they are told to a person, optional ones in brackets."""
    parts = []
    for parameter in signature.parameters:
        shown = parameter.name
        if parameter.takes == "span" and parameter.dimension is not None:
            shown = _SPANS.get(parameter.dimension, shown)
        parts.append(f"[, {shown}]" if parameter.optional else f", {shown}")
    return "".join(parts).removeprefix(", ")


def _quietly(expressions: Expressions, node: tree.Expression) -> None:
    """Count the traces named in a call that can't be made sense of as used."""
    if isinstance(node, tree.Name):
        definition = expressions.work.find(node.id)
        if definition is not None:
            definition.used = True


def _trace(
    expressions: Expressions, node: tree.Expression, signature: Signature
) -> TraceFacts | None:
    if not isinstance(node, tree.Name):
        expressions.error(
            "not-a-trace",
            node.span,
            f"`{signature.name}` works on a trace, and this is none",
            "write the name that readings are taken into: measure smu into charging",
        )
        return None
    definition = expressions.work.resolve(node, ("trace",))
    if definition is None:
        return None
    if definition.role != "trace":
        expressions.error(
            "not-a-trace",
            node.span,
            f"`{node.id}` is {with_article(definition.role)}, and `{signature.name}` works on a "
            "trace",
            "write the name that readings are taken into: measure smu into charging",
        )
        return None
    trace = expressions.work.checked.traces.get(node.id)
    if trace is not None and not any(p.takes == "column" for p in signature.parameters):
        return _with_one_channel(expressions, node, trace, signature)
    return trace


def _with_one_channel(
    expressions: Expressions, node: tree.Name, trace: TraceFacts, signature: Signature
) -> TraceFacts | None:
    """A calculation that names no column needs voltage and current of exactly one channel."""
    channels = expressions.work.checked.channels
    whole = [name for name in trace.channels if name in channels and channels[name].can("measure")]
    told = any(n not in channels or not channels[n].measures for n in trace.channels)
    if len(whole) == 1 or told:
        return trace
    names = listed([f"`{name}`" for name in trace.channels]).replace(" or ", " and ")
    expressions.error(
        "ambiguous-trace",
        node.span,
        f"`{signature.name}` needs voltage and current of one channel, and `{node.id}` has "
        + (f"those of {names}" if whole else f"only one of the two, from {names}"),
        "take the readings of each channel into a trace of its own"
        if whole
        else "declare the channel with `measure`",
    )
    return None


def _argument(
    expressions: Expressions,
    node: tree.Expression,
    parameter: Parameter,
    trace: TraceFacts | None,
) -> Dimension | None:
    """The dimension of a column, span or value."""
    if parameter.takes == "column":
        return _column(expressions, node, trace) if trace is not None else None
    what = f"`{parameter.name}`"
    if parameter.takes == "value":
        return expressions.quantity(node, parameter.dimension, what)
    found = expressions.span_of(node, reversible=True)
    if not found.known:
        return None
    wanted = parameter.dimension
    if found.kind != "span":
        hint = "write a span, as in 2 V to 1 V"
        if wanted is not None and found.kind == "quantity":
            text = expressions.work.text(node.span)
            hint = f"write both ends: {text} to {example(wanted)}"
            if wanted == TIME:
                hint = f"write both ends, counted from its first row: 0 s to {text}"
        expressions.error(
            "not-a-span", node.span, f"{what} is {described(found)}, expected a span", hint
        )
        return None
    if wanted is not None and found.dimension is not None and found.dimension != wanted:
        expressions.error(
            "missing-unit" if found.dimension.is_plain else "wrong-unit",
            node.span,
            f"{what} is a span of {several(found.dimension)}, expected {several(wanted)}",
            f"write {span_with_unit(node, wanted)}"
            if found.dimension.is_plain
            else f"{a(wanted)} is written as in {example(wanted)}",
        )
        return None
    return found.dimension


def columns_of(expressions: Expressions, trace: TraceFacts) -> dict[str, Dimension]:
    """The columns of a trace by their full names; a truth value counts as 0 or 1."""
    work = expressions.work
    columns = {"time": TIME} | trace.extra
    for name in trace.channels:
        facts = work.checked.channels.get(name)
        for field, dimension in ({**READINGS, **COUNTERS}).items():
            needed = MEASURED.get(field, ())
            if field in ("resistance", "elapsed"):
                continue
            # One that measures nothing has been told so where it is measured.
            if (
                facts is None
                or not facts.measures
                or all(facts.can(capability) for capability in needed)
            ):
                modes = work.modes.get(name, set())
                if field == "level" and len(modes) == 1:
                    dimension = READINGS[next(iter(modes))]
                columns[f"{name}.{field}"] = dimension or PLAIN
    return columns


def _column(expressions: Expressions, node: tree.Expression, trace: TraceFacts) -> Dimension | None:
    columns = columns_of(expressions, trace)
    text = expressions.work.text(node.span)
    if isinstance(node, tree.Member):
        name = f"{node.base.id}.{node.field.id}"
    else:
        name = node.id if isinstance(node, tree.Name) else ""
    if name in columns:
        return columns[name]
    ends = [full for full in columns if full.endswith(f".{name}")] if name else []
    if len(ends) == 1:
        return columns[ends[0]]
    if len(ends) > 1:
        expressions.error(
            "ambiguous-column",
            node.span,
            f"several channels of this trace have a column `{name}`",
            f"write {listed(ends)}",
        )
        return None
    known = [*columns, *(full.split(".")[1] for full in columns if "." in full)]
    wanted = near(name or text, known)
    short = [full.split(".")[1] if len(trace.channels) == 1 else full for full in columns
             if "." in full]  # fmt: skip
    expressions.error(
        "unknown-column",
        node.span,
        f"the trace has no column `{text}`",
        f"write {wanted}" if wanted else f"it has {listed(['time', *trace.extra, *short], 20)}",
    )
    return None
