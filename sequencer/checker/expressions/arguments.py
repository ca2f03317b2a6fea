"""The arguments of a calculation's call, matched with its signature: each of the kind it takes.

Knows one signature at a time, the traces and their columns; not what comes out.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

from grammar import tree
from grammar.quantity import TIME, VOLTAGE, Dimension
from grammar.wording import listed, near
from sequencer.checker.expressions.columns import column, columns_of, in_words, named, trace_of
from sequencer.checker.expressions.spans import is_share
from sequencer.checker.facts import TraceFacts
from sequencer.checker.naming.words import a, described, example, several, span_with_unit

if TYPE_CHECKING:
    from sequencer.analysis.signatures import Parameter, Signature
    from sequencer.checker.expressions.units import Expressions

_NAMES = {"trace": "a trace", "column": "a column of it", "span": "a span", "value": "a value"}
_SPANS = {VOLTAGE: "2 V to 1 V", TIME: "0 s to 10 s"}


def assigned(
    expressions: Expressions, node: tree.Call, signature: Signature
) -> dict[str, tree.Expression] | None:
    """The arguments by the names of the signature, None where they don't fit it."""
    names = [parameter.name for parameter in signature.parameters]
    called = f"it is called as {_example(signature)}"
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
                called,
            )
            return None
        if name not in names:
            wanted = near(name, names)
            expressions.error(
                "unknown-argument",
                argument.span,
                f"`{signature.name}` has no argument `{name}`",
                f"write {wanted} = …" if wanted else called,
            )
            return None
        if name in given:
            expressions.error(
                "argument-count",
                argument.span,
                f"the argument `{name}` stands here a second time",
                f"{called}; those without a name come first",
            )
            return None
        given[name] = argument.value
    missing = [p for p in signature.parameters if not p.optional and p.name not in given]
    if missing:
        what = listed([f"`{p.name}` ({_NAMES[p.takes]})" for p in missing])
        what = " and ".join(what.rsplit(" or ", 1))
        expressions.error(
            "argument-count", node.span, f"`{signature.name}` is not told its {what}", called
        )
        return None
    return given


def _example(signature: Signature) -> str:
    """How a calculation is called, spans and times written out: "mean(trace, column, 10 s)"."""
    from sequencer.analysis.signatures import usage

    shown = usage(signature)
    for parameter in signature.parameters:
        fixed = parameter.dimension
        if parameter.takes == "span" and not callable(fixed) and fixed in _SPANS:
            shown = shown.replace(f", {parameter.name}", f", {_SPANS[fixed]}")
    return shown.replace(", newest", ", 10 s")


def trace(
    expressions: Expressions, node: tree.Expression, signature: Signature
) -> TraceFacts | None:
    """The trace of an argument; a calculation that names no column needs one whole channel."""
    trace = trace_of(expressions, node, f"`{signature.name}`")
    if trace is None or not signature.one_channel:
        return trace
    channels = expressions.work.checked.channels
    complete = [n for n in trace.channels if n in channels and channels[n].can("measure")]
    told = any(n not in channels or not channels[n].measures for n in trace.channels)
    if len(complete) == 1 or told:
        return trace
    names = listed([f"`{name}`" for name in trace.channels]).replace(" or ", " and ")
    text = expressions.work.text(node.span)
    expressions.error(
        "ambiguous-trace",
        node.span,
        f"`{signature.name}` needs voltage and current of one channel, and `{text}` has "
        + (f"those of {names}" if complete else f"only one of the two, from {names}"),
        "take the readings of each channel into a trace of its own"
        if complete
        else "declare the channel with `measure`",
    )
    return None


def left_out(
    expressions: Expressions,
    call: tree.Call,
    signature: Signature,
    parameter: Parameter,
    trace: TraceFacts,
) -> bool:
    """Whether a column that is left out is plain from the trace: it has one of that name."""
    columns = columns_of(expressions.work, trace)
    found = named(columns, parameter.name)
    if len(found) == 1:
        return True
    message = f"`{signature.name}` needs a {parameter.name}, and several channels have one"
    hint = f"say which is meant: {parameter.name} = {found[0]}" if found else ""
    if not found:
        message = f"`{signature.name}` needs a {parameter.name}, and the trace has none"
        hint = f"it has {in_words(columns, trace)}"
    slug = "ambiguous-column" if found else "unknown-column"
    expressions.error(slug, call.function.span, message, hint)
    return False


def argument(
    expressions: Expressions,
    node: tree.Expression,
    parameter: Parameter,
    trace: TraceFacts | None,
    given: Mapping[str, Dimension],
) -> Dimension | None:
    """The dimension of a column, span or value."""
    wanted = parameter.wanted(given)
    what = f"`{parameter.name}`"
    if parameter.takes == "column":
        return _column(expressions, node, parameter, trace, wanted)
    if parameter.takes == "value":
        return expressions.quantity(node, wanted, what)
    found = expressions.span_of(node, reversible=True)
    if not found.known:
        return None
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
        plain = found.dimension.is_plain
        expressions.error(
            "missing-unit" if plain else "wrong-unit",
            node.span,
            f"{what} is a span of {several(found.dimension)}, expected {several(wanted)}",
            _with_units(expressions, node, wanted)
            if plain
            else f"{a(wanted)} is written as in {example(wanted)}",
        )
        return None
    return found.dimension


def _with_units(expressions: Expressions, node: tree.Expression, wanted: Dimension) -> str:
    """What to write in place of a span of plain numbers."""
    if isinstance(node, tree.Range):
        ends = [end for end in (node.low, node.high) if end is not None and is_share(end)]
        if ends:
            share = expressions.work.text(ends[0].span)
            return f"say what {share} is a share of: {share} * {example(wanted)}"
    return f"write {span_with_unit(node, wanted)}"


def _column(
    expressions: Expressions,
    node: tree.Expression,
    parameter: Parameter,
    trace: TraceFacts | None,
    wanted: Dimension | None,
) -> Dimension | None:
    """The dimension of the column that an argument names, if it is one that will do."""
    found = column(expressions, node, trace) if trace is not None else None
    if found is None or trace is None:
        return None
    text = expressions.work.text(node.span)
    if wanted is not None and found != wanted:
        columns = columns_of(expressions.work, trace)
        fit = [name for name, dimension in columns.items() if dimension == wanted]
        expressions.error(
            "wrong-unit",
            node.span,
            f"`{parameter.name}` is the column `{text}`, {a(found)}, expected {a(wanted)}",
            f"write {listed(fit)}" if fit else f"the trace has no column of {several(wanted)}",
        )
        return None
    if parameter.scaled and found.point:
        full = next(n for n in columns_of(expressions.work, trace) if n.endswith(text))
        expressions.error(
            "scaled-temperature",
            node.span,
            f"the column `{text}` is in °C, points on a scale that can't be multiplied",
            f"use a column of differences: let warmer = {full} - 25 °C, and with warmer",
        )
        return None
    return found
