"""Wear: an output relay that switches very often, and work that an instrument does by itself.

Advice only: nothing here harms a part. It is given where it is certain to be meant, and never
counts a run's worst case against a recipe that switches now and then.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

from grammar import tree
from sequencer.checker.naming.constants import constant
from sequencer.checker.naming.scope import Workings
from sequencer.checker.naming.walking import blocks_in, nodes_of, steps_of

MANY_OPERATIONS = 10_000
"""A tenth of what a small relay under load is usually good for (common practice, no source)."""

_TIMED = (tree.Every, tree.Repeat, tree.ForIn, tree.ForCount)


def check_wear(work: Workings) -> None:
    """The steps of the recipe; those of `finally` run once."""
    counts: dict[str, list[tuple[float, tree.Output]]] = {}
    for step, times in _with_turns(work, work.checked.recipe.steps, 1.0):
        if isinstance(step, tree.Output) and step.on:
            counts.setdefault(step.channel.id, []).append((times, step))
    for name, found in counts.items():
        total = sum(times for times, _ in found)
        if total > MANY_OPERATIONS and name in work.checked.channels:
            _worn(work, name, total, max(found, key=lambda pair: pair[0])[1])
    for step in steps_of(work.checked.recipe.steps):
        if isinstance(step, _TIMED):
            _by_hand(work, step)


def _with_turns(
    work: Workings, block: tree.Block, times: float
) -> Iterator[tuple[tree.Step, float]]:
    """All steps, each with the most that it can be done; an infinity where that isn't known."""
    for step in block:
        yield step, times
        for inner in blocks_in(step):
            turns = 1.0 if inner is getattr(step, "otherwise", None) else _turns(work, step)
            yield from _with_turns(work, inner, times * turns)


def _turns(work: Workings, step: tree.Step) -> float:
    """How many turns a loop has with the settings in force, 1 where that isn't known before."""
    value = work.folding.value
    match step:
        case tree.Every():
            period, longest = value(step.period), value(step.duration or step.at_most)
            if period is None or longest is None or period <= 0:
                return 1.0
            return math.floor(longest / period) + 1.0
        case tree.Repeat():
            return max(0.0, value(step.count) or 1.0)
        case tree.ForCount():
            first, last = value(step.first), value(step.last)
            return max(0.0, last - first + 1.0) if first is not None and last is not None else 1.0
        case tree.ForIn() if isinstance(step.values, tree.Call):
            arguments = step.values.arguments
            if step.values.function.id == "values":
                return float(len(arguments))
            return max(0.0, value(arguments[2].value) or 1.0) if len(arguments) == 3 else 1.0
    return 1.0


def _worn(work: Workings, name: str, total: float, step: tree.Output) -> None:
    work.problems.warning(
        "relay-wear",
        step.span,
        f"the output of `{name}` is switched on up to {total:,.0f} times in this run, and every "
        "time wears its relay",
        f"where the part may stay connected, leave the output on and idle: source {name} current "
        "0 A, limit …; or look less often",
    )


def _by_hand(work: Workings, loop: tree.Step) -> None:
    """A level that a loop moves by what it reads of the other quantity: the limit does that.

    Only where one `if` looks at the voltage (or current) and each of its ways programs a level of
    the other quantity on that channel: nothing but a voltage held by hand looks like that.
    """
    for step in steps_of(getattr(loop, "body", ())):
        if not isinstance(step, tree.If) or step.otherwise is None:
            continue
        for mode, other in (("current", "voltage"), ("voltage", "current")):
            looked_at = {
                node.base.id
                for node in nodes_of(step.arms[0].condition)
                if isinstance(node, tree.Member) and node.field.id == other
            }
            sourced = [
                {
                    inner.channel.id: inner
                    for inner in way
                    if isinstance(inner, tree.SourceStep) and inner.mode == mode
                }
                for way in (*(arm.body for arm in step.arms), step.otherwise)
            ]
            for name in looked_at.intersection(*sourced):
                _advise(work, step, [way[name] for way in sourced], other)


def _advise(work: Workings, step: tree.If, sources: list[tree.SourceStep], other: str) -> None:
    name, mode = sources[0].channel.id, sources[0].mode
    part = work.checked.part_on(name)
    if part is not None and part.kind in ("solar cell", "solar module"):
        return  # its power has a peak, which is sought by moving a level
    condition = step.arms[0].condition
    held = "…"
    if isinstance(condition, tree.Compare):
        sides = (condition.left, condition.right)
        held = next((work.text(s.span) for s in sides if not isinstance(s, tree.Member)), held)
    flowing = [source.level for source in sources if constant(source.level) != 0]
    level = work.text(flowing[0].span) if flowing else "…"
    work.problems.warning(
        "held-by-hand",
        condition.span,
        f"this loop holds the {other} of `{name}` by switching its {mode}, which the instrument "
        "does by itself, and without a gap",
        f"write source {name} {other} {held}, limit {level} once, and only measure in the loop",
    )
