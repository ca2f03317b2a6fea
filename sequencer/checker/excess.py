"""What the worst case has against a recipe: levels and limits that can leave a rating, and more.

A step is met many times on the way through loops and branches; the worst of its meetings counts,
and is said once. What is imposed is worked out elsewhere, and so are the words.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import TYPE_CHECKING

from grammar.diagnostic import Related, Span
from sequencer.checker import complaints
from sequencer.checker.abstract import Own, Programmed
from sequencer.checker.complaints import Case, Words
from sequencer.checker.facts import Checked, PartFacts
from sequencer.checker.hints import culprit_span
from sequencer.checker.imposed import ROOM, Imposed, passes
from sequencer.checker.instrument import Errors, refused
from sequencer.checker.interval import Interval

if TYPE_CHECKING:
    from drivers.specification import Specification

SOLAR = ("solar cell", "solar module", "photodiode")
EMPTIED = ("capacitor", "cell")
"""The kinds that a discharge empties, after which a source could drive them on."""
_WARNINGS = ("no-margin", "power-at-corner")

Say = Callable[[], Words]


class Excess:
    """Gathers what is found at each place, the worst of each kind, and says it at the end."""

    def __init__(self, checked: Checked) -> None:
        self.checked = checked
        self.found: dict[tuple[str, Span], tuple[float, Say]] = {}

    def keep(self, slug: str, span: Span, weight: float, say: Say) -> None:
        """Keep what is to be said, unless something weightier of its kind is known there."""
        known = self.found.get((slug, span))
        if known is None or weight > known[0]:
            self.found[slug, span] = weight, say

    def plain(
        self, slug: str, span: Span, message: str, hint: str, places: tuple[Related, ...] = ()
    ) -> None:
        """Something that is the same however often it is met."""
        self.keep(slug, span, 0.0, lambda: Words(message, hint, list(places)))

    def tell(self) -> None:
        """Say everything but what merely follows from something else that is said."""
        problems = self.checked.problems
        for (slug, span), (_, say) in self.found.items():
            if not any(_follows(slug, span, *other) for other in self.found):
                add = problems.warning if slug in _WARNINGS else problems.error
                add(slug, span, *say())

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
            planned: Interval | None = getattr(nominal, quantity)
            widened: Interval | None = getattr(real, quantity)
            if quantity not in part.ratings or planned is None or widened is None:
                continue
            for side in (1, -1):
                n, w = (i.high if side > 0 else i.low for i in (planned, widened))
                if quantity == "voltage" or n != 0:
                    case = Case(self.checked, part, p, quantity, side, n, w, errors)
                    self._side(case, specification is not None)
        self._power(part, p, real)
        if specification is not None:
            corner = refused(
                specification, p.mode, p.level.interval, Interval(p.low.low, p.high.high)
            )
            if corner is not None and all(map(math.isfinite, corner[:2])):
                known, weight = corner, abs(corner[0] * corner[1])
                self.keep(
                    "beyond-envelope",
                    p.step.span,
                    weight,
                    lambda: complaints.beyond_envelope(p, specification, known),
                )

    def _side(self, case: Case, with_bench: bool) -> None:
        """One side of one quantity against its rating."""
        part, p, quantity, side = case.part, case.p, case.quantity, case.side
        rated = side * part.ratings[quantity][side > 0]
        planned, real = side * case.planned, side * case.real
        span = culprit_span(p, quantity)
        if passes(planned, rated):
            weight = planned - rated
            emptied = p.mode == "current" and part.kind in EMPTIED
            if emptied and quantity == "voltage" and side < 0 and p.low.low == -p.high.high:
                self.keep("limit-can-reverse", span, weight, lambda: complaints.can_reverse(case))
            else:
                slug = f"{quantity}-beyond-rating"
                self.keep(slug, span, weight, lambda: complaints.beyond(case))
        elif with_bench and passes(real, rated):
            self.keep("margin-too-small", span, real - rated, lambda: complaints.too_small(case))
        elif not with_bench and abs(planned - rated) <= ROOM * abs(rated):
            self.keep("no-margin", span, 0.0, lambda: complaints.no_margin(case))

    def _power(self, part: PartFacts, p: Programmed, real: Imposed) -> None:
        rating = part.ratings.get("power")
        if rating is None:
            return
        if passes(real.into, rating[1]):
            self._too_much(part, p, 1, real.into, real.into - rating[1])
        if passes(real.out, -rating[0]):
            self._too_much(part, p, -1, real.out, real.out + rating[0])

    def _too_much(
        self, part: PartFacts, p: Programmed, side: int, watts: float, weight: float
    ) -> None:
        checked = self.checked
        if part.kind in SOLAR:
            self.keep(
                "power-at-corner",
                p.step.span,
                weight,
                lambda: complaints.at_corner(checked, part, p, watts),
            )
        else:
            self.keep(
                "power-beyond-rating",
                p.step.span,
                weight,
                lambda: complaints.too_much_power(checked, part, p, side, watts),
            )

    def takes_over(
        self, part: PartFacts, p: Programmed, own: Own, most: float, looks: bool
    ) -> None:
        """What the part forces by itself may lie outside the limit of a current source."""
        self.keep(
            "limit-takes-over",
            p.limit_node.span,
            0.0,
            lambda: complaints.takes_over(part, p, own, most, looks),
        )

    def needs_sink(self, part: PartFacts, p: Programmed) -> None:
        """Power can come out of the part, and the channel isn't declared to take it."""
        checked = self.checked
        self.keep("sink-needed", p.step.span, 0.0, lambda: complaints.sink_needed(checked, part, p))


def _follows(slug: str, span: Span, other: str, place: Span) -> bool:
    """Whether a finding only follows from another one at its place."""
    match other:
        case "division-by-zero":
            inside = span[:2] <= place[:2] and place[2:] <= span[2:]
            return inside and slug.endswith("beyond-rating")
        case "limit-reversed":
            return span == place and slug == "limit-takes-over"
        case "voltage-beyond-rating" | "current-beyond-rating":
            return span == place and slug in ("no-margin", "margin-too-small")
    return False
