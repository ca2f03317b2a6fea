"""Traces in results and their columns: which there are, and which one a name means.

Knows traces as the steps fill them and as calculations give them; no calculation and no number.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from grammar import tree
from grammar.diagnostic import Span
from grammar.quantity import PLAIN, TIME, Dimension
from grammar.wording import listed, near
from sequencer.checker.expressions import readings
from sequencer.checker.facts import TraceFacts
from sequencer.checker.naming.scope import Workings, role_of

if TYPE_CHECKING:
    from sequencer.checker.expressions.units import Expressions

Column = tree.Name | tree.Member


def trace_of(expressions: Expressions, node: tree.Expression, user: str) -> TraceFacts | None:
    """The trace that an expression stands for; None where it is none, which is reported.

    `user` is what works on it, for a message: "`mean`".
    """
    work = expressions.work
    if isinstance(node, tree.Call):
        from sequencer.checker.expressions import calculations

        if calculations.gives_trace(node):
            calculations.whole(expressions, node)
            return work.checked.derived.get(id(node))
    if not isinstance(node, tree.Name):
        expressions.type_of(node)
        _no_trace(expressions, node.span, f"{user} works on a trace, and this is none")
        return None
    definition = work.resolve(node, ("trace",))
    if definition is None:
        return None
    if definition.role == "trace":
        return work.checked.traces.get(node.id)
    if definition.role == "result" and isinstance(definition.node, tree.Result):
        if id(definition.node.value) in work.checked.derived:
            return work.checked.derived[id(definition.node.value)]
        if not definition.type.known:
            return None
    _no_trace(
        expressions, node.span, f"`{node.id}` is {role_of(definition)}, and {user} works on a trace"
    )
    return None


def _no_trace(expressions: Expressions, span: Span, message: str) -> None:
    expressions.error(
        "not-a-trace",
        span,
        message,
        "write the name that readings are taken into: measure smu into charging",
    )


def columns_of(work: Workings, trace: TraceFacts) -> dict[str, Dimension]:
    """The columns of a trace by their full names; a truth value counts as 0 or 1.

    A channel whose own line could not be read may have any column that no other one has.
    """
    columns = {"time": TIME} | trace.extra
    channels = work.checked.channels
    for name in sorted(trace.channels, key=lambda name: name not in channels):
        facts = channels.get(name)
        for field, dimension in readings.columns(facts).items():
            modes = work.modes.get(name, set())
            if field == "level" and len(modes) == 1:
                dimension = readings.READINGS[next(iter(modes))]
            if facts is None and named(columns, field):
                continue
            columns[f"{name}.{field}"] = dimension or PLAIN
    return columns


def named(columns: dict[str, Dimension], name: str) -> list[str]:
    """The full names of the columns that a name may mean: "current" means each channel's."""
    if name in columns:
        return [name]
    return [full for full in columns if full.endswith(f".{name}")]


def written(node: Column) -> str:
    """A column's name as it is written: "current", "smu.current"."""
    return node.id if isinstance(node, tree.Name) else f"{node.base.id}.{node.field.id}"


def column(
    expressions: Expressions,
    node: tree.Expression,
    trace: TraceFacts,
    called: str = "the trace",
) -> Dimension | None:
    """The dimension of the column that an argument names; a wrong one is reported.

    `called` is what the trace is called in a message.
    """
    columns = columns_of(expressions.work, trace)
    text = expressions.work.text(node.span)
    name = written(node) if isinstance(node, tree.Name | tree.Member) else ""
    found = named(columns, name) if name else []
    if len(found) == 1:
        expressions.work.checked.dimensions[id(node)] = columns[found[0]]
        return columns[found[0]]
    if found:
        expressions.error(
            "ambiguous-column",
            node.span,
            f"several channels of {called} have a column `{name}`",
            f"write {listed(found)}",
        )
        return None
    if isinstance(node, tree.Member) and node.base.id in expressions.work.lost:
        return None
    known = [*columns, *(full.split(".")[1] for full in columns if "." in full)]
    wanted = near(name or text, known)
    expressions.error(
        "unknown-column",
        node.span,
        f"{called} has no column `{text}`",
        f"write {wanted}" if wanted else f"it has {in_words(columns, trace)}",
    )
    return None


def in_words(columns: dict[str, Dimension], trace: TraceFacts) -> str:
    """The columns for a person; those of the only channel by their quantity alone."""
    short = [
        full.split(".")[1] if len(trace.channels) == 1 else full for full in columns if "." in full
    ]
    return listed([*(name for name in columns if "." not in name), *short], 20)
