"""Readings and counters of a channel: their names, dimensions and what the channel must measure.

Knows the fields and no order of steps: whether a reading has been taken is another check's matter.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from grammar import tree
from grammar.quantity import (
    CHARGE,
    CURRENT,
    ENERGY,
    POWER,
    RESISTANCE,
    TIME,
    VOLTAGE,
    Dimension,
)
from grammar.wording import listed, near
from sequencer.checker.facts import TRUTH, UNKNOWN, Type
from sequencer.checker.scope import Definition

if TYPE_CHECKING:
    from sequencer.checker.units import Expressions

READINGS: dict[str, Dimension | None] = {
    "voltage": VOLTAGE,
    "current": CURRENT,
    "power": POWER,
    "resistance": RESISTANCE,
    "limited": None,
    "level": None,
}
"""What a reading holds; `limited` is a truth value, `level` is in the unit of the source's mode."""

COUNTERS: dict[str, Dimension] = {"charge": CHARGE, "energy": ENERGY, "elapsed": TIME}
"""What is counted between readings, and always the present value."""

MEASURED: dict[str, tuple[str, ...]] = {
    "voltage": ("measure voltage",),
    "current": ("measure current",),
    "power": ("measure voltage", "measure current"),
    "resistance": ("measure voltage", "measure current"),
    "charge": ("measure current",),
    "energy": ("measure voltage", "measure current"),
}
"""The capabilities that each of them needs."""


def type_of(expressions: Expressions, node: tree.Member) -> Type:
    """The type of `CHANNEL.FIELD`."""
    base = expressions.work.resolve(node.base, ("channel",))
    if base is None:
        return UNKNOWN
    field = node.field.id
    if base.role != "channel":
        return _of_no_channel(expressions, node, base)
    if field not in READINGS and field not in COUNTERS:
        return _unknown_field(expressions, node)
    if expressions.place in ("results", "require"):
        hint = "only settings are known before a run"
        if expressions.place == "results":
            hint = f"keep it in a step: let last_{field} = {node.base.id}.{field}"
        return expressions.error(
            "reading-out-of-place",
            node.span,
            f"`{node.base.id}.{field}` has no value in "
            + ("results" if expressions.place == "results" else "a `require`"),
            hint,
        )
    if field == "limited":
        return TRUTH
    if field == "level":
        return _level(expressions, node)
    return Type("quantity", READINGS.get(field) or COUNTERS[field])


def _of_no_channel(expressions: Expressions, node: tree.Member, base: Definition) -> Type:
    hint = f"only channels have readings, as in smu.{node.field.id}"
    if base.role == "part":
        part = expressions.work.checked.parts.get(base.name)
        channel = part.channel if part is not None else "smu"
        hint = f"readings are those of its channel: write {channel}.{node.field.id}"
    elif base.role == "result":
        hint = f"`{base.name}` has a single value: write {base.name}"
    elif base.role == "trace":
        hint = f"a calculation reads its columns: mean({base.name}, {node.field.id})"
    return expressions.error(
        "not-a-channel",
        node.base.span,
        f"`{base.name}` is a {base.role} and has no `{node.field.id}`",
        hint,
    )


def _unknown_field(expressions: Expressions, node: tree.Member) -> Type:
    names = [*READINGS, *COUNTERS]
    wanted = near(node.field.id, names)
    hint = f"write {node.base.id}.{wanted}" if wanted else f"a channel has {listed(names, 20)}"
    return expressions.error(
        "unknown-reading",
        node.field.span,
        f"a channel has no reading `{node.field.id}`",
        hint,
    )


def _level(expressions: Expressions, node: tree.Member) -> Type:
    """The programmed level: volts or amperes, if all of the channel's sources are of one mode."""
    modes = expressions.work.modes.get(node.base.id, set())
    if len(modes) > 1:
        return expressions.error(
            "level-of-both",
            node.span,
            f"`{node.base.id}` sources voltage in some steps and current in others, so its level "
            "has no one unit",
            f"write {node.base.id}.voltage or {node.base.id}.current",
        )
    if not modes:
        return expressions.error(
            "level-of-none",
            node.span,
            f"no step sources `{node.base.id}`, so it has no level",
            f"write {node.base.id}.voltage or {node.base.id}.current",
        )
    return Type("quantity", READINGS[next(iter(modes))])
