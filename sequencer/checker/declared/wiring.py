"""Sensors and joined terminals of a bench, against what a recipe asks of its channels.

Knows what a bench's channels read through sensors, and which of their terminals share a potential.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from drivers.bench_wiring import Joined
from grammar import tree
from grammar.diagnostic import Related
from sequencer.checker.naming.scope import Workings
from sequencer.checker.naming.words import with_article

if TYPE_CHECKING:
    from drivers.bench_file import BenchFile


def check_sensor(work: Workings, node: tree.Channel, bench: BenchFile) -> bool:
    """A channel that reads a sensor, or doesn't, on a bench where it does, or doesn't.

    Gives whether one of them does: then nothing else is asked of its instrument.
    """
    name = node.name.id
    facts, sensor = work.checked.channels[name], bench.sensors.get(name)
    if not facts.sensed and sensor is None:
        return False
    error, capability = work.problems.error, node.capabilities[0]
    if sensor is None:
        error(
            "bench-lacks-sensor",
            capability.span,
            f"the bench's `{name}` has no sensor, and reads no {facts.sensed}",
            f"describe one in the bench file, under [channels.{name}]: "
            'sensor = { kind = "platinum", resistance = "100 ohm" }',
        )
    elif not facts.sensed:
        error(
            "bench-reads-sensor",
            capability.span,
            f"the bench's `{name}` reads {with_article(sensor.gives)} through its sensor "
            f"({sensor.method}), and nothing else: it can't do `{capability.text}`",
            f"write `measure {sensor.gives}` here, or take a channel of the bench without a sensor",
        )
    elif sensor.gives != facts.sensed:
        error(
            "bench-lacks-sensor",
            capability.span,
            f"the bench's `{name}` reads {with_article(sensor.gives)} ({sensor.method}), and no "
            f"{facts.sensed}",
            f"take a channel of the bench that reads {with_article(facts.sensed)}, or give this "
            "one another sensor",
        )
    elif isinstance(sensor.counts_from, str):
        _check_reference(work, node, sensor.counts_from)
    return True


def _check_reference(work: Workings, node: tree.Channel, junction: str) -> None:
    """What reads a reference junction is declared too: its readings are on record, under guards."""
    found = work.find(junction)
    if found is not None and found.role == "channel":
        found.used = True
        return
    work.problems.error(
        "bench-needs-reference",
        node.name.span,
        f"on this bench the sensor of `{node.name.id}` counts from a junction that `{junction}` "
        "reads, and the recipe has no such channel",
        f"declare it as well: channel {junction}: measure temperature",
    )


def check_joined(work: Workings, bench: BenchFile) -> None:
    """No two channels that source have both their terminals joined: they would fight."""
    sourcing = {
        name: facts
        for name, facts in work.checked.channels.items()
        if name in bench.channels
        and (facts.can("source") or facts.can("sink") or _drives(bench, name))
    }
    joined = Joined({name: entry.common for name, entry in bench.channels.items()})
    for one, other in joined.parallel(list(sourcing)):
        work.problems.error(
            "bench-joined",
            sourcing[other].span,
            f"on this bench the terminals of `{other}` are joined to those of `{one}`, both of "
            "them: two outputs in parallel, which fight",
            "take channels that share one terminal at most, or correct “common” in the bench file",
            [Related(sourcing[one].span, "the other channel")],
        )


def _drives(bench: BenchFile, name: str) -> bool:
    """Whether a sensor has its instrument hold a voltage or drive a current."""
    sensor = bench.sensors.get(name)
    return sensor is not None and sensor.reads != "voltage"
