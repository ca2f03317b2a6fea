"""When something at the terminals gets past what an instrument bears, or lets itself be driven to.

A protection drops the output; a voltage from outside that is too large damages the instrument. Both
are found in the circuit's motions, at their exact times. The module knows no setpoint.
"""

from __future__ import annotations

import math
from typing import NamedTuple

from drivers.channel import Mode
from drivers.clock import NANOSECONDS
from drivers.simulated.circuits.circuit import Circuit
from drivers.simulated.circuits.motion import Moment, Motion
from drivers.specification import Specification
from grammar.quantity import CURRENT, VOLTAGE, write

# What stands at its bound by rounding isn't past it.
_PAST = 1 + 1e-9


class Bound(NamedTuple):
    """A magnitude (V or A) that is not to be passed, and what happens where it is."""

    quantity: Mode
    magnitude: float
    damage: bool
    text: str


class Passed(NamedTuple):
    """A bound that is passed, at an exact moment."""

    at: Moment
    bound: Bound

    @property
    def after_ns(self) -> int:
        """The first whole nanosecond that isn't before it."""
        return self.at.ns + math.ceil(self.at.rest_s * NANOSECONDS)


class Protection:
    """The bounds of one instrument, held against one circuit's motions."""

    def __init__(self, specification: Specification, circuit: Circuit) -> None:
        self._bounds = _bounds(specification)
        self._circuit = circuit
        self._motion = circuit.motion()
        self._found: dict[Bound, float] = {}
        if self._bounds:
            circuit.watchers.append(self._follow)

    @property
    def watches(self) -> bool:
        """Whether there is any bound left to be passed."""
        return bool(self._bounds)

    def _follow(self, motion: Motion) -> None:
        self._motion = motion
        self._found.clear()

    def look(self, now_ns: int, output: bool) -> Passed | None:
        """Look at the circuit; where a bound is passed by now, move it only until there.

        With the output off there is nothing to drop.
        """
        circuit = self._circuit
        while self._bounds:
            passed = self._next(output)
            if passed is not None and passed.after_ns <= min(now_ns, circuit.ends_ns):
                circuit.advance(passed.after_ns)
                return passed
            if circuit.ends_ns >= now_ns:
                break
            circuit.look(circuit.ends_ns + 1)
        circuit.look(now_ns)
        return None

    def next_ns(self, output: bool) -> int:
        """When the circuit next needs a look: control passes by itself, or a bound is passed."""
        passed = self._next(output)
        ends_ns = self._circuit.ends_ns + 1
        return ends_ns if passed is None else min(ends_ns, passed.after_ns)

    def _next(self, output: bool) -> Passed | None:
        """The first bound that is passed in the present motion; None where none is."""
        first: Passed | None = None
        for bound in self._bounds:
            if not (output or bound.damage):
                continue
            if bound not in self._found:
                self._found[bound] = _when(self._motion, bound)
            when_s = self._found[bound]
            if when_s < math.inf:
                at = self._motion.begin.later(when_s)
                if first is None or at.since(first.at) < 0:
                    first = Passed(at, bound)
        return first

    def damaged(self, bound: Bound) -> None:
        """It has done its damage: that is told once."""
        self._bounds.remove(bound)


def _when(motion: Motion, bound: Bound) -> float:
    """When a motion is first past a bound (s after its begin), inf where it never is."""
    quantity, magnitude = bound.quantity, bound.magnitude * _PAST
    if abs(motion.value(quantity, 0.0)) > magnitude:
        return 0.0
    return min(
        motion.passes(quantity, True, magnitude, 0.0),
        motion.passes(quantity, False, -magnitude, 0.0),
    )


def _bounds(specification: Specification) -> list[Bound]:
    stated = specification.protections
    found: list[Bound] = []
    volts, amperes = stated.over_voltage, stated.over_current
    if volts is not None:
        text = f"the over-voltage protection of {write(volts, VOLTAGE)} dropped the output"
        found.append(Bound("voltage", volts, False, text))
    if amperes is not None:
        text = f"the over-current protection of {write(amperes, CURRENT)} dropped the output"
        found.append(Bound("current", amperes, False, text))
    outside = specification.largest_outside_voltage
    if outside is not None:
        text = f"more than the {write(outside, VOLTAGE)} that the instrument bears from outside"
        found.append(Bound("voltage", outside, True, text))
    return found
