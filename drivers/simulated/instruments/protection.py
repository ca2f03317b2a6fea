"""When something at the terminals gets past what an instrument bears, or lets itself be driven to.

A protection drops the output; a voltage from outside that is too large damages the instrument; one
past which a limit that is sensed wrongly runs away turns its loop over; a heat sink gets too warm.
All are found in the circuit's motions, at their exact times. The module knows no setpoint.
"""

from __future__ import annotations

import math
from typing import Literal, NamedTuple

from drivers.channel import Mode
from drivers.clock import NANOSECONDS
from drivers.simulated.circuits.circuit import Circuit
from drivers.simulated.circuits.motion import Moment, Motion
from drivers.simulated.conditions import Profile
from drivers.simulated.instruments.heat_sink import HeatSink
from drivers.specification import Specification
from grammar.quantity import CURRENT, TEMPERATURE_POINT, VOLTAGE, write

# What stands at its bound by rounding isn't past it.
_PAST = 1e-9


class Bound(NamedTuple):
    """A span (V or A) that is not to be left, and what happens where it is."""

    quantity: Mode
    low: float
    high: float
    effect: Literal["drop", "damage", "turn"]
    text: str = ""


class Passed(NamedTuple):
    """A bound that is passed, at an exact moment."""

    at: Moment
    bound: Bound
    above: bool

    @property
    def after_ns(self) -> int:
        """The first whole nanosecond that isn't before it."""
        return self.at.ns + math.ceil(self.at.rest_s * NANOSECONDS)


class Protection:
    """The bounds of one instrument, held against one circuit's motions."""

    def __init__(self, specification: Specification, circuit: Circuit, air: Profile) -> None:
        self._bounds = _bounds(specification)
        self._circuit = circuit
        self._motion = circuit.motion()
        self._output = False
        self._heat: HeatSink | None = None
        figures = specification.protections.over_temperature
        if figures is not None:
            self._heat = HeatSink(figures, air, self._motion)
            limit = write(figures.limit, TEMPERATURE_POINT)
            text = f"the over-temperature protection of {limit} dropped the output"
            self._too_warm = Bound("voltage", -math.inf, math.inf, "drop", text)
        self._found: dict[Bound, _Left] = {}
        self._zone: Bound | None = None
        self._follows = False
        self._begin_to_follow()

    @property
    def watches(self) -> bool:
        """Whether there is any bound left to be passed."""
        return bool(self._bounds) or self._heat is not None

    def _begin_to_follow(self) -> None:
        """Hear of every motion, as soon as there is a bound."""
        if self.watches and not self._follows:
            self._follows = True
            self._follow(self._circuit.motion())
            self._circuit.watchers.append(self._follow)

    def _follow(self, motion: Motion) -> None:
        if self._heat is not None:
            self._heat.follow(motion, self._output)
        self._motion = motion
        self._found.clear()

    def look(self, now_ns: int, output: bool) -> Passed | None:
        """Look at the circuit; where a bound is passed by now, move it only until there.

        With the output off there is nothing to drop, and nothing that could run away.
        """
        circuit = self._circuit
        self._output = output
        while self.watches:
            until_ns = min(now_ns, self._known_until_ns())
            passed = self._next(output)
            if passed is not None and passed.after_ns <= until_ns:
                circuit.advance(passed.after_ns)
                return passed
            if self._heat is not None:
                self._heat.advance(Moment(until_ns), output)
            if until_ns == now_ns:
                break
            if until_ns == circuit.ends_ns:
                circuit.look(circuit.ends_ns + 1)
        circuit.look(now_ns)
        return None

    def next_ns(self, output: bool) -> int:
        """When the circuit next needs a look: control passes by itself, or a bound is passed."""
        passed = self._next(output)
        ends_ns = self._known_until_ns() + 1
        return ends_ns if passed is None else min(ends_ns, passed.after_ns)

    def _known_until_ns(self) -> int:
        """Until when it can be told whether a bound is passed."""
        if self._heat is None:
            return self._circuit.ends_ns
        return min(self._circuit.ends_ns, self._heat.known_until_ns)

    def _next(self, output: bool) -> Passed | None:
        """The first bound that is passed in the present motion; None where none is."""
        first: Passed | None = None
        if self._heat is not None and output:
            at = self._heat.next(self._known_until_ns())
            first = None if at is None else Passed(at, self._too_warm, True)
        for bound in self._bounds:
            if not (output or bound.effect == "damage"):
                continue
            if bound not in self._found:
                self._found[bound] = _leaves(self._motion, bound)
            left = self._found[bound]
            if left.when_s < math.inf:
                at = self._motion.begin.later(left.when_s)
                if first is None or at.since(first.at) < 0:
                    first = Passed(at, bound, left.above)
        return first

    def let_go(self, bound: Bound) -> None:
        """What it does it has done, or can't do: it is told once."""
        if self._heat is not None and bound is self._too_warm:
            self._heat = None
        else:
            self._bounds.remove(bound)

    def turns_beyond(self, low: float, high: float) -> None:
        """From now on the output's loop turns over where the voltage (V) leaves this span."""
        zone = Bound("voltage", low, high, "turn")
        if self._zone != zone:
            self.turns_nowhere()
            self._zone = zone
            self._bounds.append(zone)
            self._begin_to_follow()

    def turns_nowhere(self) -> None:
        """It no longer does."""
        if self._zone is not None:
            self._bounds.remove(self._zone)
            self._zone = None


class _Left(NamedTuple):
    """When a bound is left (s after the motion's begin, inf for never), and on which side."""

    when_s: float
    above: bool


def _leaves(motion: Motion, bound: Bound) -> _Left:
    """When a motion is first past a bound."""
    quantity = bound.quantity
    low, high = bound.low - _PAST * abs(bound.low), bound.high + _PAST * abs(bound.high)
    value = motion.value(quantity, 0.0)
    if not low <= value <= high:
        return _Left(0.0, value > high)
    return min(
        _Left(motion.passes(quantity, True, high, 0.0), True),
        _Left(motion.passes(quantity, False, low, 0.0), False),
    )


def _bounds(specification: Specification) -> list[Bound]:
    stated = specification.protections
    found: list[Bound] = []
    volts, amperes = stated.over_voltage, stated.over_current
    if volts is not None:
        text = f"the over-voltage protection of {write(volts, VOLTAGE)} dropped the output"
        found.append(Bound("voltage", -volts, volts, "drop", text))
    if amperes is not None:
        text = f"the over-current protection of {write(amperes, CURRENT)} dropped the output"
        found.append(Bound("current", -amperes, amperes, "drop", text))
    outside = specification.largest_outside_voltage
    if outside is not None:
        text = f"more than the {write(outside, VOLTAGE)} that the instrument bears from outside"
        found.append(Bound("voltage", -outside, outside, "damage", text))
    return found
