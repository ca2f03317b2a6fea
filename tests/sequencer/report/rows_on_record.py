"""Readings as they go on record."""

from __future__ import annotations

from sequencer.record.rows import CHANNEL_COLUMNS


def row(time: float, voltage: float, current: float, **more: float) -> tuple[float, ...]:
    """A reading in the order of CHANNEL_COLUMNS; what isn't given is 0, the level 2.7."""
    values = dict.fromkeys(CHANNEL_COLUMNS, 0.0)
    values |= {"time": time, "voltage": voltage, "current": current, "level": 2.7, "trace": 0.0}
    return tuple((values | more).values())
