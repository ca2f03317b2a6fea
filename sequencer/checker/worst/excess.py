"""What the worst case has against a recipe: levels and limits that can leave a rating, and more.

A step is met many times on the way through loops and branches; the worst of its meetings counts,
and is said once. What is imposed is worked out elsewhere, and so are the words.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from functools import partial
from typing import TYPE_CHECKING, NamedTuple

from drivers.kinds import ONE_WAY
from grammar.diagnostic import Related, Span
from sequencer.checker.facts import Checked, PartFacts
from sequencer.checker.worst import complaints
from sequencer.checker.worst.abstract import Own, Programmed
from sequencer.checker.worst.complaints import Case, Words
from sequencer.checker.worst.envelope import Beyond
from sequencer.checker.worst.hints import culprit_span
from sequencer.checker.worst.imposed import ROOM, Imposed, passes
from sequencer.checker.worst.instrument import NO_ERRORS, Errors
from sequencer.checker.worst.interval import Interval
from sequencer.checker.worst.pulses import Train

if TYPE_CHECKING:
    from drivers.specification import Specification

SOLAR = ("solar cell", "solar module", "photodiode")
EMPTIED = ("capacitor", "cell")
"""The kinds that a discharge empties, after which a source could drive them on."""
_WARNINGS = ("no-margin", "offset-reverses", "power-at-corner", "range-under-power")

Say = Callable[[], Words]


class Finding(NamedTuple):
    """What is to be said, how much it weighs, and through which calls it was come to."""

    weight: float
    say: Say
    calls: tuple[Span, ...]


class Excess:
    """Gathers what is found at each place, the worst of each kind, and says it at the end."""

    def __init__(self, checked: Checked) -> None:
        self.checked = checked
        self.found: dict[tuple[str, Span], Finding] = {}
        self.calls: tuple[Span, ...] = ()
        """Where the procedures are called whose steps are met at present, the outermost first."""

    def keep(self, slug: str, span: Span, weight: float, say: Say) -> None:
        """Keep what is to be said, unless something weightier of its kind is known there."""
        known = self.found.get((slug, span))
        if known is None or weight > known.weight:
            self.found[slug, span] = Finding(weight, say, self.calls)

    @contextmanager
    def called(self, span: Span) -> Iterator[None]:
        """What is found meanwhile is found in a procedure that is called there."""
        self.calls = (*self.calls, span)
        yield
        self.calls = self.calls[:-1]

    def plain(
        self, slug: str, span: Span, message: str, hint: str, places: tuple[Related, ...] = ()
    ) -> None:
        """Something that is the same however often it is met."""
        self.keep(slug, span, 0.0, lambda: Words(message, hint, list(places)))

    def tell(self) -> None:
        """Say everything but what merely follows from something else that is said."""
        problems = self.checked.problems
        for (slug, span), finding in self.found.items():
            if any(_follows(slug, span, *other) for other in self.found):
                continue
            with ExitStack() as calls:
                for call in finding.calls:
                    calls.enter_context(problems.called_from(call))
                add = problems.warning if slug in _WARNINGS else problems.error
                add(slug, span, *finding.say())

    def judge(
        self,
        part: PartFacts,
        p: Programmed,
        nominal: Imposed,
        real: Imposed,
        errors: Errors,
        train: Train | None,
    ) -> None:
        """Set what is imposed against the part's ratings: of a train of pulses, one of them.

        `nominal` is as programmed, `real` with the instrument's errors (`errors`, if it is known).
        A part that may be destroyed has ratings to be passed.
        """
        if part.may_be_destroyed:
            return
        for quantity in ("voltage", "current"):
            planned, widened = nominal.of(quantity), real.of(quantity)
            if quantity not in part.ratings or planned is None or widened is None:
                continue
            for side in (1, -1):
                n, w = (i.high if side > 0 else i.low for i in (planned, widened))
                if quantity == "voltage" or n != 0:
                    case = Case(self.checked, part, p, quantity, side, n, w, errors)
                    self._side(case, errors is not NO_ERRORS)
        if train is None or train.period is None or "power" in part.per_pulse:
            self._power(part, p, real)
        self._offset(part, p, errors)

    def carries(self, part: PartFacts, p: Programmed, quantity: str, span: Interval) -> None:
        """Set what a pulse carries (J or C) against what the part bears of it per pulse."""
        low, high = part.per_pulse[quantity]
        if part.may_be_destroyed:
            return
        for side, amount, bound in ((1, span.high, high), (-1, -span.low, -low)):
            if passes(amount, bound):
                self.keep(
                    f"{quantity}-beyond-rating",
                    p.step.span,
                    amount - bound,
                    partial(complaints.carries, self.checked, part, p, quantity, side * amount),
                )

    def mean(self, part: PartFacts, p: Programmed, span: Interval) -> None:
        """Set the mean power (W) of a train of pulses against the part's plain rating."""
        rating = part.ratings.get("power")
        if rating is None or part.may_be_destroyed:
            return
        for side, watts, bound in ((1, span.high, rating[1]), (-1, -span.low, -rating[0])):
            if passes(watts, bound):
                self.keep(
                    "mean-power-beyond-rating",
                    p.step.span,
                    watts - bound,
                    partial(complaints.mean, self.checked, part, p, side, watts),
                )

    def envelope(
        self, part: PartFacts, p: Programmed, specification: Specification, beyond: Beyond
    ) -> None:
        """Something that the instrument doesn't bear; what it can't even be set to weighs most."""
        corner, why = beyond
        order = {"range": 3, "continuous": 2}.get(why, 1) - (corner.way == "sink") / 2
        self.keep(
            "beyond-envelope",
            p.step.span,
            order + math.atan(abs(corner.volts * corner.amperes)) / 10,
            partial(complaints.beyond_envelope, part, p, specification, beyond),
        )

    def _side(self, case: Case, with_bench: bool) -> None:
        """One side of one quantity against its rating."""
        part, p, quantity, side = case.part, case.p, case.quantity, case.side
        rated = side * part.ratings[quantity][side > 0]
        planned, real = side * case.planned, side * case.real
        if passes(planned, rated):
            span, weight = culprit_span(p, quantity), planned - rated
            emptied = p.mode == "current" and part.kind in EMPTIED
            if emptied and quantity == "voltage" and side < 0 and p.low.low == -p.high.high:
                self.keep("limit-can-reverse", span, weight, lambda: complaints.can_reverse(case))
            else:
                slug = f"{quantity}-beyond-rating"
                self.keep(slug, span, weight, lambda: complaints.beyond(case))
        elif with_bench and passes(real, rated):
            span = culprit_span(p, quantity)
            self.keep("margin-too-small", span, real - rated, lambda: complaints.too_small(case))
        elif not with_bench and abs(planned - rated) <= ROOM * abs(rated):
            span = culprit_span(p, quantity)
            self.keep("no-margin", span, 0.0, lambda: complaints.no_margin(case))

    def _power(self, part: PartFacts, p: Programmed, real: Imposed) -> None:
        rating = part.ratings.get("power")
        if rating is None:
            return
        if passes(real.into, rating[1]):
            self._too_much(part, p, 1, real.into, real.into - rating[1])
        if passes(real.out, -rating[0]):
            self._too_much(part, p, -1, real.out, real.out + rating[0])

    def _offset(self, part: PartFacts, p: Programmed, errors: Errors) -> None:
        """A level of about zero, which its error may turn round: a junction leaves the limit."""
        least = p.level.low - errors.current.accuracy(p.level.low)
        rated = part.ratings["voltage"][0]
        turns = p.mode == "current" and part.kind in ONE_WAY and least < 0 <= p.level.low
        if turns and passes(-p.low.low, -rated):
            self.keep(
                "offset-reverses",
                p.limit_node.span,
                rated - p.low.low,
                lambda: complaints.offset_reverses(self.checked, part, p, least),
            )

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
