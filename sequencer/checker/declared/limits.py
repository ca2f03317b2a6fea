"""Limits: every source has one, every loop ends, every sourcing channel has a rated part.

Looks at the shape of the recipe alone. How far a level may go is the worst case's matter.
"""

from __future__ import annotations

import math

from grammar import tree
from grammar.diagnostic import Related
from grammar.quantity import write
from sequencer.checker.expressions.amounts import definitions_in
from sequencer.checker.facts import RATED, PartFacts
from sequencer.checker.naming.scope import Definition, Workings
from sequencer.checker.naming.walking import with_calls

_NEEDED = ("voltage", "current")
"""What the part of a channel that sources must be rated for."""


def check_limits(work: Workings) -> None:
    """All steps of the recipe, and the parts of the channels that source."""
    recipe = work.checked.recipe
    with_calls(work, recipe.steps + recipe.final, lambda step: _step(work, step))
    sources: dict[str, tree.SourceStep] = {}
    for step in work.steps:
        if isinstance(step, tree.SourceStep):
            sources.setdefault(step.channel.id, step)
    for channel, source in sources.items():
        if channel in work.checked.channels:
            _part_of(work, channel, source)
    for definition in work.defined:
        if definition.role == "setting":
            _closed(work, definition)


def _step(work: Workings, step: tree.Step) -> None:
    """One step: its limit, its end."""
    match step:
        case tree.SourceStep() if step.limit is None:
            _no_limit(work, step)
        case tree.Every() if step.until is not None and step.at_most is None:
            _no_end(work, step, "this loop ends only when its condition holds", ", at most 30 min:")
        case tree.Settle() if step.at_most is None:
            _no_end(work, step, "this ends only when the reading has settled", ", at most 10 min")
        case tree.WaitFor() if step.at_most is None:
            _no_end(work, step, "this ends only when the line has changed", ", at most 1 min")
        case tree.Repeat() if step.count is None:
            work.problems.error(
                "loop-without-end",
                step.span,
                "this loop never ends",
                "write how often: repeat 10 times:",
            )


def _no_end(work: Workings, step: tree.Step, message: str, clause: str) -> None:
    text = work.text(step.span).rstrip(": ")
    work.problems.error(
        "loop-without-end", step.span, f"{message}, and that may never be", f"write {text}{clause}"
    )


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
    dimension = RATED[quantity]
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
        if "" not in work.lost_in and "part" not in work.lost:
            work.problems.error(
                "source-without-part",
                step.channel.span,
                f"`{channel}` sources, and nothing says what the part on it bears",
                f"declare the part: part dut is resistor on {channel}: and beneath it "
                "voltage within 5 V, current within 100 mA",
                [Related(work.checked.channels[channel].span, "the channel")],
            )
        return
    missing = [name for name in _NEEDED if name not in part.places]
    if missing and "part" not in work.lost_in:
        lines = " and ".join(f"{name} within {write(1.0, RATED[name])}" for name in missing)
        work.problems.error(
            "missing-rating",
            part.span,
            f"`{channel}` sources, and the part `{part.name}` has no {' and no '.join(missing)} "
            "rating",
            f"write what it bears beneath the part, on both sides, as in {lines}",
            [Related(step.span, "the first source")],
        )
    for ratings, pulses in ((part.ratings, ""), (part.per_pulse, " per pulse")):
        for name in _NEEDED:
            bounds = ratings.get(name)
            if bounds is not None and not all(math.isfinite(end) for end in bounds):
                _one_sided(work, part, name, bounds, pulses)


def _one_sided(
    work: Workings,
    part: PartFacts,
    name: str,
    bounds: tuple[float, float],
    pulses: str,
) -> None:
    """A source can push either way, so a rating that says nothing of one side doesn't protect."""
    low, high = bounds
    dimension = RATED[name]
    if math.isfinite(high):
        text, zero = write(high, dimension), write(0.0, dimension)
        hint = f"write {name} {zero} to {text}{pulses} where it can't be reversed, or {name} "
        hint += f"within {text}{pulses}"
        if high <= 0:
            hint = f"write both ends: {name} … to {text}{pulses}"
    else:
        hint = f"write both ends: {name} {write(low, dimension)} to …{pulses}"
    side = "lower" if low == -math.inf else "upper"
    work.problems.error(
        "one-sided-rating",
        part.places[name + pulses],
        f"the {name} rating of `{part.name}` has no {side} end, and a source can push both ways",
        hint,
    )


def _closed(work: Workings, setting: Definition) -> None:
    """No setting with an open-ended span may reach a level, limit, time or count."""
    facts = work.checked.settings.get(setting.name)
    if facts is None or facts.low is None or facts.high is None:
        return
    if math.isfinite(facts.low) and math.isfinite(facts.high):
        return
    reached = _reached(work, setting)
    for node, what in work.critical:
        if not reached.isdisjoint(map(id, definitions_in(work, node))):
            _open_ended(work, setting, node, what, facts.low == -math.inf)
            return


def _reached(work: Workings, start: Definition) -> set[int]:
    """The ids of a name and of all names whose values were worked out from it."""
    users: dict[int, list[Definition]] = {}
    for definition in work.defined:
        for needed in definition.needs:
            users.setdefault(id(needed), []).append(definition)
    found = {id(start)}
    waiting = [start]
    while waiting:
        for user in users.get(id(waiting.pop()), ()):
            if id(user) not in found:
                found.add(id(user))
                waiting.append(user)
    return found


def _open_ended(
    work: Workings, setting: Definition, node: tree.Expression, what: str, below: bool
) -> None:
    assert isinstance(setting.node, tree.Setting)
    assert setting.node.bounds is not None
    text = work.text(setting.node.bounds.span)
    ends = "… to " + text.removeprefix("up to ")
    if not below:
        ends = text.removeprefix("at least ") + " to …"
    work.problems.error(
        "open-ended-setting",
        node.span,
        f"{what} depends on `{setting.name}`, whose span has no {'lower' if below else 'upper'} "
        "end",
        f"write both ends in the setting: in {ends}",
        [Related(setting.node.bounds.span, "its span")],
    )
