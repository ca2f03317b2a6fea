"""Limits: every source has one, every loop ends, every sourcing channel has a rated part.

Looks at the shape of the recipe alone. How far a level may go is the worst case's matter.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

from grammar import tree
from grammar.diagnostic import Related
from grammar.quantity import CURRENT, VOLTAGE, Dimension, write
from sequencer.checker.amounts import definitions_in
from sequencer.checker.facts import PartFacts
from sequencer.checker.scope import Definition, Workings, steps_of

_RATED: dict[str, Dimension] = {"voltage": VOLTAGE, "current": CURRENT}


def check_limits(work: Workings) -> None:
    """All steps of the recipe, and the parts of the channels that source."""
    recipe = work.checked.recipe
    sources: dict[str, tree.SourceStep] = {}
    for step in steps_of(recipe.steps + recipe.final):
        match step:
            case tree.SourceStep():
                sources.setdefault(step.channel.id, step)
                if step.limit is None:
                    _no_limit(work, step)
            case tree.Every() if step.until is not None and step.at_most is None:
                text = work.text(step.span).rstrip(": ")
                work.problems.error(
                    "loop-without-end",
                    step.span,
                    "this loop ends only when its condition holds, and that may never be",
                    f"write {text}, at most 30 min:",
                )
            case tree.Repeat() if step.count is None:
                work.problems.error(
                    "loop-without-end",
                    step.span,
                    "this loop never ends",
                    "write how often: repeat 10 times:",
                )
    for channel, step in sources.items():
        if channel in work.checked.channels:
            _part_of(work, channel, step)
    for node, what in work.critical:
        _closed(work, node, what)


def _no_limit(work: Workings, step: tree.SourceStep) -> None:
    other = "current" if step.mode == "voltage" else "voltage"
    part = work.checked.part_on(step.channel.id)
    related = []
    if part is not None and other in part.places:
        related = [Related(part.places[other], f"what the part `{part.name}` bears")]
    work.problems.error(
        "source-without-limit",
        step.span,
        f"this {step.mode} source has no limit for the {other}",
        f"write {work.text(step.span)}, limit {_fitting_limit(part, other)}",
        related,
    )


def _fitting_limit(part: PartFacts | None, quantity: str) -> str:
    """A limit that keeps a margin of 5 % to what the part bears, rounded down to two digits."""
    low, high = part.ratings.get(quantity, (-math.inf, math.inf)) if part else (-1.0, 1.0)
    dimension = _RATED[quantity]
    if part is None or not (0 < high < math.inf) or not math.isfinite(low):
        return "100 mA" if quantity == "current" else "5 V"
    top = _down(0.95 * high)
    if low > 0 or (quantity == "voltage" and -low < top):
        return f"{write(max(low, 0.0), dimension)} to {write(top, dimension)}"
    return write(min(top, _down(-0.95 * low)) or top, dimension)


def _down(value: float) -> float:
    """A positive value rounded down to two significant digits; zero stays."""
    if value <= 0:
        return 0.0
    step = 10.0 ** (math.floor(math.log10(value)) - 1)
    return float(f"{math.floor(value / step * (1 + 1e-12)) * step:.6g}")


def _part_of(work: Workings, channel: str, step: tree.SourceStep) -> None:
    part = work.checked.part_on(channel)
    if part is None:
        if "part" not in work.lost:
            work.problems.error(
                "source-without-part",
                step.channel.span,
                f"`{channel}` sources, and nothing says what the part on it bears",
                f"declare the part: part dut is resistor on {channel}: and beneath it "
                "voltage within 5 V, current within 100 mA",
                [Related(work.checked.channels[channel].span, "the channel")],
            )
        return
    for name, dimension in _RATED.items():
        bounds = part.ratings.get(name)
        if bounds is None and name not in part.places and name not in work.lost:
            example = f"{name} within {write(1.0, dimension)}"
            work.problems.error(
                "missing-rating",
                part.span,
                f"`{channel}` sources, and the part `{part.name}` has no {name} rating",
                f"write what it bears beneath the part, on both sides, as in {example}",
                [Related(step.span, "the first source")],
            )
        elif bounds is not None and not all(math.isfinite(end) for end in bounds):
            _one_sided(work, part, name, bounds, dimension)


def _one_sided(
    work: Workings,
    part: PartFacts,
    name: str,
    bounds: tuple[float, float],
    dimension: Dimension,
) -> None:
    """A source can push either way, so a rating that says nothing of one side doesn't protect."""
    low, high = bounds
    if math.isfinite(high):
        text, zero = write(high, dimension), write(0.0, dimension)
        hint = f"write {name} {zero} to {text} where it can't be reversed, or {name} within {text}"
        if high <= 0:
            hint = f"write both ends: {name} … to {text}"
    else:
        hint = f"write both ends: {name} {write(low, dimension)} to …"
    side = "lower" if low == -math.inf else "upper"
    work.problems.error(
        "one-sided-rating",
        part.places[name],
        f"the {name} rating of `{part.name}` has no {side} end, and a source can push both ways",
        hint,
    )


def _closed(work: Workings, node: tree.Expression, what: str) -> None:
    """No setting with an open-ended span may reach a level, limit, time or count."""
    for definition in _reaching(definitions_in(work, node)):
        facts = work.checked.settings.get(definition.name)
        if definition.role != "setting" or facts is None or facts.low is None or facts.high is None:
            continue
        if math.isfinite(facts.low) and math.isfinite(facts.high):
            continue
        assert isinstance(definition.node, tree.Setting)
        assert definition.node.bounds is not None
        text = work.text(definition.node.bounds.span)
        side = "lower" if facts.low == -math.inf else "upper"
        if side == "lower":
            ends = "… to " + text.removeprefix("up to ")
        else:
            ends = text.removeprefix("at least ") + " to …"
        work.problems.error(
            "open-ended-setting",
            node.span,
            f"{what} depends on `{definition.name}`, whose span has no {side} end",
            f"write both ends in the setting: in {ends}",
            [Related(definition.node.bounds.span, "its span")],
        )


def _reaching(found: list[Definition]) -> Iterator[Definition]:
    """The names of an expression and all that their values were worked out from."""
    seen: set[int] = set()
    waiting = list(found)
    while waiting:
        definition = waiting.pop()
        if id(definition) not in seen:
            seen.add(id(definition))
            yield definition
            waiting += definition.needs
