"""In which order level and limits are sent, so that no moment between is worse than both ends.

A limit that becomes tighter goes before the level, one that becomes looser after it, each side for
itself. The module knows actions by their names in a dialect; it sends nothing.
"""

from __future__ import annotations

from collections.abc import Iterator

from drivers.channel import Mode, Setpoint

# An action of the dialect and the values for its placeholders.
Step = tuple[str, dict[str, float]]

OTHER: dict[Mode, Mode] = {"voltage": "current", "current": "voltage"}


def changes(before: Setpoint | None, after: Setpoint, two_sided: bool) -> list[Step]:
    """The actions that lead from one setpoint to another.

    `before` is None where it isn't known. With another mode, or none known, limits and level of the
    new mode come first and the mode last: until then they aren't in force. `two_sided` says whether
    the instrument's limit has two sides; where it hasn't, `after` must be symmetric.
    """
    mode, level, _, high = after
    limited = OTHER[mode]
    level_step: Step = (f"{mode}_level", {"level": level})
    known = before if before is not None and before.mode == mode else None
    if two_sided:
        first, last = _sides(known, after, limited)
    else:
        symmetric: Step = (f"{limited}_limit", {"limit": high})
        loosens = known is not None and high > known.high
        first, last = ([], [symmetric]) if loosens else ([symmetric], [])
        if known is not None and high == known.high:
            first = []
    steps = [*first, level_step, *last]
    return steps if known is not None else [*steps, (f"source_{mode}", {})]


def stages(before: Setpoint, after: Setpoint, two_sided: bool) -> Iterator[Setpoint]:
    """The setpoints in force between the two, one after another; none where the mode changes."""
    if before.mode != after.mode:
        return
    stage = before
    for action, values in changes(before, after, two_sided)[:-1]:
        (value,) = values.values()
        if action.endswith("_level"):
            stage = stage._replace(level=value)
        elif action.endswith("_limit"):
            stage = stage._replace(low=-value, high=value)
        elif action.endswith("_high"):
            stage = stage._replace(high=value)
        else:
            stage = stage._replace(low=value)
        yield stage


def _sides(
    before: Setpoint | None, after: Setpoint, limited: Mode
) -> tuple[list[Step], list[Step]]:
    """The sides of the limit to send before the level and after it; unchanged ones aren't sent."""
    high: Step = (f"{limited}_limit_high", {"limit": after.high})
    low: Step = (f"{limited}_limit_low", {"limit": after.low})
    if before is None:
        # Whatever span is in force holds zero, so the side away from zero goes first.
        return ([high, low] if after.low > 0 else [low, high]), []
    # Spans that don't overlap: the side that moves away must make room for the one that follows.
    if after.low > before.high:
        return [high, low], []
    if after.high < before.low:
        return [low, high], []
    first = [side for side, tighter in (
        (high, after.high < before.high), (low, after.low > before.low)
    ) if tighter]  # fmt: skip
    last = [side for side, looser in (
        (high, after.high > before.high), (low, after.low < before.low)
    ) if looser]  # fmt: skip
    return first, last
