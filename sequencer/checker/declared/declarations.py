"""Channels, digital lines, settings, requirements and guards, as they are declared.

Fills in what the other checks look up. Whether a declaration is used, and whether it suffices for
what the steps do, is not known here.
"""

from __future__ import annotations

from collections.abc import Mapping

from drivers.sensed import SENSED
from grammar import tree
from grammar.diagnostic import Related, Span
from grammar.quantity import Quantity, write
from grammar.wording import listed, near
from sequencer.checker.declared.parts import check_part
from sequencer.checker.declared.settings import check_settings
from sequencer.checker.expressions.amounts import definitions_in
from sequencer.checker.expressions.units import Expressions
from sequencer.checker.facts import ChannelFacts, DigitalFacts
from sequencer.checker.naming.scope import Workings

CAPABILITIES = (
    "source",
    "sink",
    "measure",
    "measure voltage",
    "measure current",
    *(f"measure {name}" for name in SENSED),
    "measure open",
    "remote sense",
    "two-sided limit",
    "mode change under power",
    "pulse",
    "capture",
)
_OF_SENSORS = frozenset(f"measure {name}" for name in SENSED)


def check_declarations(work: Workings, overrides: Mapping[str, Quantity]) -> None:
    """All declarations; `overrides` are the settings given on the command line."""
    recipe = work.checked.recipe
    for channel in recipe.channels:
        _channel(work, channel)
    for line in recipe.digital:
        _digital(work, line)
    check_settings(work, overrides)
    for part in recipe.parts:
        check_part(work, part)
    for require in recipe.requires:
        _require(work, require)
    for guard in recipe.guards:
        Expressions(work, "guard").condition(guard.condition)


def _channel(work: Workings, node: tree.Channel) -> None:
    work.define(node.name, "channel", node=node)
    seen: dict[str, Span] = {}
    meant: set[str] | None = None
    for capability in node.capabilities:
        text = capability.text
        if text not in CAPABILITIES:
            wanted = _two_in_one(text) or near(text, CAPABILITIES)
            # Of a channel with an unknown word nobody knows what it lacks.
            meant = set(CAPABILITIES) - _OF_SENSORS
            if wanted is not None and wanted in _OF_SENSORS:
                meant = {wanted}
            work.problems.error(
                "unknown-capability",
                capability.span,
                f"“{text}” is nothing that a channel can be asked to do",
                f"write {wanted}" if wanted else f"there are {listed(CAPABILITIES, 20)}",
            )
        elif text in seen:
            work.problems.error(
                "twice",
                capability.span,
                f"`{text}` stands here a second time",
                "write it once",
                [Related(seen[text], "the first")],
            )
        seen.setdefault(text, capability.span)
    if meant is None:
        meant = _one_sensor(work, node)
    capabilities = frozenset(seen if meant is None else meant)
    facts = ChannelFacts(node.name.id, capabilities, node.name.span)
    work.checked.channels.setdefault(node.name.id, facts)


def _one_sensor(work: Workings, node: tree.Channel) -> set[str] | None:
    """A channel that reads a sensor reads that alone: its own terminals are the sensor's.

    Gives what is left of what it is asked for where that is reported, else None.
    """
    first = next((c for c in node.capabilities if c.text in _OF_SENSORS), None)
    if first is None:
        return None
    for capability in node.capabilities:
        if capability.text != first.text:
            work.problems.error(
                "sensor-and-more",
                capability.span,
                f"`{node.name.id}` reads a sensor, and can't be asked for `{capability.text}` "
                "as well",
                f"write it on a channel of its own: channel {node.name.id}_2: {capability.text}",
                [Related(first.span, "the sensor's quantity")],
            )
            return {first.text}
    return None


def _digital(work: Workings, node: tree.Digital) -> None:
    work.define(node.name, "digital line", node=node)
    if node.output and node.rests_high is None:
        work.problems.error(
            "no-rest-state",
            node.span,
            f"nothing says how the output `{node.name.id}` rests when the run has ended",
            f"write its safe state: digital {node.name.id}: output, rests low",
        )
    facts = DigitalFacts(node.name.id, node.output, node.rests_high, node.name.span)
    work.checked.digital.setdefault(node.name.id, facts)


def _two_in_one(text: str) -> str | None:
    """Two capabilities between which the comma was forgotten, with it."""
    words = text.split()
    for k in range(1, len(words)):
        parts = " ".join(words[:k]), " ".join(words[k:])
        if all(part in CAPABILITIES for part in parts):
            return ", ".join(parts)
    return None


def _require(work: Workings, node: tree.Require) -> None:
    Expressions(work, "require").condition(node.condition)
    if work.folding.truth(node.condition) is not False:
        return

    found = dict.fromkeys(definitions_in(work, node.condition))
    values = [
        f"{d.name} = {write(facts.value, facts.dimension)}"
        for d in found
        if (facts := work.checked.settings.get(d.name)) is not None
    ]
    why = f": {node.why}" if node.why else ""
    work.problems.error(
        "requirement-not-met",
        node.condition.span,
        f"with the settings in force this requirement is not met{why}",
        f"change one of {', '.join(values)}" if values else "no setting is in it: correct it",
        [Related(d.span, f"`{d.name}` is defined here") for d in found],
    )
