"""How a channel stands, for somebody who works by hand: setting, newest reading, nearest guard.

Fed with every row that goes on record; takes no reading of its own.
"""

from __future__ import annotations

import math
from array import array
from typing import TYPE_CHECKING

from grammar.quantity import CURRENT, VOLTAGE, write
from sequencer.engine.sensing import SensorPort
from sequencer.record.rows import CHANNEL_COLUMNS
from sequencer.report.counts import COLUMNS, Count
from sequencer.report.following import Look
from sequencer.report.words import reading, setting

if TYPE_CHECKING:
    from drivers.channel import Setpoint
    from sequencer.checker import PartFacts
    from sequencer.engine.port import Port

_PLACES = (*(CHANNEL_COLUMNS.index(name) for name in COLUMNS), len(CHANNEL_COLUMNS))
_MOST_WAITING = 4096


class State:
    """One channel as it stands."""

    def __init__(self, port: Port, part: PartFacts | None) -> None:
        self.port = port
        self._count = Count(part, port.quantity if isinstance(port, SensorPort) else "")
        self._waiting = [array("d") for _ in self._count.columns]
        port.also(self._take)

    def _take(self, row: tuple[float, ...]) -> None:
        # The value of a sensor comes last, where there is one.
        for column, place in zip(self._waiting, _PLACES, strict=False):
            column.append(row[place])
        if len(self._waiting[0]) >= _MOST_WAITING:
            self._settle()

    def _settle(self) -> None:
        if self._waiting[0]:
            self._count.take(self._waiting)
            self._waiting = [array("d") for _ in self._count.columns]

    def lines(self) -> list[str]:
        """How it stands, in two lines; in one where nothing was set or read yet."""
        self._settle()
        port, count = self.port, self._count
        setpoint = port.setpoint
        look = Look(
            channel=port.name,
            part=port.part,
            on=port.on,
            time=count.time,
            voltage=count.voltage,
            current=count.current,
            limited=count.limited,
            level=setpoint.level if setpoint is not None else math.nan,
            mode=setpoint.mode if setpoint is not None else "",
            limit=_limit(setpoint) if setpoint is not None else "",
            guards=count.headroom() if count.rows else (),
            sensed=count.sensed,
            value=count.value,
        )
        name = look.channel + (f" ({look.part})" if look.part else "")
        set_to = setting(look)
        said = [f"{name} {'ON' if look.on else 'off'}" + (f", {set_to}" if set_to else "")]
        if count.rows:
            nearest = max(look.guards, key=lambda guard: guard.used, default=None)
            near = f"; {nearest.name} at {100 * nearest.used:.0f} %" if nearest is not None else ""
            said.append(f"  {reading(look)}{near}")
        return said


def _limit(setpoint: Setpoint) -> str:
    dimension = CURRENT if setpoint.mode == "voltage" else VOLTAGE
    if setpoint.low == -setpoint.high:
        return f"±{write(setpoint.high, dimension, 4)}"
    return f"{write(setpoint.low, dimension, 4)} … {write(setpoint.high, dimension, 4)}"
