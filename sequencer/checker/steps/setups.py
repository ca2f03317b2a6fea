"""`setup`: how a channel is to measure, item by item.

Whether an instrument has the apertures and ranges that are named is the capabilities' matter.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from grammar import tree
from grammar.diagnostic import Related
from grammar.quantity import CURRENT, LINE_CYCLES, PLAIN, TIME, VOLTAGE, Dimension
from grammar.wording import listed, near
from sequencer.checker.expressions import amounts
from sequencer.checker.naming.words import a

if TYPE_CHECKING:
    from sequencer.checker.steps.steps import Steps

SETUP: dict[str, Dimension] = {
    "aperture": TIME,
    "average": PLAIN,
    "voltage range": VOLTAGE,
    "current range": CURRENT,
}


def check_setup(steps: Steps, node: tree.Setup) -> None:
    """`setup CH: aperture = 1 PLC, …`: each item is known, stands once and is of its kind."""
    steps.channel(node.channel)
    channel = steps.work.checked.channels.get(node.channel.id)
    seen: dict[str, tree.Name] = {}
    for item in node.items:
        name = item.name.id
        if name not in SETUP:
            wanted = near(name, SETUP)
            steps.work.problems.error(
                "unknown-setup",
                item.name.span,
                f"“{name}” is nothing that `setup` sets",
                f"write {wanted} = …" if wanted else f"there are {listed(SETUP)}",
            )
            continue
        if name in seen:
            steps.work.problems.error(
                "twice",
                item.name.span,
                f"`{name}` stands here a second time",
                "write it once",
                [Related(seen[name].span, "the first")],
            )
        seen.setdefault(name, item.name)
        if channel is not None and channel.sensed and name.endswith(" range"):
            steps.work.problems.error(
                "sensor-range",
                item.name.span,
                f"`{channel.name}` reads a sensor, whose signal its ranges follow",
                "leave this out",
                [Related(channel.span, "the channel")],
            )
        _value(steps, name, item.value)


def _value(steps: Steps, name: str, node: tree.Expression) -> None:
    expressions = steps.expressions
    if isinstance(node, tree.Name) and node.id == "auto":
        if not name.endswith("range"):
            expressions.error(
                "auto",
                node.span,
                f"the {name} can't be left to the instrument, only ranges can",
                f"write {name} = {'1 PLC' if name == 'aperture' else '1'}",
            )
    elif name == "aperture":
        found = expressions.quantity(node)
        steps.work.critical.append((node, "the aperture"))
        if found is not None and found not in (TIME, LINE_CYCLES):
            expressions.error(
                "missing-unit" if found.is_plain else "wrong-unit",
                node.span,
                f"the aperture is {a(found)}, expected a time or a number of power line cycles",
                "write it as in 1 PLC or 20 ms",
            )
        elif found is not None:
            amounts.positive(expressions, node, found, "the aperture")
    elif name == "average":
        amounts.count(expressions, node, "the number of readings to average", least=1)
    elif expressions.quantity(node, SETUP[name], f"the {name}") is not None:
        amounts.positive(expressions, node, SETUP[name], f"the {name}")
