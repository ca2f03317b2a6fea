"""Which pulses a simulated instrument makes: the pulsed envelope, over the pulses made so far.

Inside the continuous envelope any pulse is made. Beyond it width, duty, rest and number in a row
are judged, by the beginnings and widths of the pulses before. The module knows no part.
"""

from __future__ import annotations

import math
from typing import NamedTuple

from drivers.channel import Setpoint
from drivers.clock import NANOSECONDS
from drivers.faults import InstrumentError
from drivers.figures import PulsedRectangle
from drivers.simulated.instruments.envelope import Corner, accept_form, corners_beyond
from drivers.specification import Specification
from grammar.quantity import TIME, write


def accept_pulse(specification: Specification, setpoint: Setpoint, width_s: float) -> None:
    """Raise InstrumentError for a pulse that the instrument can't make anyhow."""
    if not specification.can("pulse"):
        raise InstrumentError("this instrument makes no pulses")
    if not specification.shortest_aperture <= width_s < math.inf:
        shortest = write(specification.shortest_aperture, TIME)
        raise InstrumentError(
            f"a pulse of {write(width_s, TIME)} can't be measured: the shortest aperture is "
            f"{shortest}",
            "Make the pulse longer.",
        )
    accept_form(specification, setpoint)


class _Last(NamedTuple):
    begin_ns: int
    width_s: float


class Pulses:
    """The pulses of one instrument, as far as they count for the next one."""

    def __init__(self, specification: Specification) -> None:
        self._specification = specification
        self._last: _Last | None = None
        # How many pulses beyond the continuous envelope there were without each rectangle's rest.
        self._in_a_row = [0] * len(specification.pulsed)

    def accept(self, setpoint: Setpoint, width_s: float, now_ns: int) -> None:
        """Take a pulse from now on into account, or raise InstrumentError and change nothing."""
        beyond = list(corners_beyond(self._specification, setpoint))
        if not beyond:
            return
        rows = [self._row_with_next(number, now_ns) for number in range(len(self._in_a_row))]
        for corner in beyond:
            self._judge(corner, width_s, now_ns, rows)
        self._last, self._in_a_row = _Last(now_ns, width_s), rows

    def _judge(self, corner: Corner, width_s: float, now_ns: int, rows: list[int]) -> None:
        """One rectangle of the pulsed envelope holds a corner, and this pulse is within it."""
        sizes = abs(corner.voltage), abs(corner.current)
        excess = ""
        for number, rectangle in enumerate(self._specification.pulsed):
            if any(rectangle.holds(*sizes, way) for way in corner.directions):
                excess = self._excess(rectangle, width_s, now_ns, rows[number])
                if not excess:
                    return
        if excess:
            raise InstrumentError(
                f"{corner.written} is outside what the instrument bears continuously, and {excess}",
                "Pulse shorter or more seldom, or lower the level or the limit.",
            )
        raise InstrumentError(
            f"{corner.written} is outside what the instrument bears even in pulses{corner.way}",
            "Lower the level or the limit, or use an instrument that bears it.",
        )

    def _excess(
        self, rectangle: PulsedRectangle, width_s: float, now_ns: int, in_a_row: int
    ) -> str:
        excess = rectangle.too_long(width_s)
        if excess or self._last is None:
            return excess
        begin_ns, last_width_s = self._last
        return rectangle.too_often(last_width_s, (now_ns - begin_ns) / NANOSECONDS, in_a_row)

    def _row_with_next(self, number: int, now_ns: int) -> int:
        """The number in its row that a pulse now would have."""
        if self._last is None:
            return 1
        begin_ns, width_s = self._last
        rest_s = (now_ns - begin_ns) / NANOSECONDS - width_s
        rested = rest_s >= self._specification.pulsed[number].shortest_rest * (1 - 1e-9)
        return 1 if rested else self._in_a_row[number] + 1
