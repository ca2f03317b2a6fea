"""Whether the parts of a bench file bear what they begin with, before anything is done to them."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, cast

from drivers.located import Places
from drivers.simulated.parts.base import AtPort, Dynamic, PartModel
from grammar.diagnostic import Problems

if TYPE_CHECKING:
    from drivers.simulated.conditions import Conditions


def judge_beginnings(
    parts: Mapping[str, PartModel | None],
    conditions: Conditions,
    problems: Problems,
    places: Places,
) -> None:
    """No part lies broken on the bench: by its state at the start, or by what surrounds it."""
    for name, part in parts.items():
        physics = None if part is None else part.physics(conditions)
        for text in _broken(cast(Dynamic, physics)) if hasattr(physics, "breaks") else ():
            problems.error(
                "bench-value",
                places.key(("parts", name)),
                f"“parts.{name}” would give way before anything is done to it: {text}",
                "Let it bear more, or begin otherwise (“initial”, or [conditions] at 0 s).",
            )


def _broken(part: Dynamic) -> list[str]:
    """What gives way at the start, with nothing at its terminals."""
    ports: list[AtPort] = []
    for port in range(len(part.inductances)):
        law = part.law(port, 0.0, part.initial, ports)
        ports.append(AtPort(law.voltage_at(0.0), 0.0))
    found = [b for b in part.breaks if b.margin(0.0, part.initial, ports) < 0]
    return [b.then(0.0, part.initial).text for b in found]
