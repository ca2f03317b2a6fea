"""What the worst case has against a recipe: levels and limits that can leave a rating, and the like.

A step is met many times on the way through loops and branches; the worst of its meetings counts,
and is said once. Words of the trade, the part's rating beside it, and what to write instead. What
can be imposed is worked out elsewhere.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import TYPE_CHECKING

from grammar import tree
from grammar.diagnostic import Related, Span
from grammar.quantity import CURRENT, POWER, TIME, VOLTAGE, Dimension, write
from sequencer.checker.abstract import Own, Programmed
from sequencer.checker.facts import Checked, PartFacts
from sequencer.checker.imposed import ROOM, Imposed, passes
from sequencer.checker.instrument import Errors, refused
from sequencer.checker.interval import Interval
from sequencer.checker.scope import nodes_of
from sequencer.checker.words import written

if TYPE_CHECKING:
    from drivers.specification import Specification

DIMENSIONS = {"voltage": VOLTAGE, "current": CURRENT, "power": POWER}
SOLAR = ("solar cell", "solar module", "photodiode")
_MARGIN = 0.95
"""What the hints keep to a rating: 5 % (common practice, no source)."""

Say = Callable[[], None]


class Excess:
    """Gathers what is found at each place, the worst of each kind, and says it at the end."""

    def __init__(self, checked: Checked) -> None:
        self.checked = checked
        self.problems = checked.problems
        self.found: dict[tuple[str, Span], tuple[float, Say]] = {}

    def keep(self, slug: str, span: Span, weight: float, say: Say) -> None:
        """Keep what is to be said, unless something weightier of its kind is known there."""
        known = self.found.get((slug, span))
        if known is None or weight > known[0]:
            self.found[slug, span] = weight, say

    def tell(self) -> None:
        """Say everything, in the order of the text; a lack of margin only where nothing is worse."""
        beyond = {span for slug, span in self.found if slug.endswith("beyond-rating")}
        for (slug, span), (_, say) in sorted(self.found.items(), key=lambda item: item[0][1]):
            if not (slug in ("no-margin", "margin-too-small") and span in beyond):
                say()

    def judge(
        self,
        part: PartFacts,
        p: Programmed,
        nominal: Imposed,
        real: Imposed,
        errors: Errors,
        specification: Specification | None,
    ) -> None:
        """Set what is imposed against the part's ratings and against the instrument's envelope.

        `nominal` is as programmed, `real` with the instrument's errors.
        """
        for quantity in ("voltage", "current"):
            rating = part.ratings.get(quantity)
            planned: Interval | None = getattr(nominal, quantity)
            widened: Interval | None = getattr(real, quantity)
            if rating is None or planned is None or widened is None:
                continue
            for side in (1, -1):
                n, w, r = ((i[1] if side > 0 else -i[0]) for i in (planned, widened, rating))
                if quantity == "current" and n == 0:
                    continue
                self._side(part, p, quantity, side, (n, w, r), errors, specification)
        self._power(part, p, nominal, real)
        if specification is not None:
            self._envelope(p, specification)

    def _side(
        self,
        part: PartFacts,
        p: Programmed,
        quantity: str,
        side: int,
        figures: tuple[float, float, float],
        errors: Errors,
        specification: Specification | None,
    ) -> None:
        """One side of one quantity; the figures are planned, real and rated, times the side."""
        planned, real, rated = figures
        node = self._culprit(p, quantity)
        span = self._span(p, node)
        if passes(planned, rated):
            if quantity == "voltage" and p.mode == "current" and side < 0:
                reverses = p.low.high == -p.high.low or p.low.low == -p.high.high
                if reverses and part.kind in ("capacitor", "cell", *SOLAR):
                    self.keep(
                        "limit-can-reverse",
                        span,
                        planned - rated,
                        lambda: self._reverses(part, p, -planned, span),
                    )
                    return
            slug = f"{quantity}-beyond-rating"
            self.keep(
                slug,
                span,
                planned - rated,
                lambda: self._beyond(slug, part, p, quantity, side, side * planned, span),
            )
        elif specification is not None and passes(real, rated):
            self.keep(
                "margin-too-small",
                span,
                real - rated,
                lambda: self._too_small(part, p, quantity, side, planned, real, errors, span),
            )
        elif specification is None and abs(planned - rated) <= ROOM * abs(rated):
            self.keep(
                "no-margin", span, 0.0, lambda: self._no_margin(part, p, quantity, side, span)
            )

    def _culprit(self, p: Programmed, quantity: str) -> tree.Expression | None:
        """The limit where it holds the quantity; None stands for the level."""
        return None if p.mode == quantity else p.limit_node

    def _span(self, p: Programmed, node: tree.Expression | None) -> Span:
        if node is not None:
            return node.span
        if isinstance(p.step, tree.Sweep):
            return p.step.first.span.to(p.step.last.span)
        return p.step.level.span

    def _beyond(
        self,
        slug: str,
        part: PartFacts,
        p: Programmed,
        quantity: str,
        side: int,
        value: float,
        span: Span,
    ) -> None:
        dimension = DIMENSIONS[quantity]
        text = write(value, dimension)
        direction = "" if side > 0 else "down "
        if p.mode == quantity:
            message = f"this level can go {direction}to {text}"
            if isinstance(p.step, tree.Sweep):
                message = f"this sweep can go {direction}to {text}"
            if math.isinf(value):
                message = "nothing bounds this level"
        elif quantity == "voltage":
            message = f"this limit lets the source drive `{part.name}` {direction or 'up '}to {text}"
        else:
            way = "into" if side > 0 else "out of"
            if side < 0 and part.kind in ("diode", "LED", "laser diode"):
                way = "backwards through"
            message = f"this limit lets {write(abs(value), dimension)} flow {way} `{part.name}`"
        if math.isinf(value) and p.mode != quantity:
            message = "nothing bounds this limit"
        self.problems.error(
            slug,
            span,
            f"{message}, and it bears {self._bears(part, quantity, side)}"
            if f"`{part.name}`" in message
            else f"{message}, and `{part.name}` bears {self._bears(part, quantity, side)}",
            self._hint(part, p, quantity, side),
            self._related(part, p, quantity),
        )

    def _bears(self, part: PartFacts, quantity: str, side: int) -> str:
        low, high = part.ratings[quantity]
        if side > 0:
            return f"{write(high, DIMENSIONS[quantity])} at most"
        return f"no less than {write(low, DIMENSIONS[quantity])}"

    def _hint(self, part: PartFacts, p: Programmed, quantity: str, side: int) -> str:
        dimension = DIMENSIONS[quantity]
        fit = write(fitting(part.ratings[quantity], side), dimension)
        if p.mode != quantity:
            return self._limit_hint(part, p, quantity)
        node = p.step.last if isinstance(p.step, tree.Sweep) else p.step.level
        if isinstance(node, tree.Name) and node.id in self.checked.settings:
            facts = self.checked.settings[node.id]
            if facts.low is not None and facts.high is not None:
                ends = (
                    f"{write(facts.low, dimension)} to {fit}"
                    if side > 0
                    else f"{fit} to {write(facts.high, dimension)}"
                )
                return f"narrow the span of the setting: in {ends}"
        if any(isinstance(inner, tree.Member | tree.Name) for inner in nodes_of(node)):
            text = written(self.problems.source, node.span)
            return f"bound it, as in {'min' if side > 0 else 'max'}({text}, {fit})"
        return f"write {fit} or {'less' if side > 0 else 'more'}, which keeps a margin to the rating"

    def _limit_hint(self, part: PartFacts, p: Programmed, quantity: str) -> str:
        """A limit that fits, as the channel can hold it."""
        low, high = part.ratings[quantity]
        dimension = DIMENSIONS[quantity]
        channel = self.checked.channels[part.channel]
        if abs(low + high) <= ROOM * abs(high):
            return (
                f"write limit {part.name}, which stands for its rating less a margin, or limit "
                f"{write(fitting((low, high), 1), dimension)}"
            )
        if channel.can("two-sided limit"):
            ends = (write(fitting((low, high), side), dimension) for side in (-1, 1))
            return f"write limit {' to '.join(ends)}, which keeps a margin to the rating"
        fit = write(min(abs(fitting((low, high), side)) for side in (-1, 1)), dimension)
        if quantity == "current" and min(abs(low), abs(high)) > 0:
            return f"write limit {fit}, which holds on both sides"
        return (
            f"write limit {write(fitting((low, high), 1), dimension)}; where one side must be "
            f"narrower, write two-sided limit behind `channel {part.channel}:` and a span, if the "
            "instrument can do that"
        )

    def _reverses(self, part: PartFacts, p: Programmed, value: float, span: Span) -> None:
        rating = part.ratings["voltage"]
        low, high = fitting(rating, -1), min(fitting(rating, 1), p.high.low)
        channel, current = part.channel, write(p.level.interval.reach, CURRENT)
        two_sided = f"limit {write(low, VOLTAGE)} to {write(max(high, low), VOLTAGE)}"
        instead = f"source {channel} voltage {write(low, VOLTAGE)}, limit {current}"
        if self.checked.channels[channel].can("two-sided limit"):
            hint = f"write {two_sided}, or {instead}, which can't reverse it"
        else:
            hint = (
                f"write {instead}, which empties it as fast and can't reverse it; or {two_sided} "
                f"and `two-sided limit` behind `channel {channel}:`, if the instrument can do that"
            )
        self.problems.error(
            "limit-can-reverse",
            span,
            f"once `{part.name}` is empty, this limit lets the source drive it on to "
            f"{write(value, VOLTAGE)}, and it bears no less than {write(rating[0], VOLTAGE)}",
            hint,
            self._related(part, p, "voltage"),
        )

    def _too_small(
        self,
        part: PartFacts,
        p: Programmed,
        quantity: str,
        side: int,
        planned: float,
        real: float,
        errors: Errors,
        span: Span,
    ) -> None:
        dimension, error = DIMENSIONS[quantity], errors.of(quantity)
        self.problems.error(
            "margin-too-small",
            span,
            f"{write(side * planned, dimension)} may turn out as {write(side * real, dimension)} "
            f"with this instrument (its error {write(error.accuracy(planned), dimension, 3)}, its "
            f"overshoot {write(error.overshoot, dimension, 3)}), and `{part.name}` bears "
            + self._bears(part, quantity, side),
            self._hint(part, p, quantity, side),
            self._related(part, p, quantity),
        )

    def _no_margin(
        self, part: PartFacts, p: Programmed, quantity: str, side: int, span: Span
    ) -> None:
        what = "level" if p.mode == quantity else "limit"
        self.problems.warning(
            "no-margin",
            span,
            f"this {what} reaches what `{part.name}` bears, "
            f"{write(part.ratings[quantity][side > 0], DIMENSIONS[quantity])}, with no margin for "
            "the instrument's error",
            self._hint(part, p, quantity, side),
            self._related(part, p, quantity),
        )

    def _related(self, part: PartFacts, p: Programmed, quantity: str) -> list[Related]:
        """The rating, and the settings that the culprit hangs on."""
        node = self._culprit(p, quantity) if quantity != "power" else None
        nodes: list[tree.Expression] = [node] if node is not None else []
        if not nodes:
            step = p.step
            nodes = [step.first, step.last] if isinstance(step, tree.Sweep) else [step.level]
        related = [Related(part.places[quantity], f"what `{part.name}` bears")]
        for inner in nodes_of(tuple(nodes)):
            facts = self.checked.settings.get(inner.id) if isinstance(inner, tree.Name) else None
            if facts is not None and facts.low is not None and facts.high is not None:
                span = f"{write(facts.low, facts.dimension)} to {write(facts.high, facts.dimension)}"
                place = Related(facts.span, f"it may be anything in {span}")
                if place not in related:
                    related.append(place)
        return related

    def _power(self, part: PartFacts, p: Programmed, nominal: Imposed, real: Imposed) -> None:
        rating = part.ratings.get("power")
        if rating is None:
            return
        for side, value, plain in ((1, real.into, nominal.into), (-1, real.out, nominal.out)):
            rated = side * rating[side > 0]
            if not passes(value, rated):
                continue
            span = p.step.span if plain < math.inf else self._span(p, None)
            corner = part.kind in SOLAR
            slug = "power-at-corner" if corner else "power-beyond-rating"
            self.keep(
                slug,
                span,
                value - rated,
                lambda side=side, value=value, span=span: self._too_much(  # type: ignore[misc]
                    part, p, side, value, span
                ),
            )

    def _too_much(
        self, part: PartFacts, p: Programmed, side: int, value: float, span: Span
    ) -> None:
        way = "go into" if side > 0 else "come out of"
        rated = abs(part.ratings["power"][side > 0])
        message = f"up to {write(value, POWER, 3)} can {way} `{part.name}` here"
        bears = f"and it bears {write(rated, POWER)}"
        related = self._related(part, p, "power")
        if part.kind in SOLAR:
            self.problems.warning(
                "power-at-corner",
                span,
                f"the corner of highest voltage and highest current together is "
                f"{write(value, POWER, 3)}, {bears}",
                f"a {part.kind} never gives both at once; the power guard holds it",
                related,
            )
            return
        reach = p.level.interval.reach
        if side < 0 and p.mode == "voltage":
            reach = max(map(abs, part.ratings["voltage"]))
        hint = "lower the level or the limit: their product is what counts"
        if 0 < reach < math.inf and rated > 0 and (p.mode == "voltage" or side > 0):
            other = CURRENT if p.mode == "voltage" else VOLTAGE
            fit = write(rounded_down(_MARGIN * rated / reach), other)
            hint = f"write limit {fit} or less, or lower the level: their product is what counts"
        self.problems.error("power-beyond-rating", span, f"{message}, {bears}", hint, related)

    def _envelope(self, p: Programmed, specification: Specification) -> None:
        corner = refused(
            specification, p.mode, p.level.interval, Interval(p.low.low, p.high.high)
        )
        if corner is None or not all(map(math.isfinite, corner[:2])):
            return
        volts, amperes, how = corner
        name = p.step.channel.id
        most = f"{write(abs(amperes), CURRENT)} at {write(abs(volts), VOLTAGE)}"
        verb = {"source": f"source {most}", "sink": f"take back {most}"}.get(how, "")
        message = f"the bench's `{name}` ({specification.title}) can't {verb} continuously"
        if how == "range":
            message = (
                f"{most} is beyond the largest ranges of the bench's `{name}` "
                f"({specification.title})"
            )
        kind = "sink" if how == "sink" else "source"
        rectangles = [r for r in specification.continuous if r.direction in (kind, "both")]
        bears = " or ".join(
            f"{write(r.current, CURRENT)} up to {write(r.voltage, VOLTAGE)}" for r in rectangles
        )
        span = p.step.span
        self.keep(
            "beyond-envelope",
            span,
            abs(volts * amperes),
            lambda: self.problems.error(
                "beyond-envelope",
                span,
                message,
                (f"as a {kind} it bears {bears}: " if bears else "")
                + "lower the level or the limit, or take another instrument",
            ),
        )

    def takes_over(self, part: PartFacts, p: Programmed, own: Own, most: float) -> None:
        """What the part forces by itself may lie outside the limit of a current source."""
        held, span = own.interval, p.limit_node.span
        current = "all the current that it has"
        if math.isfinite(most):
            current = f"up to {write(most, CURRENT)}"
        what = f"anything from {write(held.low, VOLTAGE)} to {write(held.high, VOLTAGE)}"
        if held.low == held.high:
            what = write(held.low, VOLTAGE)
        limit = f"{write(p.low.high, VOLTAGE)} to {write(p.high.low, VOLTAGE)}"
        self.keep(
            "limit-takes-over",
            span,
            0.0,
            lambda: self.problems.error(
                "limit-takes-over",
                span,
                f"`{part.name}` may hold {what} here, and this limit is {limit}: outside of it the "
                f"limit takes over, and the instrument pushes {current} the other way",
                f"write limit {write(held.low, VOLTAGE)} to {write(held.high, VOLTAGE)}, or output "
                f"{part.channel} off before it and on after it, which looks at the part anew",
                [Related(part.places["voltage"], f"what `{part.name}` bears")],
            ),
        )

    def needs_sink(self, part: PartFacts, p: Programmed) -> None:
        """Power can come out of the part, and the channel isn't declared to take it."""
        name, span = part.channel, p.step.span
        instead = ""
        if p.mode == "voltage":
            high = write(p.high.high, CURRENT)
            instead = f"; or limit 0 A to {high}, with `two-sided limit`, which lets none out"
        self.keep(
            "sink-needed",
            span,
            0.0,
            lambda: self.problems.error(
                "sink-needed",
                span,
                f"power can come out of `{part.name}` here, and `{name}` is not declared to take "
                "it",
                f"write sink behind `channel {name}:` where the instrument can do that{instead}",
                [
                    Related(self.checked.channels[name].span, "the channel"),
                    Related(part.places["voltage"], f"what `{part.name}` may hold"),
                ],
            ),
        )

    def plain(
        self, slug: str, span: Span, message: str, hint: str, related: tuple[Related, ...] = ()
    ) -> None:
        """Something that is the same however often it is met."""
        self.keep(
            slug, span, 0.0, lambda: self.problems.error(slug, span, message, hint, related)
        )


def fitting(rating: tuple[float, float], side: int) -> float:
    """A value that keeps a margin to one end of a rating, in two digits; zero where it has room."""
    low, high = rating
    if side < 0:
        if low < 0 and -low < 0.2 * high:
            return 0.0
        return -fitting((-high, -low), 1)
    if high > 0:
        return rounded_down(_MARGIN * high)
    return -rounded_down(-high / _MARGIN * 1.1) if high < 0 else 0.0


def rounded_down(value: float) -> float:
    """A positive value rounded down to two significant digits."""
    if not 0 < value < math.inf:
        return value
    step = 10.0 ** (math.floor(math.log10(value)) - 1)
    return float(f"{math.floor(value / step * (1 + 1e-12)) * step:.6g}")


def duration(value: float) -> str:
    """A time for a message."""
    return write(value, TIME)
