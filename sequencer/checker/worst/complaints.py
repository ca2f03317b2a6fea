"""The words for what the worst case has against a recipe: message, what to write instead, places.

Each function words one kind of finding for one case. What counts as a finding, and which case is
the worst, is decided elsewhere.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, NamedTuple

from drivers.kinds import KINDS, ONE_WAY
from grammar import tree
from grammar.diagnostic import Related
from grammar.quantity import CHARGE, CURRENT, ENERGY, POWER, VOLTAGE, write
from sequencer.checker.facts import RATED, Checked, PartFacts
from sequencer.checker.worst.abstract import Own, Programmed
from sequencer.checker.worst.envelope import Beyond
from sequencer.checker.worst.hints import (
    MARGIN,
    bears,
    fitting,
    instead,
    related,
    rounded_down,
)
from sequencer.checker.worst.instrument import Errors

if TYPE_CHECKING:
    from drivers.figures import Rectangle
    from drivers.specification import Specification


class Words(NamedTuple):
    """A message, what to write instead, and the places beside it."""

    message: str
    hint: str
    related: list[Related]


class Case(NamedTuple):
    """One side of one quantity of a part under one program.

    `side` is 1 for the upper and -1 for the lower one; `planned` is what is programmed and `real`
    what the instrument may make of it, in SI.
    """

    checked: Checked
    part: PartFacts
    p: Programmed
    quantity: str
    side: int
    planned: float
    real: float
    errors: Errors

    def worded(self, message: str) -> Words:
        """With what to write instead, and the rating."""
        checked, part, p, quantity, side = self[:5]
        hint = instead(checked, part, p, quantity, side)
        return Words(message, hint, related(checked, part, p, quantity))


def beyond(case: Case) -> Words:
    """A level or limit that leaves a rating."""
    _, part, p, quantity, side, value, *_ = case
    text = write(value, RATED[quantity])
    subject = f"`{part.name}`"
    if p.mode == quantity:
        what = "sweep" if isinstance(p.step, tree.Sweep) else "level"
        message = f"this {what} can go {'' if side > 0 else 'down '}to {text}"
        if math.isinf(value):
            message = f"nothing bounds this {what}"
    elif math.isinf(value):
        message = "nothing bounds this limit"
    else:
        subject = "it"
        if quantity == "voltage":
            way = "up" if side > 0 else "down"
            message = f"this limit lets the source drive `{part.name}` {way} to {text}"
        else:
            way = "into" if side > 0 else "out of"
            if side < 0 and part.kind in ONE_WAY:
                way = "backwards through"
            size = write(abs(value), RATED[quantity])
            message = f"this limit lets {size} flow {way} `{part.name}`"
    return case.worded(f"{message}, and {subject} bears {bears(part, quantity, side)}")


def can_reverse(case: Case) -> Words:
    """A symmetric voltage limit under a current that empties a part which must not be reversed."""
    checked, part, p, *_ = case
    rating = part.ratings["voltage"]
    low = fitting(rating, -1)
    high = max(min(fitting(rating, 1), p.high.low), low)
    channel, current = part.channel, write(p.level.interval.reach, CURRENT)
    two_sided = f"limit {write(low, VOLTAGE)} to {write(high, VOLTAGE)}"
    other = f"source {channel} voltage {write(low, VOLTAGE)}, limit {current}"
    if checked.channels[channel].can("two-sided limit"):
        hint = f"write {two_sided}; or {other}, which empties it as well and can't reverse it"
    else:
        hint = (
            f"write {other}, which empties it as well and can't reverse it; or {two_sided} and "
            f"`two-sided limit` behind `channel {channel}:`, if the instrument can do that"
        )
    return Words(
        f"once `{part.name}` is empty, this limit lets the source drive it on to "
        f"{write(case.planned, VOLTAGE)}, and it bears no less than {write(rating[0], VOLTAGE)}",
        hint,
        related(checked, part, p, "voltage"),
    )


def too_small(case: Case) -> Words:
    """A margin to the rating that is smaller than what the instrument may be off."""
    _, part, _, quantity, side, planned, real, errors = case
    dimension, error = RATED[quantity], errors.of(quantity)
    return case.worded(
        f"{write(planned, dimension)} may turn out as {write(real, dimension)} with this "
        f"instrument (error {write(error.accuracy(planned), dimension, 3)}, overshoot "
        f"{write(error.overshoot, dimension, 3)}), and `{part.name}` bears "
        + bears(part, quantity, side)
    )


def offset_reverses(checked: Checked, part: PartFacts, p: Programmed, least: float) -> Words:
    """A level that the instrument's offset may turn round, into a part that blocks that."""
    return Words(
        f"a level of {write(p.level.low, CURRENT)} may turn out as {write(least, CURRENT, 2)} with "
        f"this instrument, and `{part.name}` blocks that: its voltage then goes down to the limit, "
        f"{write(p.low.low, VOLTAGE)}, and it bears {bears(part, 'voltage', -1)}",
        instead(checked, part, p, "voltage", -1),
        related(checked, part, p, "voltage"),
    )


