"""Steps that set a channel's level: `source`, `sweep`, `ramp` and `pulse`.

Their units and amounts, and the clauses that belong together. What must have come before them, and
what they can do to a part, are other checks' matters.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from grammar import tree
from grammar.quantity import CURRENT, TIME, VOLTAGE, write
from sequencer.checker.expressions import amounts
from sequencer.checker.expressions.amounts import LEVEL, LIMIT
from sequencer.checker.naming.words import example
from sequencer.checker.steps import traces

if TYPE_CHECKING:
    from sequencer.checker.steps.steps import Steps

_RATES = {"voltage": VOLTAGE.over(TIME), "current": CURRENT.over(TIME)}


def source(steps: Steps, node: tree.SourceStep) -> None:
    """`source CH voltage E, limit L`."""
    steps.channel(node.channel)
    if node.limit is not None and _swapped(steps, node, node.limit):
        return
    amounts.level(steps.expressions, node.level, node.mode, f"the level of a {node.mode} source")
    if node.limit is not None:
        amounts.limit(steps.expressions, node.limit, node.mode, node.channel.id)


def _swapped(steps: Steps, node: tree.SourceStep, limit: tree.Expression) -> bool:
    """Whether each of level and limit is in the other's unit: one mistake, and said as one."""
    mode = node.mode
    if isinstance(limit, tree.Name | tree.Range | tree.Within | tree.Tolerance):
        return False
    found = [steps.expressions.type_of(inner).dimension for inner in (node.level, limit)]
    if found != [LIMIT[mode], LEVEL[mode]]:
        return False
    level, other = steps.work.text(node.level.span), steps.work.text(limit.span)
    steps.work.problems.error(
        "level-and-limit",
        node.level.span.to(limit.span),
        f"level and limit of this {mode} source are swapped",
        f"write source {node.channel.id} {mode} {other}, limit {level}; or source "
        f"{node.channel.id} {'current' if mode == 'voltage' else 'voltage'} {level}, limit {other}",
    )
    return True


def sweep(steps: Steps, node: tree.Sweep) -> None:
    """`sweep CH voltage from A to B in N points, …, into T`."""
    expressions, mode = steps.expressions, node.mode
    steps.channels((node.channel, *node.reading))
    amounts.level(expressions, node.first, mode, f"the first level of a {mode} sweep")
    amounts.level(expressions, node.last, mode, f"the last level of a {mode} sweep")
    amounts.count(expressions, node.points, "the number of points", least=2)
    if node.logarithmic:
        amounts.same_sign(expressions, node.first, node.last)
    if node.limit is not None:
        amounts.limit(expressions, node.limit, mode, node.channel.id, "sweep")
    if node.settle is not None:
        amounts.time(expressions, node.settle, "the time to settle", zero=True)
    _timing_of_sweep(steps, node)
    traces.fill(expressions, node)
    if node.until is not None:
        expressions.condition(node.until)


def _timing_of_sweep(steps: Steps, node: tree.Sweep) -> None:
    """A pulsed sweep has a width and a period, one that stays at each level has neither."""
    if node.pulsed:
        missing = [n for n, value in _timing(node) if value is None]
        if missing:
            steps.work.problems.error(
                f"pulse-without-{missing[0]}",
                node.span,
                f"this sweep is pulsed, and doesn't say the {' and the '.join(missing)} of a pulse",
                "write pulsed, width 1 ms, period 100 ms",
            )
        if node.settle is not None:
            steps.work.problems.error(
                "clause-out-of-place",
                node.settle.span,
                "a pulse is read at its own end, and has no time to settle",
                "leave `settle` out, or write a wider pulse",
            )
    else:
        for name, value in _timing(node):
            if value is not None:
                steps.work.problems.error(
                    "clause-out-of-place",
                    value.span,
                    f"a {name} is that of a pulse, and this sweep stays at each of its levels",
                    "write pulsed, width …, period …, or settle … for the time before a reading",
                )
                break
    _width_and_period(steps, node.width, node.period)


def _timing(node: tree.Sweep | tree.PulseStep) -> list[tuple[str, tree.Expression | None]]:
    return [("width", node.width), ("period", node.period)]


def _width_and_period(
    steps: Steps, width: tree.Expression | None, period: tree.Expression | None
) -> None:
    """A pulse ends before the next one begins."""
    expressions = steps.expressions
    width_s = period_s = None
    if width is not None:
        width_s = amounts.time(expressions, width, "the width of a pulse")
    if period is not None:
        period_s = amounts.time(expressions, period, "the period of pulses")
    if width is None or period is None or width_s is None or period_s is None:
        return
    if 0 < period_s <= width_s:
        expressions.error(
            "pulse-fills-period",
            period.span,
            f"a pulse every {write(period_s, TIME)} has no end before the next one: it lasts "
            f"{write(width_s, TIME)}",
            f"write a longer period, as in {write(10 * width_s, TIME)}",
            *amounts.origins(expressions.work, period),
        )


def ramp(steps: Steps, node: tree.Ramp) -> None:
    """`ramp CH voltage to E at RATE, …`, or `over` a time."""
    expressions, mode = steps.expressions, node.mode
    steps.channels((node.channel, *node.reading))
    amounts.level(expressions, node.level, mode, f"the level that a {mode} ramp ends at")
    if node.duration is not None:
        amounts.time(expressions, node.duration, "the duration of a ramp")
    if node.rate is not None:
        amounts.positive_amount(
            expressions,
            node.rate,
            _RATES[mode],
            f"the rate of a {mode} ramp",
            "the level that it ends at says which way it goes",
        )
    if node.step is not None:
        amounts.positive_amount(
            expressions,
            node.step,
            LEVEL[mode],
            f"the step of a {mode} ramp",
            "the level that it ends at says which way it goes",
        )
    traces.fill(expressions, node)
    if node.until is not None:
        expressions.condition(node.until)


def pulse(steps: Steps, node: tree.PulseStep) -> None:
    """`pulse CH voltage E, limit L, width E[, period E, count N], …`."""
    expressions, mode = steps.expressions, node.mode
    steps.channel(node.channel)
    amounts.level(expressions, node.level, mode, f"the level of a {mode} pulse")
    if node.limit is not None:
        amounts.limit(expressions, node.limit, mode, node.channel.id, "pulse")
    if node.width is None:
        text = steps.work.text(node.span)
        steps.work.problems.error(
            "pulse-without-width",
            node.span,
            "nothing says how long this pulse lasts",
            f"write {text}, width 1 ms",
        )
    _width_and_period(steps, node.width, node.period)
    many = None
    if node.count is not None:
        many = amounts.count(expressions, node.count, "the number of pulses", least=1)
    if node.count is not None and node.period is None and many != 1:
        steps.work.problems.error(
            "pulse-without-period",
            node.count.span,
            "nothing says how far apart these pulses are",
            f"write period {_longer(steps, node.width)}, count {steps.work.text(node.count.span)}",
        )
    elif node.period is not None and node.count is None:
        steps.work.problems.error(
            "pulse-without-count",
            node.period.span,
            "pulses have a period, and nothing says how many there are",
            f"write period {steps.work.text(node.period.span)}, count 10; a single pulse has none",
        )
    if node.countdown is not None:
        amounts.time(expressions, node.countdown, "the countdown")
    traces.fill(expressions, node)


def _longer(steps: Steps, width: tree.Expression | None) -> str:
    """A period for a message: some hundred times the pulse, where that is known."""
    width_s = steps.work.folding.value(width)
    return write(100 * width_s, TIME) if width_s is not None and width_s > 0 else example(TIME)
