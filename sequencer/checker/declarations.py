"""Channels, parts with their ratings, settings, requirements and guards, as they are declared.

Fills in what the other checks look up. Whether a declaration is used, and whether it suffices for
what the steps do, is not known here.
"""

from __future__ import annotations

from collections.abc import Mapping

from drivers.kinds import KINDS
from grammar import tree
from grammar.diagnostic import Related, Span
from grammar.quantity import CHARGE, CURRENT, ENERGY, POWER, VOLTAGE, Dimension, Quantity, write
from grammar.wording import listed, near
from sequencer.checker.constants import span_ends
from sequencer.checker.facts import ChannelFacts, PartFacts, Type
from sequencer.checker.scope import Workings
from sequencer.checker.settings import check_settings
from sequencer.checker.units import Expressions
from sequencer.checker.words import a, example, several, span_with_unit, with_unit

CAPABILITIES = (
    "source",
    "sink",
    "measure",
    "measure voltage",
    "measure current",
    "measure open",
    "remote sense",
    "two-sided limit",
    "mode change under power",
    "pulse",
    "capture",
)
RATINGS: dict[str, Dimension] = {
    "voltage": VOLTAGE,
    "current": CURRENT,
    "power": POWER,
    "energy": ENERGY,
    "charge": CHARGE,
}


def check_declarations(work: Workings, overrides: Mapping[str, Quantity]) -> None:
    """All declarations; `overrides` are the settings given on the command line."""
    recipe = work.checked.recipe
    for channel in recipe.channels:
        _channel(work, channel)
    check_settings(work, overrides)
    for part in recipe.parts:
        _part(work, part)
    for require in recipe.requires:
        _require(work, require)
    for guard in recipe.guards:
        Expressions(work, "guard").condition(guard.condition)


def _channel(work: Workings, node: tree.Channel) -> None:
    work.define(node.name, "channel", node=node)
    seen: dict[str, Span] = {}
    known = True
    for capability in node.capabilities:
        text = capability.text
        if text not in CAPABILITIES:
            known = False
            wanted = _two_in_one(text) or near(text, CAPABILITIES)
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
    # Of a channel with an unknown word nobody knows what it lacks.
    capabilities = frozenset(seen if known else CAPABILITIES)
    facts = ChannelFacts(node.name.id, capabilities, node.name.span)
    work.checked.channels.setdefault(node.name.id, facts)


def _two_in_one(text: str) -> str | None:
    """Two capabilities between which the comma was forgotten, with it."""
    words = text.split()
    for k in range(1, len(words)):
        parts = " ".join(words[:k]), " ".join(words[k:])
        if all(part in CAPABILITIES for part in parts):
            return ", ".join(parts)
    return None


def _part(work: Workings, node: tree.Part) -> None:
    kind = node.kind.id
    if kind not in KINDS:
        wanted = near(kind, KINDS)
        work.problems.error(
            "unknown-kind",
            node.kind.span,
            f"“{kind}” is no kind of part that is known here",
            f"write {wanted}" if wanted else f"there are {listed(KINDS, 20)}",
        )
    work.define(node.name, "part", node=node)
    channel = work.resolve(node.channel, ("channel",))
    if channel is not None and channel.role != "channel":
        work.problems.error(
            "not-a-channel",
            node.channel.span,
            f"`{node.channel.id}` is a {channel.role}, and a part is on a channel",
            f"write on {listed(work.checked.channels)}"
            if work.checked.channels
            else "declare one: channel smu: source, measure",
        )
    elif channel is not None:
        # A part alone is no use of its channel: only a step or a guard is.
        channel.used = False
        other = work.checked.part_on(node.channel.id)
        if other is not None:
            work.problems.error(
                "channel-taken",
                node.channel.span,
                f"`{node.channel.id}` has a part already, and its terminals hold one",
                "put this part on a channel of its own, or rate the two together as one part",
                [Related(other.span, f"the part `{other.name}`")],
            )
    places: dict[str, Span] = {}
    ratings: dict[str, tuple[float, float]] = {}
    for rating in node.ratings:
        bounds = _rating(work, rating, places)
        places.setdefault(near(rating.quantity.id, RATINGS) or rating.quantity.id, rating.span)
        if bounds is not None:
            ratings.setdefault(rating.quantity.id, bounds)
    facts = PartFacts(
        node.name.id, kind, node.channel.id, node.not_pushed, ratings, places, node.name.span
    )
    work.checked.parts.setdefault(node.name.id, facts)