def no_margin(case: Case) -> Words:
    """A level or limit that reaches the rating, with no instrument known."""
    _, part, p, quantity, side, *_ = case
    what = "level" if p.mode == quantity else "limit"
    rated = write(part.ratings[quantity][side > 0], RATED[quantity])
    return case.worded(
        f"this {what} reaches what `{part.name}` bears, {rated}, with no margin for the "
        "instrument's error"
    )


def too_much_power(checked: Checked, part: PartFacts, p: Programmed, side: int, w: float) -> Words:
    """More power into a part (side 1) or out of it (-1) than it bears."""
    way = "go into" if side > 0 else "come out of"
    rated = abs(part.ratings["power"][side > 0])
    reach = p.level.interval.reach
    if side < 0 and p.mode == "voltage":
        reach = max(map(abs, part.ratings["voltage"]))
    hint = "lower the level or the limit: their product is what counts"
    if 0 < reach < math.inf and rated > 0 and (p.mode == "voltage" or side > 0):
        other = CURRENT if p.mode == "voltage" else VOLTAGE
        fit = write(rounded_down((1 - MARGIN) * rated / reach), other)
        hint = f"write limit {fit} or less, or lower the level: their product is what counts"
    size = f"up to {write(w, POWER, 3)} can {way} `{part.name}` here"
    if math.isinf(w):
        size = f"nothing bounds the power that can {way} `{part.name}` here"
    return Words(
        f"{size}, and it bears {write(rated, POWER)}",
        hint,
        related(checked, part, p, "power"),
    )


def at_corner(checked: Checked, part: PartFacts, p: Programmed, w: float) -> Words:
    """A solar part's highest voltage and highest current together, which it never gives."""
    return Words(
        f"the corner of highest voltage and highest current of `{part.name}` together is "
        f"{write(w, POWER, 3)}, and it bears {write(max(map(abs, _ends(part))), POWER)}",
        f"a {part.kind} never gives both at once: the power guard alone holds this",
        related(checked, part, p, "power"),
    )


def _ends(part: PartFacts) -> list[float]:
    return [end for end in part.ratings["power"] if math.isfinite(end)]


def takes_over(part: PartFacts, p: Programmed, own: Own, most: float, looks: bool) -> Words:
    """What the part forces by itself may lie outside the limit of a current source.

    `looks` says whether the runner can look at the part before power.
    """
    held = own.interval
    ends = f"{write(held.low, VOLTAGE)} to {write(held.high, VOLTAGE)}"
    what = f"anything from {ends}" if held.low < held.high else write(held.low, VOLTAGE)
    current = "all the current it has"
    if math.isfinite(most):
        current = f"up to {write(most, CURRENT)}"
    hint = f"write a limit that holds {what}"
    if KINDS[part.kind].forces == "within its rating":
        hint = (
            f"write limit {ends}; or output {part.channel} off before this step and on after it, "
            "so that the part is looked at anew"
        )
        if not looks:
            hint = (
                f"write measure open behind `channel {part.channel}:`, so that the part is looked "
                f"at before power, where the instrument can do that; or limit {ends}"
            )
    return Words(
        f"`{part.name}` may hold {what} here, and this limit is {write(p.low.high, VOLTAGE)} to "
        f"{write(p.high.low, VOLTAGE)}: outside of it the limit takes over, and the instrument "
        f"pushes {current} the other way",
        hint,
        [Related(part.places["voltage"], f"what `{part.name}` bears")],
    )


