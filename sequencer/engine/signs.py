"""Signs of a lost part or lead in the readings of one channel: what no whole wiring would show.

- *gone*: a current that flowed flows no more, though nothing less was programmed
- *gives*: a part that can only take power seems to give it (sense leads the wrong way round)
- *nothing*: a junction carries a current, and nothing is read across it (sense leads off)
- *unheld*: no limit is in control, and what is read is not the level that is regulated
- *jump*: the voltage of a part that stores jumps, though nothing was programmed, output on or off
- *bounce*: control passes to and fro, though nothing was programmed
- *stands*: charge goes into a capacitor, and its voltage stands still (sense leads off)

Each is judged on what was read since the last change of the setpoint, and far enough out that no
whole part comes near it; the shares and factors here are common practice, no source. Which sign
concerns a part follows from its kind. Takes no reading and switches nothing.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import TYPE_CHECKING

from drivers.channel import Setpoint
from drivers.kinds import Kind
from drivers.specification import Specification
from grammar.quantity import CHARGE, CURRENT, TIME, VOLTAGE, write
from sequencer.engine.guards import EXACT, Uncertainty
from sequencer.engine.held import arrives_s, held_between

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt

    Array = npt.NDArray[np.float64]
    Mask = npt.NDArray[np.bool_]

CARRIES = (
    "resistor", "contact", "resettable fuse", "coil", "diode", "LED", "laser diode", "suppressor",
)  # fmt: skip
"""Kinds that carry a current as long as a level stands."""
TAKES = ("resistor", "resettable fuse", "diode", "LED", "laser diode", "suppressor")
"""Kinds that can only take power."""
JUNCTIONS = ("diode", "LED", "laser diode", "suppressor")
"""Kinds that carry a current only where a voltage drives it."""
STORES = ("capacitor", "cell")
"""Kinds whose voltage moves with the charge that they have taken."""

_FLOWED = 20.0
"""A current has flowed where it is so many times what a reading of none may be off."""
_NOTHING_LEFT = 1e-6
_JUMP_SHARE = 0.05
_JUMP_FACTOR = 10.0
_FULL_FACTOR = 3.0
_STANDS_SHARE = 0.02
_STILL_SHARE = 0.25
_GIVES_V = 1e-3
# At a hundredth of what it bears no junction has so little across it, however hot (kT/q is 26 mV).
_JUNCTION_V, _JUNCTION_SHARE = 0.01, 0.01
_BOUNCES, _BOUNCING_S = 6, 1.0


class Signs:
    """The signs of one channel's part; `look` judges a reading, `within` many that may follow.

    `work_out` and `anew` tell of the readings' errors and of everything that changes.
    """

    def __init__(
        self,
        part: str,
        kind: Kind,
        ratings: Mapping[str, tuple[float, float]],
        specification: Specification,
    ) -> None:
        self._part = part
        self._kind = kind.name
        self._specification = specification
        low, high = ratings["voltage"]
        self._span = high - low
        self._largest = max(abs(low), abs(high))
        self._carries_a = _JUNCTION_SHARE * max(map(abs, ratings["current"]))
        energy = ratings.get("energy", (0.0, math.inf))[1]
        # What stores no more energy than it may at its rated voltage has no more capacitance.
        self._farads = math.inf
        if kind.name == "capacitor" and energy > 0 and self._largest > 0:
            self._farads = 2 * energy / self._largest**2
        self._arrives_s = arrives_s(specification)
        self._setpoint: Setpoint | None = None
        self._carried = 0.0
        self.work_out(EXACT, EXACT)
        self.anew(None, 0.0)

    def work_out(self, volts: Uncertainty, amperes: Uncertainty) -> None:
        """What readings may be off, in the ranges in force."""
        self._volts_off = volts.of_value * self._largest + volts.plus
        self._volts, self._amperes = volts, amperes

    def anew(
        self, setpoint: Setpoint | None, now_s: float, full_scale: float | None = None
    ) -> None:
        """A setpoint holds from now on (s), or none with the output off: what was read is past.

        `full_scale` is that of the range in which it is sourced, None where that follows it.
        """
        before = self._setpoint
        if not (setpoint and before and _at_least(setpoint, before)):
            self._carried = 0.0
        self._setpoint = setpoint
        self._readings: list[tuple[float, float, float]] = []
        self._limited = -1.0
        self._from: tuple[float, float] | None = None
        self._unheld = 0
        self._passed_s: list[float] = []
        self._anew_s = now_s
        if setpoint is not None:
            self._held_from_s = now_s + self._arrives_s
            off = self._volts if setpoint.mode == "voltage" else self._amperes
            self._low, self._high = held_between(self._specification, setpoint, full_scale, off)

    # One reading

    def look(
        self, moment: float, voltage: float, current: float, limited: float, charge: float
    ) -> str:
        """The sign that a reading shows, in words; empty where it shows none.

        `charge` is what has gone into the part (C, from any moment on).
        """
        if not (math.isfinite(voltage) and math.isfinite(current)):
            return ""
        if limited != self._limited:
            self._limited, self._from = limited, None
        words = self._jumped(moment, voltage, current)
        if self._setpoint is not None:
            words = words or self._under_power(moment, voltage, current, charge)
        self._keep(moment, voltage, current, charge)
        return words

    def _under_power(self, moment: float, voltage: float, current: float, charge: float) -> str:
        return (
            self._gone(current)
            or self._gives(voltage, current)
            or self._nothing_across(voltage, current)
            or self._not_held(moment, voltage, current)
            or self._stands(voltage, charge)
        )

    def _keep(self, moment: float, voltage: float, current: float, charge: float) -> None:
        self._readings = [*self._readings[-2:], (moment, voltage, current)]
        self._carried = current
        if self._from is None:
            self._from = voltage, charge

    def _none_flows(self, current: float, before: float) -> bool:
        """Whether a current flowed before, and none does now."""
        plus = self._amperes.plus
        return abs(before) > _FLOWED * plus and abs(current) <= max(
            plus, _NOTHING_LEFT * abs(before)
        )

    def _gone(self, current: float) -> str:
        if self._kind not in CARRIES or not self._none_flows(current, self._carried):
            return ""
        return (
            f"{self._part}: lead off? {write(self._carried, CURRENT, 4)} flowed, and now nothing "
            "does, though nothing less was programmed"
        )

    def _gives(self, voltage: float, current: float) -> str:
        if self._kind not in TAKES or voltage * current >= 0:
            return ""
        if abs(voltage) <= self._least_volts or abs(current) <= _FLOWED * self._amperes.plus:
            return ""
        return (
            f"{self._part}: sense leads the wrong way round? {write(voltage, VOLTAGE, 4)} at "
            f"{write(current, CURRENT, 4)} is power that a {self._kind} can't give"
        )

    def _nothing_across(self, voltage: float, current: float) -> str:
        if self._kind not in JUNCTIONS or abs(voltage) >= _JUNCTION_V:
            return ""
        if abs(current) <= max(_FLOWED * self._amperes.plus, self._carries_a):
            return ""
        return (
            f"{self._part}: sense lead off, or shorted? {write(current, CURRENT, 4)} flows, and "
            f"only {write(voltage, VOLTAGE, 4)} is read across the {self._kind}"
        )

    @property
    def _least_volts(self) -> float:
        return _FLOWED * self._volts.plus + _GIVES_V

    def _not_held(self, moment: float, voltage: float, current: float) -> str:
        assert self._setpoint is not None
        in_volts = self._setpoint.mode == "voltage"
        value, dimension = (voltage, VOLTAGE) if in_volts else (current, CURRENT)
        if self._limited or moment < self._held_from_s or self._low <= value <= self._high:
            self._unheld = 0
            return ""
        self._unheld += 1
        if self._unheld < 2:
            # One may have been taken while control passed.
            return ""
        return (
            f"{self._part}: {'sense ' if in_volts else ''}lead off? {write(value, dimension, 4)} "
            f"{'are' if in_volts else 'is'} read where {write(self._setpoint.level, dimension)} "
            f"should be, and no limit is in control"
        )

    def _jumped(self, moment: float, voltage: float, current: float) -> str:
        if self._kind not in STORES or len(self._readings) < 3:
            return ""
        (t0, v0, _), (t1, v1, _), (t2, v2, before) = self._readings
        # The slower of the last two: a reading that saw a part of a jump says nothing.
        slope = min(abs(v1 - v0) / (t1 - t0), abs(v2 - v1) / (t2 - t1))
        interval, jump = moment - t2, abs(voltage - v2)
        far = self._volts_off + _JUMP_SHARE * self._span + _JUMP_FACTOR * slope * interval
        full = self._volts_off + _FULL_FACTOR * slope * interval
        if jump <= far and not (self._none_flows(current, before) and jump > full):
            return ""
        return (
            f"{self._part}: lead off? its voltage jumped from {write(v2, VOLTAGE, 4)} to "
            f"{write(voltage, VOLTAGE, 4)} within {write(interval, TIME, 3)}, and nothing else was "
            "programmed"
        )

    def _stands(self, voltage: float, charge: float) -> str:
        if self._from is None or not self._at_constant_current:
            return ""
        volts, since = self._from
        moved = abs(charge - since)
        stands = abs(voltage - volts) <= _STILL_SHARE * self._volts_off
        if not stands or _STANDS_SHARE * moved / self._farads <= self._volts_off:
            return ""
        return (
            f"{self._part}: sense lead off? {write(moved, CHARGE, 4)} have flowed, and its voltage "
            f"stands at {write(voltage, VOLTAGE, 4)}"
        )

    @property
    def _at_constant_current(self) -> bool:
        assert self._setpoint is not None
        return (self._setpoint.mode == "voltage") == (self._limited == 1.0)

    def passed(self, moment: float) -> str:
        """Control has passed between level and limit; the sign that this shows, as `look`.

        One that is told of late, from before the setpoint or by it, is no sign.
        """
        if moment <= self._anew_s:
            return ""
        self._passed_s = [*self._passed_s[1 - _BOUNCES :], moment]
        if len(self._passed_s) < _BOUNCES or moment - self._passed_s[0] > _BOUNCING_S:
            return ""
        return (
            f"{self._part}: lead off? control passed to and fro {_BOUNCES} times within "
            f"{write(moment - self._passed_s[0], TIME, 3)}, as where a contact bounces, and "
            "nothing else was programmed"
        )

    # Many readings

    def within(
        self, voltage: Array, current: Array, limited: float, charge: Array, *, levels: bool = False
    ) -> Mask:
        """Which of the readings that would follow show no sign, nor come near one.

        One that is left out need not show any: `look` says. `levels` is that each has another level
        than the one before it.
        """
        import numpy as np

        if self._setpoint is None:
            return ~self._jumps(voltage)
        plus, amounts = self._amperes.plus, np.abs(current)
        signs = np.full(len(voltage), not levels and limited != self._limited)
        if self._kind in (*CARRIES, *STORES):
            before = np.concatenate(([abs(self._carried)], amounts[:-1]))
            gone = (before > _FLOWED * plus) & (amounts <= np.maximum(plus, _NOTHING_LEFT * before))
            signs |= gone
        if self._kind in TAKES:
            flows = amounts > _FLOWED * plus
            signs |= (voltage * current < 0) & (np.abs(voltage) > self._least_volts) & flows
        if self._kind in JUNCTIONS:
            carries = amounts > max(_FLOWED * plus, self._carries_a)
            signs |= carries & (np.abs(voltage) < _JUNCTION_V)
        if levels:
            return ~signs
        if not limited:
            value = voltage if self._setpoint.mode == "voltage" else current
            signs |= ~((self._low <= value) & (value <= self._high))
        signs |= self._jumps(voltage)
        if self._from is not None and self._at_constant_current:
            volts, since = self._from
            stands = np.abs(voltage - volts) <= _STILL_SHARE * self._volts_off
            moved = np.abs(charge - since)
            signs |= stands & (_STANDS_SHARE * moved / self._farads > self._volts_off)
        return ~signs

    def _jumps(self, voltage: Array) -> Mask:
        import numpy as np

        if self._kind not in STORES or not self._readings:
            return np.zeros(len(voltage), bool)
        jumps = np.abs(np.diff(voltage, prepend=self._readings[-1][1]))
        far: Mask = jumps > self._volts_off + _JUMP_SHARE * self._span
        return far

    def follow(
        self, moments: Array, voltage: Array, current: Array, limited: float, charge: Array
    ) -> None:
        """Readings that `within` has passed are taken, all with the same limit flag."""
        if limited != self._limited:
            self._limited, self._from = limited, None
        if self._from is None:
            self._from = float(voltage[0]), float(charge[0])
        self._unheld = 0
        for k in range(max(0, len(moments) - 3), len(moments)):
            self._keep(float(moments[k]), float(voltage[k]), float(current[k]), float(charge[k]))


def _at_least(setpoint: Setpoint, before: Setpoint) -> bool:
    """Whether a setpoint asks for no less than the one before it, on the same side."""
    return (
        setpoint.mode == before.mode
        and setpoint.level * before.level > 0
        and abs(setpoint.level) >= abs(before.level)
    )
