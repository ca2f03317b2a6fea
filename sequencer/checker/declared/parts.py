"""Parts: their kinds, their channels, and what they bear; their facts have a file of their own.

Knows one part at a time and no step. Whether a rating suffices for what the steps do is not known
here.
"""

from __future__ import annotations

from drivers.kinds import KINDS
from grammar import tree
from grammar.diagnostic import Related, Span
from grammar.quantity import TEMPERATURE_POINT, Dimension, write
from grammar.wording import listed, near
from sequencer.checker.declared.part_facts import Found, check_fact, missing_chemistry
from sequencer.checker.expressions.readings import MEASURED
from sequencer.checker.expressions.units import Expressions
from sequencer.checker.facts import RATED, PartFacts, Type
from sequencer.checker.naming.constants import span_ends
from sequencer.checker.naming.scope import Workings, role_of
from sequencer.checker.naming.words import a, example, several, span_with_unit, with_unit

RATINGS: dict[str, Dimension] = RATED | {"temperature": TEMPERATURE_POINT}
"""All ratings; how warm a part gets by one pulse nobody states."""


_ALSO_CALLED = {
    **dict.fromkeys(("battery", "accumulator", "pack"), "cell"),
    **dict.fromkeys(("supercapacitor", "supercap", "ultracapacitor", "cap"), "capacitor"),
    **dict.fromkeys(("heater", "lamp", "bulb", "thermistor", "shunt", "load"), "resistor"),
    **dict.fromkeys(("inductor", "solenoid", "relay"), "coil"),
    **dict.fromkeys(("switch", "joint", "connector", "cable", "wire"), "contact"),
    **dict.fromkeys(("panel", "solar panel", "module"), "solar module"),
    **dict.fromkeys(("fuse", "ptc"), "resettable fuse"),
    **dict.fromkeys(("varistor", "clamp"), "suppressor"),
    **dict.fromkeys(("rectifier", "junction", "zener"), "diode"),
    **dict.fromkeys(("pump", "fan"), "motor"),
}
"""What the trade also calls a kind (common practice, no source)."""


def check_part(work: Workings, node: tree.Part) -> None:
    """One part with its ratings and facts."""
    kind = node.kind.id
    if kind not in KINDS:
        wanted = _ALSO_CALLED.get(kind.lower()) or near(kind, KINDS)
        work.problems.error(
            "unknown-kind",
            node.kind.span,
            f"“{kind}” is no kind of part that is known here",
            f"write {wanted}" if wanted else f"there are {listed(KINDS, 20)}",
        )
    work.define(node.name, "part", node=node)
    _channel(work, node)
    found = Found({}, {}, {}, {}, {})
    for rating in node.ratings:
        bounds = _rating(work, rating, found.places)
        name = rating.quantity.id
        found.places.setdefault(_place(near(name, RATINGS) or name, rating), rating.span)
        if bounds is not None:
            (found.per_pulse if rating.per_pulse else found.ratings).setdefault(name, bounds)
        if rating.by is not None:
            _watched(work, node, rating, rating.by, found.watched_by)
        elif name == "temperature" and not rating.per_pulse:
            _unwatched(work, node, rating)
    for fact in node.facts:
        check_fact(work, node, fact, found)
    missing_chemistry(work, node, found)
    facts = PartFacts(
        node.name.id,
        kind,
        node.channel.id,
        node.not_pushed,
        found.ratings,
        found.places,
        node.name.span,
        node.may_be_destroyed,
        found.per_pulse,
        found.watched_by,
        found.facts,
    )
    work.checked.parts.setdefault(node.name.id, facts)


def _channel(work: Workings, node: tree.Part) -> None:
    channel = work.resolve(node.channel, ("channel",))
    if channel is None:
        return
    if channel.role != "channel":
        work.problems.error(
            "not-a-channel",
            node.channel.span,
            f"`{node.channel.id}` is {role_of(channel)}, and a part is on a channel",
            f"write on {listed(work.checked.channels)}"
            if work.checked.channels
            else "declare one: channel smu: source, measure",
        )
        return
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
    facts = work.checked.channels.get(node.channel.id)
    if facts is not None and facts.sensed:
        work.problems.error(
            "part-on-sensor",
            node.channel.span,
            f"`{facts.name}` reads its {facts.sensed} through a sensor, and no other part is on it",
            "put the part on the channel that sources or measures it, and let this one watch it: "
            f"temperature up to 60 °C by {facts.name}",
            [Related(facts.span, "the channel")],
        )


def _place(name: str, rating: tree.Rating) -> str:
    return f"{name} per pulse" if rating.per_pulse else name


def _rating(work: Workings, node: tree.Rating, seen: dict[str, Span]) -> tuple[float, float] | None:
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
    if node.per_pulse and name not in RATED:
        work.problems.error(
            "rating-per-pulse",
            node.span,
            f"a {name} is not of one pulse",
            f"write it without `per pulse`; {listed(RATED)} may have one".replace(" or ", " and "),
        )
        return None
    place = _place(name, node)
    if place in seen:
        pulses = " for pulses" if node.per_pulse else ""
        work.problems.error(
            "twice",
            node.quantity.span,
            f"the {name} of this part is rated a second time{pulses}",
            "write the narrower one only",
            [Related(seen[place], "the first")],
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
    if name not in ("voltage", "temperature") and not bounds[0] <= 0 <= bounds[1]:
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


def _unwatched(work: Workings, node: tree.Part, rating: tree.Rating) -> None:
    """A temperature says nothing by itself: some channel must read it."""
    sensors = [n for n, facts in work.checked.channels.items() if facts.sensed == "temperature"]
    text = work.text(rating.span)
    work.meant.update(sensors)
    hint = f"write {text} by {sensors[0]}" if len(sensors) == 1 else ""
    work.problems.error(
        "temperature-unwatched",
        rating.span,
        f"nothing reads the temperature of `{node.name.id}`, and a rating is watched by a reading",
        hint or f"declare a meter, channel case: measure temperature, and write {text} by case",
    )


def _watched(
    work: Workings,
    node: tree.Part,
    rating: tree.Rating,
    by: tree.Name,
    watched_by: dict[str, str],
) -> None:
    """The channel that watches a rating; one that can't read the quantity is reported."""
    name = rating.quantity.id
    definition = work.resolve(by, ("channel",))
    if definition is None or name not in RATINGS:
        return
    if definition.role != "channel":
        work.problems.error(
            "not-a-channel",
            by.span,
            f"`{by.id}` is {role_of(definition)}, and a rating is watched by a channel",
            f"write by {listed(work.checked.channels)}",
        )
        return
    if by.id == node.channel.id:
        work.problems.error(
            "watched-by-itself",
            by.span,
            f"`{by.id}` is the channel that `{node.name.id}` is on, and watches its ratings anyway",
            f"leave `by {by.id}` out, or name another meter",
        )
        return
    facts = work.checked.channels[by.id]
    missing = [c for c in MEASURED[name] if not facts.can(c)]
    if missing:
        wanted = "measure" if len(MEASURED[name]) > 1 else missing[0]
        work.problems.error(
            "undeclared-capability",
            by.span,
            f"this watches the {name} by `{by.id}`, which is not declared to measure it",
            work.declare(by.id, wanted),
            [Related(facts.span, "the channel")],
        )
        return
    watched_by.setdefault(name, by.id)