def sink_needed(checked: Checked, part: PartFacts, p: Programmed) -> Words:
    """Power can come out of the part, and the channel isn't declared to take it."""
    name = part.channel
    hint = f"write sink behind `channel {name}:` where the instrument can do that"
    low, top = part.ratings["voltage"]
    if p.mode == "voltage" and low < 0 and p.low.low >= 0:
        span = f"voltage {write(0.0, VOLTAGE)} to {write(top, VOLTAGE)}"
        hint += f"; or, if the part can't be the other way round, {span} as what it bears"
    elif p.mode == "voltage":
        high = write(p.high.high, CURRENT)
        hint += f"; or two-sided limit there and limit 0 A to {high} here, which lets none out"
    return Words(
        f"power can come out of `{part.name}` here, and `{name}` is not declared to take it",
        hint,
        [
            Related(checked.channels[name].span, "the channel"),
            Related(part.places["voltage"], f"what `{part.name}` may hold"),
        ],
    )


def beyond_envelope(
    part: PartFacts, p: Programmed, specification: Specification, beyond: Beyond
) -> Words:
    """A level with its limit that the instrument doesn't bear."""
    corner, why = beyond
    name = p.step.channel.id
    most = f"{write(abs(corner.amperes), CURRENT)} at {write(abs(corner.volts), VOLTAGE)}"
    who = f"the bench's `{name}` ({specification.title})"
    if why == "range":
        return Words(
            f"{most} is beyond the largest ranges of {who}",
            f"it has {write(specification.voltage_ranges[-1].full_scale, VOLTAGE)} and "
            f"{write(specification.current_ranges[-1].full_scale, CURRENT)}: lower the level or "
            "the limit, or take another instrument",
            [],
        )
    verb = "take back" if corner.way == "sink" else "source"
    places = []
    low, high = part.ratings["voltage"]
    if corner.brought and low <= corner.volts <= high:
        places = [Related(part.places["voltage"], f"what `{part.name}` may hold")]
    if why not in ("continuous", "pulsed"):
        return Words(
            f"{who} can't {verb} {most} in this pulse: {why}",
            "make the pulse shorter or its period longer, or lower the level or the limit",
            places,
        )
    rectangles: Sequence[Rectangle] = specification.continuous
    how = "continuously"
    if why == "pulsed":
        rectangles, how = specification.pulsed, "in pulses either"
    borne = " or ".join(
        f"{write(r.current, CURRENT)} up to {write(r.voltage, VOLTAGE)}"
        for r in rectangles
        if r.direction in (corner.way, "both")
    )
    return Words(
        f"{who} can't {verb} {most} {how}",
        f"as a {corner.way} it bears {borne or 'none'}: lower the level or the limit, or take "
        "another instrument",
        places,
    )


def carries(
    checked: Checked, part: PartFacts, p: Programmed, quantity: str, amount: float
) -> Words:
    """A pulse that carries more energy or charge than the part bears of one."""
    dimension = {"energy": ENERGY, "charge": CHARGE}[quantity]
    low, high = part.per_pulse[quantity]
    way = "into" if amount > 0 else "out of"
    bound = high if amount > 0 else -low
    size = f"a pulse can carry {write(abs(amount), dimension, 3)} {way} `{part.name}`"
    if math.isinf(amount):
        size = f"nothing bounds what a pulse can carry {way} `{part.name}`"
    factors = "level, limit and width" if quantity == "energy" else "current and width"
    return Words(
        f"{size}, and it bears {write(bound, dimension)} per pulse",
        f"make it shorter, or lower the level or the limit: {factors} multiplied count",
        related(checked, part, p, f"{quantity} per pulse"),
    )


def mean(checked: Checked, part: PartFacts, p: Programmed, side: int, watts: float) -> Words:
    """A train of pulses whose mean power is more than the part bears."""
    way = "into" if side > 0 else "out of"
    rated = abs(part.ratings["power"][side > 0])
    size = f"in the mean these pulses can bring {write(watts, POWER, 3)} {way} `{part.name}`"
    if math.isinf(watts):
        size = f"nothing bounds the mean power that these pulses can bring {way} `{part.name}`"
    return Words(
        f"{size}, and it bears {write(rated, POWER)}",
        "make the period longer or the pulses shorter, or lower the level or the limit",
        related(checked, part, p, "power"),
    )
