"""Simulated instruments that are off by all that their specification admits.

What a simulated instrument draws within its accuracy is seldom near the end of it. Here gain and
offset are at their ends most often, each with a sign of its own, and level and limit may stay at
their overshoot for good, where a real one is there for some microseconds.
"""

from __future__ import annotations

import random
from typing import NamedTuple

from drivers.bench import Bench
from drivers.channel import Setpoint
from drivers.simulated.circuits.circuit import Source
from drivers.simulated.instruments.instrument import SimulatedChannel
from drivers.simulated.instruments.meter import Error, Meter
from drivers.simulated.instruments.staircase import switched_on

NO_ERROR = Error()


class Errors(NamedTuple):
    """How far the instruments of a run are off: a seed for the errors, and whether overshoot is."""

    seed: int
    overshoot: bool


def make_adverse(bench: Bench, errors: Errors) -> None:
    """Give every simulated channel of a bench errors at the ends of its specification."""
    for name, channel in sorted(bench.channels.items()):
        assert isinstance(channel, SimulatedChannel)
        dice = random.Random(f"{errors.seed} {name}")
        for meter in (channel._voltage, channel._current):
            _draw(meter, dice)
        if errors.overshoot:
            _overshoot(channel)


def _draw(meter: Meter, dice: random.Random) -> None:
    """Errors of one quantity: one habit for all of its ranges."""
    habit = dice.choice(["ends", "ends", "ends", "within", "none"])

    def error(most: float) -> float:
        if habit == "none":
            return 0.0
        return most * (dice.choice([-1.0, 1.0]) if habit == "ends" else dice.uniform(-1, 1))

    meter._errors = [
        Error(
            1 + error(r.source.of_value),
            error(r.source.plus),
            1 + error(r.measure.of_value),
            error(r.measure.plus),
        )
        for r in meter._ranges
    ]
    meter._set_scale()


def _overshoot(channel: SimulatedChannel) -> None:
    """Let level and limits stand at their overshoot: a level away from zero, a limit outward."""
    over = channel.specification.overshoot
    # What stands there for good doesn't pass by once more on the way.
    channel._manners = channel._manners._replace(
        current_overshoot=0.0, voltage_overshoot=0.0, kick=0.0
    )
    plain = channel._as_source
    by = {"voltage": over.voltage, "current": over.current}

    def beyond(setpoint: Setpoint | None) -> Source:
        if not channel._output or setpoint is None:
            return plain(setpoint)
        mode, level, _, high = setpoint
        other = "current" if mode == "voltage" else "voltage"

        def sourced(quantity: str, value: float) -> float:
            meter = channel._voltage if quantity == "voltage" else channel._current
            true = meter.sourced(value)
            if value == 0:
                return true
            if quantity == mode:
                return true + (by[mode] if level > 0 else -by[mode])
            return true + (by[other] if value == high else -by[other])

        leads = 0.0 if channel._acquisition.remote_sense else channel._lead_resistance
        return switched_on(
            channel.specification,
            setpoint,
            lambda value: sourced("voltage", value),
            lambda value: sourced("current", value),
            channel._output_resistance + leads,
            leads,
            channel._pulsing,
        )

    channel._as_source = beyond  # type: ignore[method-assign]
