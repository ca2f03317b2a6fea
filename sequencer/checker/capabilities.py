"""Capabilities: what the steps ask of a channel is declared, and the bench has it.

Looks at each step by itself; what depends on the order of steps (measuring with the output off)
stands with the order. Knows of a bench only which channels it has, what they can do, and which
apertures and ranges they have.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from grammar import tree
from grammar.diagnostic import Related
from grammar.quantity import CURRENT, LINE_CYCLES, TIME, VOLTAGE, write
from grammar.wording import listed, near
from sequencer.checker.constants import constant
from sequencer.checker.declarations import CAPABILITIES
from sequencer.checker.readings import MEASURED
from sequencer.checker.scope import Workings, nodes_of, steps_of

if TYPE_CHECKING:
    from drivers.bench_file import BenchFile


def check_capabilities(work: Workings, bench: BenchFile | None) -> None:
    """All steps against the declared channels, and these against the bench where one is named."""
    recipe = work.checked.recipe
    lacking: set[tuple[str, str]] = set()
    for step in steps_of(recipe.steps + recipe.final):
        _step(work, step, lacking)
    for node in nodes_of((recipe.steps, recipe.final, recipe.guards)):
        if isinstance(node, tree.Member):
            _reading(work, node)
    if bench is not None:
        for channel in recipe.channels:
            _on_bench(work, channel, bench)
        for step in steps_of(recipe.steps + recipe.final):
            if isinstance(step, tree.Setup):
                _setup_on_bench(work, step, bench)


def _step(work: Workings, step: tree.Step, lacking: set[tuple[str, str]]) -> None:
    """One step; what a channel lacks is said once, and remembered."""
    match step:
        case tree.SourceStep():
            _needs(work, step.channel, "source", lacking)
            _limit(work, step)
        case tree.Sweep():
            _needs(work, step.channel, "source", lacking)
            _limit(work, step)
            for name in (step.channel, *step.reading):
                _needs(work, name, "measure", lacking)
        case tree.Output() if step.on:
            _needs(work, step.channel, "source", lacking)
        case tree.Measure():
            for name in step.channels:
                _needs(work, name, "measure", lacking)


_EITHER = {
    # A load sinks by a level and a limit of its own, so `sink` alone lets a channel source.
    "source": ("source", "sink"),
    "measure": ("measure voltage", "measure current"),
}


def _needs(work: Workings, name: tree.Name, capability: str, lacking: set[tuple[str, str]]) -> None:
    facts = work.checked.channels.get(name.id)
    if facts is None or any(facts.can(c) for c in _EITHER[capability]):
        return
    if (name.id, capability) in lacking:
        return
    lacking.add((name.id, capability))
    have = listed([f"`{c}`" for c in sorted(facts.capabilities)], 20).replace(" or ", " and ")
    work.problems.error(
        "undeclared-capability",
        name.span,
        f"this step {capability}s with `{facts.name}`, which is declared for {have} only",
        f"declare it: {work.declared_with(facts.name, capability)}",
        [Related(facts.span, "the channel")],
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
            f"declare it: {work.declared_with(facts.name, wanted)}",
            [Related(facts.span, "the channel")],
        )


def _limit(work: Workings, step: tree.SourceStep | tree.Sweep) -> None:
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


def _on_bench(work: Workings, node: tree.Channel, bench: BenchFile) -> None:
    name = node.name.id
    specification = bench.specifications.get(name)
    if specification is None:
        if name in bench.channels:
            return
        wanted = near(name, bench.channels)
        hint = f"the bench has {listed(bench.channels, 20)}: take one of these names here, or "
        hint += f"describe [channels.{name}] in the bench file"
        if wanted is not None:
            hint = f"call it {wanted} here, or describe [channels.{name}] in the bench file"
        work.problems.error(
            "bench-lacks-channel", node.name.span, f"the bench has no channel `{name}`", hint
        )
        return
    for capability in node.capabilities:
        if capability.text in CAPABILITIES and not specification.can(capability.text):
            work.problems.error(
                "bench-lacks-capability",
                capability.span,
                f"the bench's `{name}` ({specification.title}) can't do `{capability.text}`",
                "take another instrument, or leave this out where the recipe can do without it",
            )


def _setup_on_bench(work: Workings, step: tree.Setup, bench: BenchFile) -> None:
    """Apertures and ranges that the instrument has, with the settings in force."""
    specification = bench.specifications.get(step.channel.id)
    if specification is None:
        return
    for item in step.items:
        name, value = item.name.id, work.folding.value(item.value)
        # What is no quantity of its kind, or not above zero, has been told of as such.
        if value is None or value <= 0:
            continue
        if name == "aperture":
            if work.checked.dimensions.get(id(item.value)) == LINE_CYCLES:
                value /= bench.line_frequency_hz
            low, high = specification.shortest_aperture, specification.longest_aperture
            has = f"apertures from {write(low, TIME)} to {write(high, TIME)}"
            fits, shown = low <= value <= high, write(value, TIME)
            hint = f"write aperture = {write(min(max(value, low), high), TIME)}"
        elif name in ("voltage range", "current range"):
            dimension, most = VOLTAGE, specification.voltage_ranges[-1].full_scale
            if name == "current range":
                dimension, most = CURRENT, specification.current_ranges[-1].full_scale
            has = f"ranges up to {write(most, dimension)}"
            fits, shown = value <= most, write(value, dimension)
            hint = f"write {name} = {write(most, dimension)}, or take another instrument"
        else:
            continue
        if not fits:
            work.problems.error(
                "bench-lacks-setup",
                item.value.span,
                f"this {name} is {shown}, and the bench's `{step.channel.id}` "
                f"({specification.title}) has {has}",
                hint,
            )
