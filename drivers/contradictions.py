"""Figures of a specification that are possible each for itself, and not together."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from drivers.located import Path as KeyPath
from grammar.quantity import (
    CURRENT,
    FREQUENCY,
    POWER,
    TEMPERATURE_POINT,
    TIME,
    VOLTAGE,
    write,
)

if TYPE_CHECKING:
    from drivers.specification import Specification


_ROOM_K = 296.15


def contradictions(specification: Specification) -> Iterator[tuple[KeyPath, str]]:
    """Figures that are possible each for itself, and not together: where they stand, and why."""
    yield from _of_envelopes(specification)
    for number, capability in enumerate(specification.capabilities):
        path: KeyPath = ("capabilities", number)
        says = f"“capabilities[{number}]” says “{capability}”"
        if capability in ("source", "sink"):
            if not any(r.direction in (capability, "both") for r in specification.continuous):
                yield path, f"{says}, and none of “continuous” is a rectangle to {capability} in"
        elif capability == "capture":
            for key in ("fastest_sampling", "memory_samples"):
                if getattr(specification, key) is None:
                    yield path, f"{says}, and there is no “{key}”"
    for key, capability in (
        ("pulsed", "pulse"),
        ("fastest_sampling", "capture"),
        ("memory_samples", "capture"),
    ):
        if getattr(specification, key) and not specification.can(capability):
            yield (key,), f"“{key}” is stated, and “capabilities” doesn't say “{capability}”"
    yield from _of_readings(specification)
    turn_on, overshoot = specification.turn_on, specification.overshoot
    if turn_on is not None and turn_on.voltage > overshoot.voltage:
        yield (
            ("turn_on", "voltage"),
            (
                f"“turn_on.voltage” is {write(turn_on.voltage, VOLTAGE)}, and “overshoot.voltage”, "
                f"the most by which a level is passed, is {write(overshoot.voltage, VOLTAGE)}"
            ),
        )
    fastest = specification.fastest_sampling
    # The shaved part: 2.5 us is 1/400 kHz in decimal, not in binary.
    if fastest is not None and fastest * specification.shortest_aperture > 1 + 1e-9:
        yield (
            ("fastest_sampling",),
            (
                f"“fastest_sampling” of {write(fastest, FREQUENCY)} leaves a sample "
                f"{write(1 / fastest, TIME)}, and the shortest aperture is "
                f"{write(specification.shortest_aperture, TIME)}"
            ),
        )


def _of_readings(specification: Specification) -> Iterator[tuple[KeyPath, str]]:
    """What a reading can't be both of, and protections that leave no room for the envelope."""
    if specification.skew and specification.measures == "simultaneous":
        yield (
            ("skew",),
            "“skew” is stated, and “measures” says “simultaneous”: both are read at once",
        )
    if specification.measures == "sequential":
        for number, capability in enumerate(specification.capabilities):
            if capability in ("pulse", "capture"):
                yield (
                    ("capabilities", number),
                    f"“capabilities[{number}]” says “{capability}”, and “measures” says "
                    "“sequential”: a pulse or a capture takes both at once",
                )
    settling = specification.range_settling
    if settling is not None and (settling.error > 0) != (settling.decay > 0):
        yield (
            ("range_settling",),
            "“range_settling” has one of “error” and “decay” without the other: an error that is "
            "left decays, and only that",
        )
    for key, dimension, most in (
        ("over_voltage", VOLTAGE, specification.largest_voltage),
        ("over_current", CURRENT, specification.largest_current),
    ):
        bound = getattr(specification.protections, key)
        if bound is not None and bound < most:
            yield (
                ("protections", key),
                f"“protections.{key}” is {write(bound, dimension)}, and “continuous” reaches "
                f"{write(most, dimension)}: it would drop what it can put out",
            )
    yield from _of_heat(specification)
    outside = specification.largest_outside_voltage
    if outside is not None and outside < specification.largest_voltage:
        yield (
            ("largest_outside_voltage",),
            f"“largest_outside_voltage” is {write(outside, VOLTAGE)}, and “continuous” reaches "
            f"{write(specification.largest_voltage, VOLTAGE)}: it bears what it puts out",
        )


def _of_heat(specification: Specification) -> Iterator[tuple[KeyPath, str]]:
    """A heat sink that gets too warm by what the envelope lets the instrument take for ever."""
    heat, air = specification.protections.over_temperature, specification.temperature
    if heat is None:
        return
    most = max(
        (r.voltage * r.current for r in specification.continuous if r.direction != "source"),
        default=0.0,
    )
    warmest = _ROOM_K if air is None else air.calibrated_at + air.holds_within
    if warmest + heat.rise * most > heat.limit:
        reached = write(warmest + heat.rise * most, TEMPERATURE_POINT, 4)
        yield (
            ("protections", "over_temperature", "limit"),
            f"“protections.over_temperature.limit” is {write(heat.limit, TEMPERATURE_POINT)}, and "
            f"{write(most, POWER)}, which “continuous” lets it take, make {reached} of air at "
            f"{write(warmest, TEMPERATURE_POINT)}: it would drop what it takes for ever",
        )


def _of_envelopes(specification: Specification) -> Iterator[tuple[KeyPath, str]]:
    """Rectangles beyond every range, and pulsed ones that add nothing."""
    largest = {
        "voltage": (VOLTAGE, specification.voltage_ranges[-1].full_scale),
        "current": (CURRENT, specification.current_ranges[-1].full_scale),
    }
    for key in ("continuous", "pulsed"):
        for number, rectangle in enumerate(getattr(specification, key)):
            for quantity, (dimension, most) in largest.items():
                value = getattr(rectangle, quantity)
                if value > most:
                    yield (
                        (key, number, quantity),
                        (
                            f"“{key}[{number}].{quantity}” is {write(value, dimension)}, and the "
                            f"largest {quantity} range holds {write(most, dimension)}"
                        ),
                    )
    for number, rectangle in enumerate(specification.pulsed):
        ways = ("source", "sink") if rectangle.direction == "both" else (rectangle.direction,)
        if all(specification.holds(rectangle.voltage, rectangle.current, way) for way in ways):
            yield (
                ("pulsed", number),
                (f"“pulsed[{number}]” lies inside the continuous envelope, and so bounds nothing"),
            )
