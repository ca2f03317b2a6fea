"""Readings that a simulated channel foresees: a column of the circuit's means, shown by its meters.

Nothing is spent by looking; what is taken is gone, as if each reading had been measured in turn.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from drivers.channel import Block
from drivers.clock import NANOSECONDS
from drivers.simulated.circuits.circuit import Circuit
from drivers.simulated.circuits.flow import Array, Integers
from drivers.simulated.instruments.meter import Meter

_HALF_NS = 0.5 / NANOSECONDS


class Meters(NamedTuple):
    """Those of voltage and of current."""

    voltage: Meter
    current: Meter


def foresee(circuit: Circuit, meters: Meters, begins_ns: Integers, aperture_ns: int) -> Block:
    """The readings over apertures that begin then, as long as control and ranges stay the same."""
    means = circuit.means(begins_ns, aperture_ns)
    begins_ns = begins_ns[: len(means.voltage)]
    ends_ns = begins_ns + aperture_ns
    voltage, current, count = means.voltage, means.current, len(ends_ns)
    if count:
        voltage, volts_shown = meters.voltage.show_many(voltage, ends_ns)
        current, amperes_shown = meters.current.show_many(current, ends_ns)
        count = min(volts_shown, amperes_shown)
    middles_s: Array = (begins_ns + ends_ns).astype(np.float64) * _HALF_NS
    return Block(
        middles_s[:count],
        voltage[:count],
        current[:count],
        means.limited,
        meters.voltage.full_scale,
        meters.current.full_scale,
        ends_ns[:count],
    )
