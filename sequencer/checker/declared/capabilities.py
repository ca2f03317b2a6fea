"""Capabilities: what the steps ask of a channel is declared; the bench has a file of its own.

Looks at each step by itself; what depends on the order of steps (measuring with the output off)
stands with the order.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from drivers.sensed import SENSED
from grammar import tree
from grammar.diagnostic import Related
from grammar.wording import listed
from sequencer.checker.expressions.readings import MEASURED
from sequencer.checker.naming.constants import constant
from sequencer.checker.naming.scope import Workings
from sequencer.checker.naming.walking import nodes_of, read_by, with_calls

if TYPE_CHECKING:
    from drivers.bench_file import BenchFile


def check_capabilities(work: Workings, bench: BenchFile | None) -> None:
    """All steps against the declared channels, and these against the bench where one is named."""
    recipe = work.checked.recipe
    lacking: set[tuple[str, str]] = set()
    with_calls(work, recipe.steps + recipe.final, lambda step: _step(work, step, lacking))
    if any("measure" not in facts.capabilities for facts in work.checked.channels.values()):
        for node in nodes_of((recipe.steps, recipe.final, recipe.guards)):
            if isinstance(node, tree.Member):
                _reading(work, node)
    if not work.lost:
        for channel in recipe.channels:
            _unused(work, channel)
    if bench is not None:
        from sequencer.checker.declared.benches import check_on_bench

        check_on_bench(work, work.steps, bench)


def _step(work: Workings, step: tree.Step, lacking: set[tuple[str, str]]) -> None:
    """One step; what a channel lacks is said once, and remembered."""
    match step:
        case tree.SourceStep() | tree.Ramp():
            _needs(work, step.channel, "source", lacking)
        case tree.Sweep():
            _needs(work, step.channel, "source", lacking)
            if step.pulsed:
                _needs(work, step.channel, "pulse", lacking)
        case tree.PulseStep():
            _needs(work, step.channel, "source", lacking)
            _needs(work, step.channel, "pulse", lacking)
        case tree.CaptureStep():
            _needs(work, step.channel, "capture", lacking)
            return
        case tree.Output() if step.on:
            _needs(work, step.channel, "source", lacking)
    if isinstance(step, tree.SourceStep | tree.Sweep | tree.PulseStep):
        _limit(work, step)
    for name in read_by(step):
        _needs(work, name, "measure", lacking)


_EITHER = {
    # A load sinks by a level and a limit of its own, so `sink` alone lets a channel source.
    "source": ("source", "sink"),
    "measure": ("measure voltage", "measure current", *(f"measure {name}" for name in SENSED)),
}


def _needs(work: Workings, name: tree.Name, capability: str, lacking: set[tuple[str, str]]) -> None:
    facts = work.checked.channels.get(name.id)
    if facts is None or any(facts.can(c) for c in _EITHER.get(capability, (capability,))):
        return
    if (name.id, capability) in lacking:
        return
    lacking.add((name.id, capability))
    have = listed([f"`{c}`" for c in sorted(facts.capabilities)], 20).replace(" or ", " and ")
    work.problems.error(
        "undeclared-capability",
        name.span,
        f"this step {capability}s with `{facts.name}`, which is declared for {have} only",
        work.declare(facts.name, capability),
        [Related(facts.span, "the channel")],
    )


def _unused(work: Workings, node: tree.Channel) -> None:
    """What only few instruments can do, and no step asks for, keeps a recipe from other benches."""
    own = [step for step in work.steps if getattr(step, "channel", None) == node.name]
    used = {
        "pulse": any(
            isinstance(step, tree.PulseStep) or (isinstance(step, tree.Sweep) and step.pulsed)
            for step in own
        ),
        "capture": any(isinstance(step, tree.CaptureStep) for step in own),
    }
    for capability in node.capabilities:
        if not used.get(capability.text, True):
            work.problems.warning(
                "unused-capability",
                capability.span,
                f"no step makes a {capability.text} with `{node.name.id}`, and a bench without it "
                "would do",
                f"leave `{capability.text}` out",
            )


def _reading(work: Workings, node: tree.Member) -> None:
    facts = work.checked.channels.get(node.base.id)
    if facts is None or "measure" in facts.capabilities:
        return
    missing = [c for c in MEASURED.get(node.field.id, ()) if not facts.can(c)]
    # A channel that measures nothing at all has been told so where it is measured.
    if missing and facts.measures:
        wanted = "measure" if len(MEASURED[node.field.id]) > 1 else missing[0]
        other = missing[0].removeprefix("measure ")
        work.problems.error(
            "undeclared-capability",
            node.span,
            f"`{facts.name}.{node.field.id}` needs the {other}, which `{facts.name}` is not "
            "declared to measure",
            work.declare(facts.name, wanted),
            [Related(facts.span, "the channel")],
        )


def _limit(work: Workings, step: tree.SourceStep | tree.Sweep | tree.PulseStep) -> None:
    name, node = step.channel, step.limit
    facts = work.checked.channels.get(name.id)
    if node is None or facts is None or facts.can("two-sided limit"):
        return
    if _symmetric(work, node, "current" if step.mode == "voltage" else "voltage"):
        return
    related = [Related(facts.span, "the channel")]
    line = work.declared_with(name.id, "two-sided limit")
    hint = f"where the instrument can do that, declare it: {line}"
    if isinstance(node, tree.Name):
        part = work.checked.parts.get(node.id)
        if part is not None:
            related.append(Related(part.span, "the part, whose rating has two unlike ends"))
        hint += "; or write the limit as a value"
    elif isinstance(node, tree.Range) and node.high is not None:
        hint += f"; or write limit {work.text(node.high.span)}, which holds on both sides"
    work.problems.error(
        "undeclared-capability",
        node.span,
        f"this limit has two unlike ends, and `{name.id}` is not declared to hold such a limit",
        hint,
        related,
    )


def _symmetric(work: Workings, node: tree.Expression, quantity: str) -> bool:
    """Whether a limit has the same magnitude on both sides whatever its values turn out to be."""
    match node:
        case tree.Range():
            if node.low is None or node.high is None:
                return True
            low, high = constant(node.low), constant(node.high)
            if low is not None and high is not None:
                return low == -high
            return node.low == tree.Negative(node.high)
        case tree.Tolerance():
            return constant(node.centre) == 0
        case tree.Name():
            part = work.checked.parts.get(node.id)
            bounds = part.ratings.get(quantity) if part is not None else None
            return bounds is None or bounds[0] == -bounds[1]
        case _:
            return True
