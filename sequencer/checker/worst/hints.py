"""What to write instead of a level or limit that can leave a rating, and the places beside it.

Levels and limits that fit keep a margin to the rating; which way of writing one fits hangs on what
is written already and on what the channel can hold. Knows no worst case.
"""

from __future__ import annotations

import math

from drivers.kinds import KINDS
from grammar import tree
from grammar.diagnostic import Related, Span
from grammar.quantity import write
from sequencer.checker.facts import RATED, Checked, PartFacts
from sequencer.checker.naming.walking import nodes_of, steps_of
from sequencer.checker.naming.words import written
from sequencer.checker.worst.abstract import Programmed
from sequencer.checker.worst.imposed import ROOM

MARGIN = 0.05
"""What a hint keeps to a rating, as a share of it (common practice, no source)."""


def level_span(p: Programmed) -> Span:
    """Where a level is written; a sweep's goes from its first to its last."""
    levels = _levels(p)
    return levels[0].span.to(levels[-1].span)


def culprit_span(p: Programmed, quantity: str) -> Span:
    """Where the quantity is held: by the level in its own mode, by the limit in the other."""
    return level_span(p) if p.mode == quantity else p.limit_node.span


def bears(part: PartFacts, quantity: str, side: int) -> str:
    """What a part bears on one side, to follow “it bears”."""
    low, high = part.ratings[quantity]
    if side > 0:
        return f"{write(high, RATED[quantity])} at most"
    return f"no less than {write(low, RATED[quantity])}"


def related(checked: Checked, part: PartFacts, p: Programmed, quantity: str) -> list[Related]:
    """The rating, and the settings that the culprit hangs on."""
    found = [Related(part.places[quantity], f"what `{part.name}` bears")]
    nodes: list[tree.Expression] = [p.limit_node]
    if p.mode == quantity:
        nodes = _levels(p)
    elif quantity not in ("voltage", "current"):
        nodes += _levels(p)
        if isinstance(p.step, tree.PulseStep | tree.Sweep):
            nodes += [node for node in (p.step.width, p.step.period) if node is not None]
    for place in spans_of_settings(checked, tuple(nodes)):
        if place not in found:
            found.append(place)
    return found


def _levels(p: Programmed) -> list[tree.Expression]:
    return [p.step.first, p.step.last] if isinstance(p.step, tree.Sweep) else [p.step.level]


def spans_of_settings(checked: Checked, node: object) -> list[Related]:
    """The settings and typed values within an expression that have a span, and what they may be."""
    found = []
    for inner in nodes_of(node):
        typed = _typed(checked, inner)
        if typed is not None:
            found.append(Related(typed.span, "anything within may be typed"))
        facts = checked.settings.get(inner.id) if isinstance(inner, tree.Name) else None
        if facts is not None and facts.low is not None and facts.high is not None:
            low, high = (write(end, facts.dimension) for end in (facts.low, facts.high))
            found.append(Related(facts.span, f"it may be anything from {low} to {high}"))
    return found


def _typed(checked: Checked, node: object) -> tree.Expression | None:
    """The span of a value that the person types, where a name stands for one."""
    if not isinstance(node, tree.Name) or node.id in checked.settings:
        return None
    for step in steps_of(checked.recipe.steps):
        if isinstance(step, tree.Ask) and step.into is not None and step.into.id == node.id:
            return step.bounds
    return None


def instead(checked: Checked, part: PartFacts, p: Programmed, quantity: str, side: int) -> str:
    """What to write instead of the level or limit that leaves a rating on one side."""
    if p.mode != quantity:
        return _limit(checked, part, p, quantity, side)
    dimension = RATED[quantity]
    fit = write(fitting(part.ratings[quantity], side), dimension)
    node = _levels(p)[-1]
    if _typed(checked, node) is not None:
        return f"ask for a narrower span, or bound it: {'up to' if side > 0 else 'at least'} {fit}"
    if isinstance(node, tree.Name):
        facts = checked.settings.get(node.id)
        if facts is not None and facts.low is not None and facts.high is not None:
            low, high = (write(end, dimension) for end in (facts.low, facts.high))
            low, high = (low, fit) if side > 0 else (fit, high)
            return f"narrow the span of the setting: in {low} to {high}"
    if any(isinstance(inner, tree.Member | tree.Name) for inner in nodes_of(node)):
        text = written(checked.problems.source, node.span)
        return f"bound it, as in {'min' if side > 0 else 'max'}({text}, {fit})"
    more = "less" if side > 0 else "more"
    return f"write {fit} or {more}, which keeps a margin to the rating"


def is_pulse(p: Programmed) -> bool:
    """Whether it is a pulse that programs this."""
    return isinstance(p.step, tree.PulseStep) or (isinstance(p.step, tree.Sweep) and p.step.pulsed)


def _limit(checked: Checked, part: PartFacts, p: Programmed, quantity: str, side: int) -> str:
    """A limit that fits, as the channel can hold it."""
    rating, dimension = part.ratings[quantity], RATED[quantity]
    low, high = rating
    top, pulse = write(fitting(rating, 1), dimension), is_pulse(p)
    if pulse and abs(low + high) <= ROOM * abs(high):
        return f"write limit {top} or less"
    if abs(low + high) <= ROOM * abs(high):
        return f"write limit {part.name}, which stands for its rating less a margin, or limit {top}"
    if checked.channels[part.channel].can("two-sided limit"):
        bottom = write(fitting(rating, -1), dimension)
        return f"write limit {bottom} to {top}, which keeps a margin to the rating"
    if quantity == "current" and min(abs(low), abs(high)) > 0:
        # Into a part that drives nothing by itself current flows the way of the level alone.
        level, passive = p.level, KINDS[part.kind].forces == "nothing"
        alone = passive and (level.low >= 0 if side > 0 else level.high <= 0)
        sides = (high if side > 0 else low,) if alone else rating
        fit = write(rounded_down((1 - MARGIN) * min(map(abs, sides))), dimension)
        return f"write limit {fit}, which {'keeps a margin' if alone else 'holds on both sides'}"
    if side < 0 and low < 0:
        fit = write(rounded_down((MARGIN - 1) * low), dimension)
        return (
            f"write limit {fit}, which holds on both sides; or limit 0 {dimension.unit} to {top} "
            f"and `two-sided limit` behind `channel {part.channel}:`, if the instrument can do that"
        )
    return (
        f"write limit {top}; where one side must be narrower, limit 0 {dimension.unit} to {top} "
        f"and `two-sided limit` behind `channel {part.channel}:`, if the instrument can do that"
    )


def fitting(rating: tuple[float, float], side: int) -> float:
    """A value that keeps a margin to one end of a rating, in two digits.

    Zero where the lower end only leaves room for errors, as that of a part not to be reversed.
    """
    low, high = rating
    if side < 0:
        if low < 0 and -low < 0.2 * high:
            return 0.0
        return -fitting((-high, -low), 1)
    return rounded_down(high * (1 - MARGIN) if high > 0 else high * (1 + MARGIN))


def rounded_down(value: float) -> float:
    """A value rounded down to two significant digits."""
    if value == 0 or math.isinf(value):
        return value
    step = 10.0 ** (math.floor(math.log10(abs(value))) - 1)
    # The last digits are those of the division, not of the value.
    return float(f"{math.floor(value / step + 1e-9) * step:.6g}")
