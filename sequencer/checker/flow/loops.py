"""Loops: that something in the body changes the condition, and that a turn fits into its period.

Says only what is certain. Knows states of channels as they are handed in, and no path.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from typing import NamedTuple

from grammar import tree
from grammar.quantity import LINE_CYCLES, TIME, write
from grammar.wording import listed
from sequencer.checker.expressions.calls import OVER_TRACES
from sequencer.checker.expressions.readings import COUNTERS
from sequencer.checker.flow.states import State
from sequencer.checker.naming.constants import Folding
from sequencer.checker.naming.scope import Workings
from sequencer.checker.naming.walking import read_by, steps_of
from sequencer.checker.naming.words import ELAPSED, as_written

_PATIENT = (
    tree.Every, tree.Repeat, tree.ForIn, tree.ForCount, tree.Wait, tree.Sweep, tree.Ramp,
    tree.PulseStep, tree.CaptureStep, tree.Settle, tree.WaitFor, tree.Ask, tree.ConfirmStep,
)  # fmt: skip
"""Steps that take their own time, so that a loop's ticks are skipped on purpose."""


class _Changing(NamedTuple):
    """What a condition looks at and some step may change.

    `kind` is "reading", "trace", "line" or "name"; `name` that of the channel and the like.
    """

    kind: str
    name: str
    shown: str
    advice: str


def check_condition(work: Workings, node: tree.Every | tree.Sweep | tree.Ramp) -> None:
    """A condition that no step of the loop can change would end it at once or never.

    Counters, the time and digital inputs change by themselves; readings change by a measurement of
    their channel, traces by what is taken into them, names by `set`, output lines by `switch`.
    """
    if node.until is None or work.lost & _CHANGES:
        return
    looked_at = list(_looked_at(work, node.until))
    changed = set(_changed(node.body if isinstance(node, tree.Every) else (node,)))
    if any(part is None or (part.kind, part.name) in changed for part in looked_at):
        return
    found = {part.shown: part.advice for part in looked_at if part is not None}
    if not found:
        message = "nothing in this condition can change while the loop runs"
        hint = "compare a reading, as in smu.voltage >= 2.7 V, or write every … for a fixed time"
    else:
        names = listed([f"`{name}`" for name in found], 20)
        message = f"no step of this loop changes {names}, so it would end at once or never"
        hint = f"write in its body: {listed(found.values(), 20)}"
    if not isinstance(node, tree.Every):
        noun = "sweep" if isinstance(node, tree.Sweep) else "ramp"
        hint = f"compare a reading that the {noun} takes, as in {node.channel.id}.voltage >= 1 V"
    work.problems.error("condition-never-changes", node.until.span, message, hint)


_CHANGES = frozenset(("measure", "set", "sweep", "ramp", "pulse", "capture", "settle", "switch"))


def _changed(block: tree.Block) -> Iterator[tuple[str, str]]:
    """What the steps of a loop change, as kind and name."""
    for step in steps_of(block):
        for name in read_by(step):
            yield "reading", name.id
        into = getattr(step, "into", None)
        if into is not None:
            yield "trace", into.id
        if isinstance(step, tree.Set):
            yield "name", step.name.id
        elif isinstance(step, tree.Switch):
            yield "line", step.line.id


def _looked_at(work: Workings, node: object) -> Iterator[_Changing | None]:
    """What a condition looks at; None for what changes by itself, and for what isn't known."""
    match node:
        case tree.Member():
            yield from _member(work, node)
        case tree.IsState():
            facts = work.checked.digital.get(node.line.id)
            name = node.line.id
            output = facts is not None and facts.output
            yield _Changing("line", name, name, f"switch {name} high") if output else None
        case tree.Name():
            yield from _name(work, node)
        case tree.Call() if node.function.id in OVER_TRACES:
            first = node.arguments[0].value if node.arguments else None
            if isinstance(first, tree.Name) and first.id in work.checked.traces:
                channels = ", ".join(work.checked.traces[first.id].channels)
                advice = f"measure {channels} into {first.id}"
                yield _Changing("trace", first.id, first.id, advice)
            else:
                yield None
            for argument in node.arguments[2:]:
                yield from _looked_at(work, argument.value)
        case tree.Call():
            for argument in node.arguments:
                yield from _looked_at(work, argument.value)
        case tree.Node():
            for inner in vars(node).values():
                yield from _looked_at(work, inner)


def _member(work: Workings, node: tree.Member) -> Iterator[_Changing | None]:
    name, field = node.base.id, node.field.id
    definition = work.resolved.get(id(node.base))
    if definition is None or name in work.lost or field in COUNTERS:
        yield None
    elif definition.role == "channel":
        yield _Changing("reading", name, f"{name}.{field}", f"measure {name}")


