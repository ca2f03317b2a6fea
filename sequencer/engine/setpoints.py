"""Setpoints beside ratings and beside one another, their words, and the way down before off.

Plain functions of setpoints; nothing here is programmed, switched or recorded.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

from drivers.channel import Setpoint
from drivers.kinds import RAMP_STEPS
from sequencer.engine.ending import Failed

if TYPE_CHECKING:
    from sequencer.engine.port import Port


def refuse_beyond_rating(port: Port, setpoint: Setpoint, pulse: bool = False) -> None:
    """The level, and the limit where it can come to hold, against the ratings. Raises Failed.

    A part that brings a voltage drives current both ways, whatever the level is. One that may be
    destroyed may be taken past them.
    """
    if port.may_be_destroyed:
        return
    ratings = {r.quantity: (r.low, r.high) for r in port.rated if not r.by}
    if not pulse:
        ratings = port.ratings
    mode, level, low, high = setpoint
    forces = port.kind is not None and port.kind.forces != "nothing"
    asked = [(mode, level)]
    if mode == "voltage":
        asked += [("current", high)] if level > 0 or forces else []
        asked += [("current", low)] if level < 0 or forces else []
    elif level:
        asked.append(("voltage", high if level > 0 else low))
    for quantity, value in asked:
        low, high = ratings.get(quantity, (-math.inf, math.inf))
        if not low <= value <= high:
            raise Failed(
                f"{port.name}: {words(setpoint)} was asked for, and the {quantity} of "
                f"{port.part} may be {low:.6g} to {high:.6g}: not programmed",
                "recipe",
            )


def same(a: Setpoint, b: Setpoint) -> bool:
    """Whether two setpoints are the same but for rounding."""
    return a.mode == b.mode and all(
        math.isclose(x, y, rel_tol=1e-6, abs_tol=1e-12) for x, y in zip(a[1:], b[1:], strict=True)
    )


def words(setpoint: Setpoint | None) -> str:
    """A setpoint for messages."""
    if setpoint is None:
        return "nothing"
    unit, other = ("V", "A") if setpoint.mode == "voltage" else ("A", "V")
    limit = (
        f"{setpoint.high:.6g} {other}"
        if setpoint.low == -setpoint.high
        else f"{setpoint.low:.6g} to {setpoint.high:.6g} {other}"
    )
    return f"{setpoint.mode} {setpoint.level:.6g} {unit}, limit {limit}"


def way_down(setpoint: Setpoint, way: str) -> Sequence[float]:
    """The levels on the way to zero before the output opens."""
    if way == "ramp to zero":
        return [setpoint.level * (1 - k / RAMP_STEPS) for k in range(1, RAMP_STEPS + 1)]
    if way == "zero volts" and setpoint.mode == "current":
        return []
    # At 0 V the current of a coil or motor dies away by itself.
    return [0.0]
