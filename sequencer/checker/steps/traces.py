"""Traces: what each is filled with, and that every step that fills one does it alike.

A trace is known in the whole recipe, from its first `into`. Knows no calculation and no storage.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from drivers.sensed import SENSED
from grammar import tree
from grammar.diagnostic import Related, Span
from grammar.quantity import PLAIN, Dimension
from grammar.wording import listed
from sequencer.checker.expressions.calls import FUNCTIONS, LISTS
from sequencer.checker.expressions.readings import COUNTERS, READINGS
from sequencer.checker.expressions.units import VALUES, Expressions
from sequencer.checker.facts import TraceFacts
from sequencer.checker.naming.scope import Definition, Workings, role_of
from sequencer.checker.naming.walking import Filling, read_by
from sequencer.checker.naming.words import ELAPSED, a, as_written

TIME_COLUMN = "time"


def declare(work: Workings) -> None:
    """Make the traces of all steps known, with their channels."""
    seen: set[str] = set()
    for step in work.steps:
        if isinstance(step, Filling) and step.into is not None and step.into.id not in seen:
            name = step.into
            seen.add(name.id)
            if work.define(name, "trace", node=step) is not work.find(name.id):
                continue
            _refuse_words(work, name)
            channels = tuple(dict.fromkeys(channel.id for channel in read_by(step)))
            columns = step.columns if isinstance(step, tree.Measure) else ()
            work.checked.traces[name.id] = TraceFacts(
                len(work.checked.traces),
                channels,
                {},
                tuple(as_written(column.id) for column in columns),
                name.span,
            )


def _refuse_words(work: Workings, name: tree.Name) -> None:
    """A trace's name stands where functions and quantities do, so it must not be one of them."""
    from sequencer.analysis.signatures import SIGNATURES

    kinds = (
        ("a function", (*FUNCTIONS, *LISTS)),
        ("a calculation", SIGNATURES),
        ("a quantity", (*READINGS, *SENSED, *COUNTERS, TIME_COLUMN)),
    )
    for kind, words in kinds:
        if name.id in words:
            work.problems.error(
                "trace-name",
                name.span,
                f"`{name.id}` is {kind}, and can't be the name of a trace as well",
                f"write into {name.id}_trace, or what it is a trace of",
            )
            return


def fill(expressions: Expressions, step: Filling) -> None:
    """A step that fills a trace from its channels, perhaps with columns beside their readings."""
    work, into = expressions.work, step.into
    columns = step.columns if isinstance(step, tree.Measure) else ()
    if into is None:
        return
    extra: dict[str, tuple[tree.Name, Dimension]] = {}
    for column in columns:
        found = _column(expressions, column, extra)
        if found is not None:
            extra[as_written(column.id)] = column, found
    facts = work.checked.traces.get(into.id)
    if facts is None:
        return
    names = tuple(dict.fromkeys(name.id for name in read_by(step)))
    _alike(work, step, into, facts, names, tuple(as_written(column.id) for column in columns))
    filled: dict[str, str] = {}
    for variable in work.loops:
        if variable.type.dimension is None:
            continue
        if variable.shown in filled:
            _two_variables(work, into, variable)
            continue
        filled[variable.shown] = variable.name
        _add(work, facts, into, variable.shown, variable.type.dimension, variable.span)
    for shown, (column, dimension) in extra.items():
        filled[shown] = column.id
        _add(work, facts, into, shown, dimension, column.span)
    work.checked.filled[id(into)] = filled


def _two_variables(work: Workings, into: tree.Name, variable: Definition) -> None:
    """A loop of a procedure and one around its call may share a name, but never a column."""
    first = next(other for other in work.loops if other.shown == variable.shown)
    work.problems.error(
        "column-name",
        variable.span,
        f"`{variable.shown}` is the variable of a loop around this call as well, and both would be "
        f"the same column of `{into.id}`",
        "choose another name for one of them",
        [Related(first.span, f"the other `{variable.shown}`")],
    )


def _column(
    expressions: Expressions, column: tree.Name, seen: Mapping[str, object]
) -> Dimension | None:
    """The dimension of a named value that is to be a column; a truth value counts as 0 or 1."""
    word = as_written(column.id)
    if word in seen:
        expressions.error(
            "twice", column.span, f"`{word}` stands here a second time", "write it once"
        )
        return None
    if word in (ELAPSED, TIME_COLUMN):
        expressions.work.meant.add(column.id)
        expressions.error(
            "column-name",
            column.span,
            "the time since the run's start is a column of every trace already",
            f"leave `{word}` out",
        )
        return None
    definition = expressions.work.resolve(column, VALUES)
    if definition is None:
        return None
    if definition.role not in VALUES:
        expressions.error(
            "not-a-value",
            column.span,
            f"`{word}` is {role_of(definition)}, expected a named value",
            f"give the value a name first: let reference = {column.id}.voltage"
            if definition.role == "channel"
            else "give the value a name first, with `let`",
        )
        return None
    if not definition.type.known:
        return None
    return definition.type.dimension or PLAIN


def _alike(
    work: Workings,
    step: Filling,
    into: tree.Name,
    facts: TraceFacts,
    names: tuple[str, ...],
    given: tuple[str, ...],
) -> None:
    definition = work.find(into.id)
    of_captures = definition is not None and isinstance(definition.node, tree.CaptureStep)
    if of_captures != isinstance(step, tree.CaptureStep):
        here, there = "other readings", "a capture"
        if not of_captures:
            here, there = there, here
        work.problems.error(
            "trace-unlike",
            into.span,
            f"`{into.id}` is filled by {here} here, and by {there} elsewhere: samples of a "
            "capture stand in a trace of their own",
            "give this one a name of its own",
            [Related(facts.span, "the first `into`")],
        )
    elif set(names) != set(facts.channels):
        work.problems.error(
            "trace-unlike",
            into.span,
            f"`{into.id}` is filled from {_and(facts.channels)} elsewhere, "
            f"and here from {_and(names)}",
            "fill it alike, or give this one a name of its own",
            [Related(facts.span, "the first `into`")],
        )
    elif set(given) != set(facts.columns):
        with_ = f"with {', '.join(facts.columns)}" if facts.columns else "without `with`"
        work.problems.error(
            "trace-unlike",
            into.span,
            f"`{into.id}` is filled {with_} elsewhere, and not so here",
            f"write into {into.id} with {', '.join(facts.columns or given)} in both, "
            "or give this one a name of its own",
            [Related(facts.span, "the first `into`")],
        )


def _and(names: Sequence[str]) -> str:
    return listed([f"`{name}`" for name in names], 20).replace(" or ", " and ")


def _add(
    work: Workings,
    facts: TraceFacts,
    into: tree.Name,
    name: str,
    dimension: Dimension,
    span: Span,
) -> None:
    """A further column of a trace, of one dimension in all that fill it."""
    if name in (TIME_COLUMN, *READINGS, *SENSED, *COUNTERS):
        work.problems.error(
            "column-name",
            span,
            f"`{name}` is what every trace calls a column of its own, and here it would be one of "
            f"`{into.id}`",
            "choose another name",
        )
        return
    known = facts.extra.setdefault(name, dimension)
    if known != dimension:
        work.problems.error(
            "trace-unlike",
            span,
            f"the column `{name}` of `{into.id}` is {a(known)} elsewhere, and here {a(dimension)}",
            "choose another name",
            [Related(facts.span, "the first `into`")],
        )
