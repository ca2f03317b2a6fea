"""Ramps, sweeps, pulses and captures from the tree to steps; no other step is compiled here."""

from __future__ import annotations

from typing import TYPE_CHECKING, cast

from drivers.channel import Mode
from grammar import tree
from sequencer.engine.capturing import CaptureStep
from sequencer.engine.expressions import Number
from sequencer.engine.levels import Head, PulsedSweep, PulseTrain, Ramp, Readings, Sweep
from sequencer.engine.steps import Bounds, Step

if TYPE_CHECKING:
    from collections.abc import Sequence

    from sequencer.engine.compile import Compiler


def _number(compiler: Compiler, node: tree.Expression | None) -> Number | None:
    return compiler.expressions.number(node) if node is not None else None


def _limit(compiler: Compiler, node: tree.Expression | None, mode: str) -> Bounds | None:
    other = "current" if mode == "voltage" else "voltage"
    return compiler.expressions.bounds(node, other) if node is not None else None


def _readings(
    compiler: Compiler,
    channels: Sequence[tree.Name],
    into: tree.Name | None,
    until: tree.Expression | None,
) -> Readings:
    return Readings(
        tuple(compiler.ports[name.id] for name in channels),
        *compiler.into(into),
        compiler.expressions.condition(until) if until is not None else None,
        compiler.expressions.over_columns(until) if until is not None else None,
    )


def sweep(compiler: Compiler, node: tree.Sweep, line: int, text: str) -> Step:
    """`sweep …`, pulsed or not."""
    from sequencer.engine.compile import series

    number, mode = compiler.expressions.number, cast("Mode", node.mode)
    levels = series(number(node.first), number(node.last), number(node.points), node.logarithmic)
    readings = _readings(compiler, (node.channel, *node.reading), node.into, node.until)
    head = Head(line, text, mode, _limit(compiler, node.limit, mode), readings)
    if node.pulsed:
        assert node.width is not None
        assert node.period is not None
        width, period = number(node.width), number(node.period)
        return PulsedSweep(head, levels, width, period)
    # What is read meanwhile is no part of a number or a setting.
    alike = node.settle is None or isinstance(node.settle, tree.Number)
    alike = alike or (isinstance(node.settle, tree.Name) and node.settle.id != "elapsed")
    return Sweep(head, levels, _number(compiler, node.settle), alike)


def ramp(compiler: Compiler, node: tree.Ramp, line: int, text: str) -> Step:
    """`ramp …`."""
    readings = _readings(compiler, (node.channel, *node.reading), node.into, node.until)
    return Ramp(
        Head(line, text, cast("Mode", node.mode), None, readings),
        compiler.expressions.number(node.level),
        _number(compiler, node.rate),
        _number(compiler, node.duration),
        _number(compiler, node.step),
    )


def pulse(compiler: Compiler, node: tree.PulseStep, line: int, text: str) -> Step:
    """`pulse …`."""
    assert node.width is not None
    limit = _limit(compiler, node.limit, node.mode)
    readings = _readings(compiler, (node.channel,), node.into, None)
    return PulseTrain(
        Head(line, text, cast("Mode", node.mode), limit, readings),
        compiler.expressions.number(node.level),
        compiler.expressions.number(node.width),
        _number(compiler, node.period),
        _number(compiler, node.count),
        _number(compiler, node.countdown),
    )


def capture(compiler: Compiler, node: tree.CaptureStep, line: int, text: str) -> Step:
    """`capture … :` and its steps."""
    assert node.into is not None
    number = compiler.expressions.number
    return CaptureStep(
        line,
        text,
        compiler.ports[node.channel.id],
        number(node.rate),
        number(node.duration),
        _trigger(compiler, node),
        _number(compiler, node.before),
        compiler.block(node.body),
        compiler.keep(node.into),
    )


def _trigger(compiler: Compiler, node: tree.CaptureStep) -> tuple[Mode, bool, Number] | None:
    """The quantity that a trigger looks at, whether it is to rise, and the threshold."""
    condition = node.trigger
    if condition is None:
        return None
    assert isinstance(condition, tree.Compare)
    own, other = condition.left, condition.right
    above = condition.operator in (">", ">=")
    if not (isinstance(own, tree.Member) and own.base.id == node.channel.id):
        own, other, above = other, own, not above
    assert isinstance(own, tree.Member)
    return cast("Mode", own.field.id), above, compiler.expressions.number(other)
