"""Loops: that something in the body changes the condition, and that a turn fits into its period.

Says only what is certain. Knows states of channels as they are handed in, and no path.
"""

from __future__ import annotations

import math

from grammar import tree
from grammar.quantity import LINE_CYCLES, TIME, write
from grammar.wording import listed
from sequencer.checker.constants import Folding
from sequencer.checker.readings import COUNTERS
from sequencer.checker.scope import ELAPSED, Workings, nodes_of, steps_of
from sequencer.checker.states import State


def check_condition(work: Workings, node: tree.Every | tree.Sweep) -> None:
    """A condition that no step of the loop can change would end it at once or never.

    Counters and the time change by themselves; readings change by a measurement of their channel,
    names by `set`.
    """
    if node.until is None:
        return
    body = node.body if isinstance(node, tree.Every) else (node,)
    measured: set[str] = set()
    written: set[str] = set()
    for step in steps_of(body):
        match step:
            case tree.Measure():
                measured.update(name.id for name in step.channels)
            case tree.Sweep():
                measured.update(name.id for name in (step.channel, *step.reading))
            case tree.Set():
                written.add(step.name.id)
    found: dict[str, str] = {}
    for part in _parts(node.until):
        base = part.base if isinstance(part, tree.Member) else part
        name = base.id
        if name in work.lost or (id(base) not in work.resolved and name != ELAPSED):
            return
        if name == ELAPSED or (isinstance(part, tree.Member) and part.field.id in COUNTERS):
            return
        if name in (measured if isinstance(part, tree.Member) else written):
            return
        if isinstance(part, tree.Member):
            found[f"{name}.{part.field.id}"] = f"measure {name}"
        elif work.resolved[id(base)].role == "let":
            found[name] = f"set {name} = …"
    if work.lost & {"measure", "set", "sweep"}:
        return
    if not found:
        message = "nothing in this condition can change while the loop runs"
        hint = "compare a reading, as in smu.voltage >= 2.7 V, or write every … for a fixed time"
    else:
        names = listed([f"`{name}`" for name in found], 20)
        message = f"no step of this loop changes {names}, so it would end at once or never"
        hint = f"write in its body: {listed(found.values(), 20)}"
    if isinstance(node, tree.Sweep):
        hint = f"compare a reading that the sweep takes, as in {node.channel.id}.voltage >= 1 V"
    work.problems.error("condition-never-changes", node.until.span, message, hint)


def _parts(condition: tree.Expression) -> list[tree.Name | tree.Member]:
    """The readings and names that a condition looks at."""
    found: list[tree.Name | tree.Member] = []
    inner: set[int] = set()
    for node in nodes_of(condition):
        if isinstance(node, tree.Member):
            found.append(node)
            inner |= {id(node.base), id(node.field)}
        elif isinstance(node, tree.Call):
            inner.add(id(node.function))
        elif isinstance(node, tree.Name) and id(node) not in inner:
            found.append(node)
    return found


def check_period(work: Workings, node: tree.Every, state: State) -> None:
    """The readings of a turn take their apertures, and these must fit into the period.

    A body that loops or waits takes longer on purpose, and its ticks are skipped.
    """
    if any(
        isinstance(step, tree.Every | tree.Repeat | tree.ForIn | tree.ForCount | tree.Wait)
        for step in steps_of(node.body)
    ):
        return
    period = work.folding.value(node.period)
    if period is None or period <= 0:
        return
    taken, names = 0.0, []
    if any(isinstance(step, tree.Setup) for step in steps_of(node.body)):
        return
    for step in node.body:
        if isinstance(step, tree.Measure):
            for name in step.channels:
                known = state.channels.get(name.id)
                if known is None or known.aperture_s is None:
                    return
                taken += known.aperture_s
                names.append(name.id)
    # A turn that fills its period to the last digit fits it.
    if taken <= period * (1 + 1e-9):
        return
    what = f"{len(names)} readings take" if len(names) > 1 else "one reading takes"
    work.problems.error(
        "period-too-short",
        node.period.span,
        f"a turn every {write(period, TIME)} can't be kept: {what} {write(taken, TIME, 3)}",
        f"write every {write(_rounded_up(taken), TIME)}, or shorten the aperture with setup "
        + listed(names, 20),
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
    value = Folding({}, work.checked.relative).value(node)
    return value if value is not None else unknown
