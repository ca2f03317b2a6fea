"""Captures: fast sampling while the steps of a block run, perhaps around a trigger.

Units, amounts, the trigger, and what must not stand in the block. Knows no order of steps.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from grammar import tree
from grammar.diagnostic import Related
from grammar.quantity import CURRENT, FREQUENCY, TIME, VOLTAGE, write
from sequencer.checker.expressions import amounts
from sequencer.checker.naming.walking import nodes_of, read_by, with_calls
from sequencer.checker.steps import traces

if TYPE_CHECKING:
    from sequencer.checker.steps.steps import Steps

_SAMPLED = {"voltage": VOLTAGE, "current": CURRENT}


def check_capture(steps: Steps, node: tree.CaptureStep) -> None:
    """`capture CH at F for E[, when COND, before E], into T:`."""
    expressions, work = steps.expressions, steps.work
    steps.channel(node.channel)
    rate = amounts.positive_amount(
        expressions, node.rate, FREQUENCY, "the rate of a capture", "write it as in 100 kHz"
    )
    length = amounts.time(expressions, node.duration, "the length of a capture")
    if rate is not None and length is not None and 0 < rate * length < 2:
        expressions.error(
            "capture-too-short",
            node.duration.span,
            f"{write(length, TIME)} at {write(rate, FREQUENCY)} hold not even two samples",
            "sample faster, or for longer",
            *amounts.origins(work, node.rate),
            *amounts.origins(work, node.duration),
        )
    _trigger(steps, node, length)
    if node.into is None:
        work.problems.error(
            "capture-into-nothing",
            node.span,
            "this capture does not say where its samples go",
            "end it with the name of a trace: , into waveform:",
        )
    traces.fill(expressions, node)
    steps.within(node.body)
    _nothing_measured(steps, node)


def _trigger(steps: Steps, node: tree.CaptureStep, length: float | None) -> None:
    """The condition that a record is taken around, and how much of it comes before."""
    expressions, work = steps.expressions, steps.work
    if node.trigger is None:
        if node.before is not None:
            expressions.quantity(node.before, TIME, "the time before the trigger")
            expressions.error(
                "capture-without-trigger",
                node.before.span,
                "there is no trigger that this could be before",
                f"write when {node.channel.id}.current > 1 A, before "
                f"{work.text(node.before.span)}, or leave it out",
            )
        return
    _condition(steps, node, node.trigger)
    if node.before is None:
        expressions.error(
            "capture-without-before",
            node.trigger.span,
            "nothing says how much of the record comes before this trigger",
            f"write when {work.text(node.trigger.span)}, before 0 s, or as much as is wanted",
        )
        return
    before = amounts.time(expressions, node.before, "the time before the trigger", zero=True)
    if before is not None and length is not None and before > length:
        expressions.error(
            "before-too-long",
            node.before.span,
            f"the record is {write(length, TIME)} long, and can't begin {write(before, TIME)} "
            "before its trigger",
            f"write at most before {write(length, TIME)}, or a longer record",
            *amounts.origins(work, node.before),
        )


def _condition(steps: Steps, node: tree.CaptureStep, trigger: tree.Expression) -> None:
    """A trigger compares the channel's own voltage or current with a value that stands still."""
    steps.expressions.condition(trigger)
    name = node.channel.id
    hint = f"write when {name}.current > 1 A, or when {name}.voltage < 2 V"
    problem = ""
    if not isinstance(trigger, tree.Compare):
        problem = "a trigger is one comparison, which the instrument itself makes"
    else:
        sides = trigger.left, trigger.right
        own = [side for side in sides if _is_sample(side, name)]
        others = [side for side in sides if not _is_sample(side, name)]
        readings = [
            inner
            for side in others
            for inner in nodes_of(side)
            if isinstance(inner, tree.Member) and inner.base.id in steps.work.checked.channels
        ]
        if not own:
            problem = f"this trigger doesn't look at the voltage or current of `{name}`"
        elif len(own) == 2 or readings:
            problem = "a trigger compares with a value that stands still, and a reading doesn't"
            hint = f"keep it before the capture: let threshold = …, then {_with_threshold(name)}"
    if problem and steps.work.checked.types[id(trigger)].known:
        steps.expressions.error("trigger", trigger.span, problem, hint)


def _with_threshold(name: str) -> str:
    return f"when {name}.current > threshold"


def _is_sample(node: tree.Expression, channel: str) -> bool:
    return isinstance(node, tree.Member) and node.base.id == channel and node.field.id in _SAMPLED


def _nothing_measured(steps: Steps, node: tree.CaptureStep) -> None:
    """A channel that samples fast can't take readings meanwhile; a pulse is what it may sample."""

    def look(step: tree.Step) -> None:
        if isinstance(step, tree.PulseStep):
            return
        for name in read_by(step):
            if name.id == node.channel.id:
                steps.work.problems.error(
                    "measured-in-capture",
                    name.span,
                    f"`{name.id}` samples for the capture here, and can't take readings meanwhile",
                    "measure it before the capture or after it"
                    if not isinstance(step, tree.CaptureStep)
                    else "a channel has one capture at a time",
                    [Related(node.span, "the capture")],
                )

    with_calls(steps.work, node.body, look)