def _name(work: Workings, node: tree.Name) -> Iterator[_Changing | None]:
    definition = work.resolved.get(id(node))
    if definition is None or node.id in work.lost or node.id == ELAPSED:
        yield None
    elif definition.role == "let":
        word = as_written(node.id)
        yield _Changing("name", node.id, word, f"set {word} = …")


def check_period(work: Workings, node: tree.Every, state: State) -> None:
    """The readings of a turn take their apertures, and these must fit into the period.

    A body that loops or waits takes longer on purpose, and its ticks are skipped.
    """
    steps = list(steps_of(node.body))
    if any(isinstance(step, (*_PATIENT, tree.Setup)) for step in steps):
        return
    # What stands in an `if` isn't read in every turn.
    once = [step for step in _unconditional(node.body) if isinstance(step, tree.Measure)]
    check_fits(work, node.period, [name.id for step in once for name in step.channels], state)


def _unconditional(block: tree.Block) -> Iterator[tree.Step]:
    for step in block:
        if isinstance(step, tree.Called):
            yield from _unconditional(step.body)
        else:
            yield step


def check_fits(
    work: Workings, period: tree.Expression, channels: Sequence[str], state: State
) -> None:
    """One reading of each of some channels fits into a period, where their apertures are known."""
    period_s = work.folding.value(period)
    if period_s is None or period_s <= 0:
        return
    taken = 0.0
    for name in channels:
        known = state.channels.get(name)
        if known is None or known.aperture_s is None:
            return
        taken += known.aperture_s
    # A turn that fills its period to the last digit fits it.
    if taken <= period_s * (1 + 1e-9):
        return
    what = f"{len(channels)} readings take" if len(channels) > 1 else "one reading takes"
    work.problems.error(
        "period-too-short",
        period.span,
        f"a turn every {write(period_s, TIME)} can't be kept: {what} {write(taken, TIME, 3)}",
        f"write every {write(_rounded_up(taken), TIME)}, or shorten the aperture with setup "
        + listed(channels, 20),
    )


def check_direction(work: Workings, node: tree.ForCount) -> None:
    """A count goes upwards: one that ends below its start has no turn, and was hardly meant so."""
    if lowest(work, node.first) > highest(work, node.last):
        first, last = work.text(node.first.span), work.text(node.last.span)
        work.problems.warning(
            "no-turn",
            node.first.span.to(node.last.span),
            f"this counts upwards from {first}, and {last} lies below: the loop has no turn",
            f"write for {as_written(node.name.id)} in {last} to {first}:, or "
            "in values(…) for another order",
        )


def _rounded_up(value: float) -> float:
    """A positive value rounded up to one significant digit."""
    step = 10.0 ** math.floor(math.log10(value))
    return float(f"{math.ceil(value / step * (1 - 1e-12)) * step:.6g}")


def after_setup(work: Workings, node: tree.Setup, state: State, cycle_s: float) -> State:
    """The state after a `setup`: the aperture of its channel, as far as it is known."""
    known = state.channels.get(node.channel.id)
    if known is None:
        return state
    given = {item.name.id: item.value for item in node.items}
    aperture = given.get("aperture")
    average = given.get("average")
    if aperture is None and average is None:
        return state
    one = work.folding.value(aperture)
    if aperture is not None and work.checked.dimensions.get(id(aperture)) == LINE_CYCLES:
        one = one * cycle_s if one is not None else None
    many = work.folding.value(average)
    if aperture is None or (average is not None and many is None) or one is None:
        return state.having(node.channel.id, known.with_aperture(None))
    return state.having(node.channel.id, known.with_aperture(one * (many or 1.0)))


def lowest(work: Workings, node: tree.Expression | None) -> float:
    """The lowest that a count can be whatever its settings are changed to; -inf where unknown."""
    return _extreme(work, node, -math.inf)


def highest(work: Workings, node: tree.Expression | None) -> float:
    """The highest that a count can be whatever its settings are changed to; inf where unknown."""
    return _extreme(work, node, math.inf)


def _extreme(work: Workings, node: tree.Expression | None, unknown: float) -> float:
    if isinstance(node, tree.Name):
        facts = work.checked.settings.get(node.id)
        if facts is None:
            return unknown
        end = facts.low if unknown < 0 else facts.high
        return end if end is not None else facts.value
    value = Folding({}, work.checked.relative, work.checked.parts).value(node)
    return value if value is not None else unknown
