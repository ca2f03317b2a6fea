"""Traces: what each is filled with, and that every step that fills one does it alike.

A trace is known in the whole recipe, from its first `into`. Knows no calculation and no storage.
"""

from __future__ import annotations

from collections.abc import Sequence

from grammar import tree
from grammar.diagnostic import Related, Span
from grammar.quantity import PLAIN, Dimension
from grammar.wording import listed
from sequencer.checker.calls import FUNCTIONS, LISTS
from sequencer.checker.facts import TraceFacts
from sequencer.checker.readings import COUNTERS, READINGS
from sequencer.checker.scope import ELAPSED, Workings, steps_of
from sequencer.checker.units import VALUES, Expressions
from sequencer.checker.words import a, with_article

TIME_COLUMN = "time"


def declare(work: Workings) -> None:
    """Make the traces of all steps known."""
    recipe = work.checked.recipe
    seen: set[str] = set()
    for step in steps_of(recipe.steps + recipe.final):
        if isinstance(step, tree.Measure | tree.Sweep) and step.into is not None:
            name = step.into
            if name.id not in seen:
                seen.add(name.id)
                work.define(name, "trace", node=step)
                _refuse_words(work, name)


def _refuse_words(work: Workings, name: tree.Name) -> None:
    """A trace's name stands where functions and quantities do, so it must not be one of them."""
    from sequencer.analysis.signatures import SIGNATURES

    kinds = (
        ("a function", (*FUNCTIONS, *LISTS)),
        ("a calculation", SIGNATURES),
        ("a quantity", (*READINGS, *COUNTERS, TIME_COLUMN)),
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


def fill(
    expressions: Expressions,
    into: tree.Name,
    channels: Sequence[tree.Name],
    columns: Sequence[tree.Name],
) -> None:
    """A step that fills a trace from some channels, with further columns beside their readings."""
    work = expressions.work
    definition = work.find(into.id)
    if definition is None or definition.role != "trace":
        return
    extra: dict[str, Dimension] = {}
    for column in columns:
        found = _column(expressions, column, extra)
        if found is not None:
            extra[column.id] = found
    facts = work.checked.traces.get(into.id)
    names = tuple(dict.fromkeys(name.id for name in channels))
    given = tuple(column.id for column in columns)
    if facts is None:
        facts = TraceFacts(len(work.checked.traces), names, {}, given, into.span)
        work.checked.traces[into.id] = facts
    else:
        _alike(work, into, facts, names, given)
    for variable in work.loops:
        if variable.type.dimension is not None:
            _add(work, facts, into, variable.name, variable.type.dimension, variable.span)
    for column in columns:
        if column.id in extra:
            _add(work, facts, into, column.id, extra[column.id], column.span)


def _column(
    expressions: Expressions, column: tree.Name, seen: dict[str, Dimension]
) -> Dimension | None:
    """The dimension of a named value that is to be a column; a truth value counts as 0 or 1."""
    if column.id in seen:
        expressions.error(
            "twice", column.span, f"`{column.id}` stands here a second time", "write it once"
        )
        return None
    if column.id in (ELAPSED, TIME_COLUMN):
        expressions.work.meant.add(column.id)
        expressions.error(
            "column-name",
            column.span,
            "the time since the run's start is a column of every trace already",
            f"leave `{column.id}` out",
        )
        return None
    definition = expressions.work.resolve(column, VALUES)
    if definition is None:
        return None
    if definition.role not in VALUES:
        expressions.error(
            "not-a-value",
            column.span,
            f"`{column.id}` is {with_article(definition.role)}, expected a named value",
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
    into: tree.Name,
    facts: TraceFacts,
    names: tuple[str, ...],
    given: tuple[str, ...],
) -> None:
    first = Related(facts.span, "the first `into`")
    if set(names) != set(facts.channels):
        work.problems.error(
            "trace-unlike",
            into.span,
            f"`{into.id}` is filled from {_and(facts.channels)} elsewhere, "
            f"and here from {_and(names)}",
            "fill it alike, or give this one a name of its own",
            [first],
        )
    elif set(given) != set(facts.columns):
        with_ = f"with {', '.join(facts.columns)}" if facts.columns else "without `with`"
        work.problems.error(
            "trace-unlike",
            into.span,
            f"`{into.id}` is filled {with_} elsewhere, and not so here",
            f"write into {into.id} with {', '.join(facts.columns or given)} in both, "
            "or give this one a name of its own",
            [first],
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
    if name in (TIME_COLUMN, *READINGS, *COUNTERS):
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
