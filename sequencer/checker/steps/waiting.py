"""Steps that wait, and digital lines: `settle`, `wait for`, `switch`, and `ask` with its value.

Their names, units and amounts. That a wait has an end is the limits' matter.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from drivers.sensed import SENSED
from grammar import tree
from grammar.diagnostic import Related
from grammar.quantity import TEMPERATURE, TIME, write
from sequencer.checker.expressions import amounts
from sequencer.checker.facts import Type
from sequencer.checker.naming.words import described
from sequencer.checker.steps import traces

if TYPE_CHECKING:
    from sequencer.checker.steps.steps import Steps

_SETTLING = ("voltage", "current", "power", "resistance", *SENSED)


def settle(steps: Steps, node: tree.Settle) -> None:
    """`settle CH.QUANTITY within E over E, every E, at most E[, into T]`."""
    expressions, work, reading = steps.expressions, steps.work, node.reading
    found = expressions.type_of(reading) if steps.channel(reading.base) else None
    if found is not None and found.known and reading.field.id not in _SETTLING:
        expressions.error(
            "not-a-reading",
            reading.span,
            f"`{reading.base.id}.{reading.field.id}` is nothing that settles",
            f"wait for a reading to settle: {reading.base.id}.voltage or {reading.base.id}.current",
        )
        found = None
    dimension = found.dimension if found is not None else None
    if dimension is not None:
        # What is left of a difference between two points on a scale is a difference.
        band = TEMPERATURE if dimension.point else dimension
        amounts.positive_amount(expressions, node.band, band, "the band", "a band has a width")
    else:
        expressions.quantity(node.band)
    window = amounts.time(expressions, node.window, "the window")
    period = at_most = None
    if node.period is not None:
        period = amounts.time(expressions, node.period, "the time between readings")
    else:
        work.problems.error(
            "settle-without-period",
            node.span,
            "nothing says how often this looks",
            f"write {work.text(node.span)}, every {_period(window)}",
        )
    if node.at_most is not None:
        at_most = amounts.time(expressions, node.at_most, "the longest time to settle")
    if node.period is not None and period is not None and window is not None:
        _window(steps, node, node.period, window, period)
    if node.at_most is not None and at_most is not None and 0 < at_most < (window or 0.0):
        expressions.error(
            "settle-too-short",
            node.at_most.span,
            f"this ends after {write(at_most, TIME)}, before its window of "
            f"{write(window or 0.0, TIME)} is full",
            f"write at most {write(10 * (window or 0.0), TIME)}, or a shorter window",
            *amounts.origins(work, node.at_most),
        )
    traces.fill(expressions, node)
    steps.within(node.otherwise)


def _window(
    steps: Steps, node: tree.Settle, every: tree.Expression, window: float, period: float
) -> None:
    if 0 < window < period:
        steps.expressions.error(
            "window-too-short",
            node.window.span,
            f"a window of {write(window, TIME)} with a reading every {write(period, TIME)} holds "
            "one reading, and one alone never differs",
            f"write over {write(10 * period, TIME)}, or every {_period(window)}",
            Related(every.span, "the time between readings"),
        )


def _period(window: float | None) -> str:
    """A tenth of the window, where it is known."""
    return write(window / 10, TIME) if window is not None and window > 0 else "1 s"


def wait_for(steps: Steps, node: tree.WaitFor) -> None:
    """`wait for LINE high, at most E`."""
    facts = steps.work.line(node.line)
    if facts is not None and facts.output:
        steps.expressions.error(
            "not-an-input",
            node.line.span,
            f"`{facts.name}` is an output: it changes by `switch` alone, and never by waiting",
            "wait for an input, or write switch",
            Related(facts.span, "the line"),
        )
    if node.at_most is not None:
        amounts.time(steps.expressions, node.at_most, "the longest time to wait", zero=True)
    steps.within(node.otherwise)


def switch(steps: Steps, node: tree.Switch) -> None:
    """`switch LINE high`."""
    facts = steps.work.line(node.line)
    if facts is not None and not facts.output:
        steps.expressions.error(
            "not-an-output",
            node.line.span,
            f"`{facts.name}` is an input: it is looked at, and can't be switched",
            f"declare it as an output, digital {facts.name}: output, rests low; or wait for it",
            Related(facts.span, "the line"),
        )


def ask(steps: Steps, node: tree.Ask) -> None:
    """`ask "…"[, into NAME in SPAN]`: the value has the span's dimension."""
    expressions, work = steps.expressions, steps.work
    expressions.type_of(node.text)
    if node.into is None or node.bounds is None:
        return
    found = expressions.span_of(node.bounds)
    kind = Type("quantity", found.dimension)
    if found.known and found.kind != "span":
        text = work.text(node.bounds.span)
        expressions.error(
            "not-a-span",
            node.bounds.span,
            f"this is {described(found)}, expected the span that the typed value lies in",
            f"write both ends: {text} to …",
        )
    elif isinstance(node.bounds, tree.Range) and None in (node.bounds.low, node.bounds.high):
        expressions.error(
            "open-ended",
            node.bounds.span,
            "what a person may type has one end only, and a slip of the finger has none",
            f"write both ends, as in {_both_ends(steps, node.bounds)}",
        )
    definition = work.define(node.into, "typed value", kind if found.known else found, node)
    steps.note_needs(definition, [node.bounds])
    work.critical.append((node.bounds, f"what may be typed as `{definition.shown}`"))


def _both_ends(steps: Steps, bounds: tree.Range) -> str:
    end = bounds.low or bounds.high
    assert end is not None
    text = steps.work.text(end.span)
    return f"{text} to …" if bounds.low is not None else f"… to {text}"
