"""Where a source's staircase and a part's law meet: which stretch is in control, at what V and A.

The module knows no time. A law is that of a part without memory, or of one whose state is frozen.
"""

from __future__ import annotations

import math
from typing import NamedTuple, cast

import numpy as np

from drivers.simulated.circuits.circuit import Source
from drivers.simulated.circuits.flow import Array
from drivers.simulated.parts.base import Static, StaticOfMany


class Operating(NamedTuple):
    """What is at a pair of terminals: the part's law alone, what the voltmeter sees, the source.

    `stretch` of the staircase is in control; `voltage` (V) and `current` (A) are the law's, `seen`
    is the voltmeter's voltage (V), `at_source` the regulated one (V), `slope` how fast the current
    of an inductance changes (A/s).
    """

    stretch: int
    voltage: float
    current: float
    seen: float
    at_source: float
    slope: float = 0.0


def operate(law: Static, source: Source) -> int:
    """The stretch that is in control; on a corner of the staircase the level wins."""
    currents, level = source.currents, source.level
    for j, voltage in enumerate(source.voltages):
        held = law.current_through(voltage, source.series_resistance)
        if held > currents[j] or (held == currents[j] and level == 2 * j):
            return 2 * j
        below = currents[j + 1]
        if held > below or (held == below and level != 2 * j + 2):
            return 2 * j + 1
    return 2 * len(source.voltages)


def hold(law: Static, source: Source, current: float) -> tuple[int, float]:
    """The stretch in control where an inductance keeps a current (A), and the current it keeps.

    A current beyond the staircase can't go on: nothing that the source could do would carry it, so
    that it breaks off, as when a coil's circuit is opened.
    """
    currents = source.currents
    current = min(max(current, currents[-1]), currents[0])
    for j, held in enumerate(currents):
        if current > held:
            return 2 * j - 1, current
        if current == held:
            needed = law.voltage_at(current) + source.series_resistance * current
            if j < len(source.voltages) and needed > source.voltages[j]:
                # The source can't bring the voltage that would hold it: the current falls.
                return 2 * j + 1, current
            if j > 0 and needed < source.voltages[j - 1]:
                return 2 * j - 1, current
            return 2 * j, current
    raise AssertionError("the last current is the least")


def currents_through(law: Static, voltages: Array, series_resistance: float) -> Array:
    """The current at each voltage, all at once where the law has a way to that."""
    # A protocol that is looked up at run time would take as long as the answer.
    if hasattr(law, "currents_through"):
        return cast(StaticOfMany, law).currents_through(voltages, series_resistance)
    each = [law.current_through(voltage, series_resistance) for voltage in voltages.tolist()]
    return np.array(each)


def at_terminals(law: Static, source: Source, stretch: int) -> Operating:
    """What is at the terminals of a law without inductance while a stretch is in control."""
    if stretch % 2 == 0:
        current = source.currents[stretch // 2]
        voltage = law.voltage_at(current)
        at_source = voltage + source.series_resistance * current
    else:
        at_source = source.voltages[stretch // 2]
        current = law.current_through(at_source, source.series_resistance)
        voltage = at_source - source.series_resistance * current
    seen = voltage + source.sensed_resistance * current
    return Operating(stretch, voltage, current, seen, at_source)


def at_terminals_if_any(law: Static, source: Source, stretch: int) -> Operating:
    """As `at_terminals`; where the law has no voltage, what is there once the limit has control.

    Beyond its saturation current a junction has none.
    """
    at = at_terminals(law, source, stretch)
    if math.isfinite(at.at_source):
        return at
    return at_terminals(law, source, stretch + (1 if at.at_source > 0 else -1))


def with_inductance(
    law: Static, source: Source, stretch: int, current: float, inductance: float, moves: float = 0.0
) -> Operating:
    """The same where an inductance (H) keeps a current (A), which a source `moves` (A/s) if it can.

    It moves the current that it regulates; a voltage that it regulates drives the current.
    """
    voltage = law.voltage_at(current)
    at_source = voltage + source.series_resistance * current
    across = inductance * moves
    if stretch % 2 == 1:
        across = source.voltages[stretch // 2] - at_source
    seen = voltage + across + source.sensed_resistance * current
    return Operating(stretch, voltage, current, seen, at_source + across, across / inductance)


def margins(at: Operating, source: Source) -> tuple[float, float]:
    """How far a stretch is from handing control to the one before it, and to the one after it.

    As shares of the staircase's own values, so that rounding has one size; inf where there is none.
    """
    half = at.stretch // 2
    if at.stretch % 2 == 1:
        high, low = source.currents[half], source.currents[half + 1]
        size = max(abs(high), abs(low)) or 1.0
        return (high - at.current) / size, (at.current - low) / size
    before = after = float("inf")
    if half > 0:
        voltage = source.voltages[half - 1]
        before = (at.at_source - voltage) / (abs(voltage) or 1.0)
    if half < len(source.voltages):
        voltage = source.voltages[half]
        after = (voltage - at.at_source) / (abs(voltage) or 1.0)
    return before, after
