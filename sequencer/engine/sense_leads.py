"""Whether the sense leads see what the force leads see, before a part gets power.

Only where they see nothing, or less than nothing, is the part looked at through the force leads as
well: then with the output off, or under the presence push.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import TYPE_CHECKING

from grammar.quantity import CURRENT, VOLTAGE, write
from sequencer.engine.ending import Failed

if TYPE_CHECKING:
    from drivers.channel import Reading
    from sequencer.engine.port import Port

LEADS_OHMS = 1.0
"""More than leads have: where sense sees so much less than force, it doesn't follow it."""


def in_volts(value: float, digits: int = 6) -> str:
    """A voltage for a person."""
    return write(value, VOLTAGE, digits)


def in_amperes(value: float, digits: int = 3) -> str:
    """A current for a person."""
    return write(value, CURRENT, digits)


def judge_sense(
    port: Port, volts: float, picked_up: float, look: Callable[[], Reading | None]
) -> None:
    """Where the sense leads see nothing, or less than nothing: what do the force leads see?

    `look` reads the terminals without power; open leads pick up so much (V). Raises Failed.
    """
    apart = port.voltage_error(volts) + picked_up
    if not port.acquisition.remote_sense or volts > apart:
        return
    acquisition = port.acquisition
    port.configure(acquisition._replace(remote_sense=False))
    local = look()
    port.configure(acquisition)
    if local is not None and abs(local.voltage - volts) > apart + port.voltage_error(local.voltage):
        raise Failed(_unlike(port, volts, local.voltage, "with the output off"), "person")


def sense_leaves_force(port: Port, level: float, last: Reading, error: float) -> str:
    """How sense and force differ where a push of a level (A) passes; empty where they don't.

    Asked only where the sense leads see nothing of it, or less than nothing; `error` is that of its
    current (A).
    """
    nothing = 4 * port.voltage_error(0.0)
    acquisition = port.acquisition
    if not acquisition.remote_sense or abs(last.current) <= error:
        return ""
    if last.voltage * math.copysign(1.0, last.current) > nothing:
        return ""
    port.configure(acquisition._replace(remote_sense=False))
    forced = port.look().voltage
    port.configure(acquisition)
    apart = nothing + LEADS_OHMS * abs(level)
    if abs(forced - last.voltage) <= apart:
        return ""
    return _unlike(port, last.voltage, forced, f"with {in_amperes(last.current)} through the part")


def _unlike(port: Port, sensed: float, forced: float, when: str) -> str:
    turned = sensed * forced < 0 and abs(sensed) > abs(forced) / 2
    return (
        f"{port.part}: the sense leads see {in_volts(sensed, 4)} and the force leads "
        f"{in_volts(forced, 4)}, {when}: "
        + ("the sense leads are the wrong way round" if turned else "a lead is off")
    )