def _rating(
    work: Workings, node: tree.Rating, seen: Mapping[str, Span]
) -> tuple[float, float] | None:
    name = node.quantity.id
    dimension = RATINGS.get(name)
    if dimension is None:
        wanted = near(name, RATINGS)
        work.problems.error(
            "unknown-rating",
            node.quantity.span,
            f"a part has no rating of its `{name}`",
            f"write {wanted}" if wanted else f"parts are rated for {listed(RATINGS)}",
        )
        return None
    if name in seen:
        work.problems.error(
            "twice",
            node.quantity.span,
            f"the {name} of this part is rated a second time",
            "write the narrower one only",
            [Related(seen[name], "the first")],
        )
        return None
    found = Expressions(work, "require").span_of(node.bounds)
    if not found.known or found.dimension is None:
        return None
    if not isinstance(node.bounds, tree.Range | tree.Within | tree.Tolerance):
        _rating_of_one_value(work, node, found, dimension)
        return None
    if found.dimension != dimension:
        _rating_in_wrong_unit(work, node, found.dimension, dimension)
        return None
    bounds = span_ends(node.bounds, id(node.bounds) in work.checked.relative)
    if bounds is None:
        work.problems.error(
            "rating-not-a-number",
            node.bounds.span,
            f"a rating is what the maker states: its ends are numbers, as in {example(dimension)}",
            "write the numbers; a setting can't move what a part bears",
        )
        return None
    if name != "voltage" and not bounds[0] <= 0 <= bounds[1]:
        work.problems.error(
            "rating-without-zero",
            node.bounds.span,
            f"this {name} rating leaves out {write(0.0, dimension)}, "
            "which every part has when nothing flows",
            f"write {name} up to {write(bounds[1], dimension)}"
            if name in ("energy", "charge") and bounds[1] > 0
            else f"write {name} within {write(max(map(abs, bounds)), dimension)}",
        )
        return None
    return bounds


def _rating_of_one_value(
    work: Workings, node: tree.Rating, found: Type, dimension: Dimension
) -> None:
    text = work.text(node.bounds.span)
    if found.dimension is not None and found.dimension.is_plain:
        text = with_unit(node.bounds, dimension)
    name = node.quantity.id
    forms = {
        "voltage": f"voltage 0 {dimension.unit} to {text}, or voltage within {text}",
        "current": f"current within {text}, or current 0 {dimension.unit} to {text}",
    }
    work.problems.error(
        "not-a-span",
        node.bounds.span,
        "a rating is a span, and this is a single value",
        "write " + forms.get(name, f"{name} up to {text}"),
    )


def _rating_in_wrong_unit(
    work: Workings, node: tree.Rating, found: Dimension, dimension: Dimension
) -> None:
    name = node.quantity.id
    slug, hint = "wrong-unit", f"{a(dimension)} is written as in {example(dimension)}"
    if found.is_plain:
        slug, hint = "missing-unit", f"write {name} {span_with_unit(node.bounds, dimension)}"
    rated = next((r for r, d in RATINGS.items() if d == found), None)
    if rated is not None:
        hint = f"write {rated} {work.text(node.bounds.span)}, or a span of {several(dimension)}"
    work.problems.error(
        slug,
        node.bounds.span,
        f"the {name} rating is a span of {several(found)}, expected {several(dimension)}",
        hint,
    )


def _require(work: Workings, node: tree.Require) -> None:
    Expressions(work, "require").condition(node.condition)
    if work.folding.truth(node.condition) is not False:
        return
    from sequencer.checker.amounts import definitions_in

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
        f"change one of {', '.join(values)}" if values else "",
        [Related(d.span, f"`{d.name}` is defined here") for d in found],
    )
