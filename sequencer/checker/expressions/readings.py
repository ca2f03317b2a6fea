"""Readings and counters of a channel: their names, dimensions and what the channel must measure.

Knows the fields and no order of steps: whether a reading has been taken is another check's matter.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from drivers.sensed import SENSED
from grammar import tree
from grammar.diagnostic import Related
from grammar.quantity import (
    CHARGE,
    CURRENT,
    ENERGY,
    PLAIN,
    POWER,
    RESISTANCE,
    TIME,
    VOLTAGE,
    Dimension,
)
from grammar.wording import listed, near
from sequencer.checker.facts import TRUTH, UNKNOWN, ChannelFacts, Type
from sequencer.checker.naming.scope import Definition, role_of

if TYPE_CHECKING:
    from sequencer.checker.expressions.units import Expressions

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
    **{name: (f"measure {name}",) for name in SENSED},
}
"""The capabilities that each of them needs."""

FACTS: dict[str, Dimension | None] = {"capacity": None, "in_series": PLAIN}
"""What expressions read of a part, as `cell.capacity`; a capacity is in the unit it is given in."""


def columns(facts: ChannelFacts | None) -> dict[str, Dimension | None]:
    """The columns that a channel has in a trace; None where the dimension depends on its source.

    A truth value counts as 0 or 1. A channel that isn't known, or that measures nothing, has been
    told of: it has every column, so that nothing follows from that.
    """
    known = facts is not None and facts.measures
    if known and facts is not None and facts.sensed:
        return {facts.sensed: SENSED[facts.sensed]}
    found = {name: READINGS.get(name) or COUNTERS.get(name) for name in _COLUMNS}
    found["limited"] = PLAIN
    if facts is None or not known:
        return found | SENSED
    if not facts.can("source") and not facts.can("sink"):
        del found["limited"], found["level"]
    return {
        name: dimension
        for name, dimension in found.items()
        if all(facts.can(needed) for needed in MEASURED.get(name, ()))
    }


_COLUMNS = ("voltage", "current", "power", "limited", "level", "charge", "energy")


def type_of(expressions: Expressions, node: tree.Member) -> Type:
    """The type of `CHANNEL.FIELD`."""
    known = expressions.work.find(node.base.id)
    if expressions.place == "results" and (known is None or known.role == "result"):
        from sequencer.checker.expressions import calculations

        return calculations.member(expressions, node)
    base = expressions.work.resolve(node.base, ("channel",))
    if base is None:
        return UNKNOWN
    field = node.field.id
    if base.role == "part" and field in FACTS:
        return _fact(expressions, node)
    if base.role != "channel":
        return _of_no_channel(expressions, node, base)
    if field not in READINGS and field not in COUNTERS and field not in SENSED:
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
    return Type("quantity", READINGS.get(field) or SENSED.get(field) or COUNTERS[field])


def _fact(expressions: Expressions, node: tree.Member) -> Type:
    """The type of a fact of a part, which is known everywhere."""
    work = expressions.work
    part = work.checked.parts.get(node.base.id)
    name = node.field.id.replace("_", " ")
    if part is None or name in part.facts:
        dimension = FACTS[node.field.id] or work.capacities.get(node.base.id)
        return Type("quantity", dimension) if dimension is not None else UNKNOWN
    if name not in part.places and "part" not in work.lost_in:
        expressions.error(
            "missing-fact",
            node.span,
            f"nothing says what `{node.base.id}.{node.field.id}` is",
            f"write it beneath the part: {name} "
            + ("4" if name == "in series" else "350 F" if part.kind == "capacitor" else "2.5 Ah"),
            Related(part.span, "the part"),
        )
    return UNKNOWN


def _of_no_channel(expressions: Expressions, node: tree.Member, base: Definition) -> Type:
    field = node.field.id
    hint = f"only channels have readings, as in smu.{field}"
    if base.role == "part":
        part = expressions.work.checked.parts.get(base.name)
        channel = part.channel if part is not None else "smu"
        hint = f"a part has {listed(base.name + '.' + name for name in FACTS)}"
        if field in READINGS or field in COUNTERS:
            hint = f"readings are those of its channel: write {channel}.{field}"
        elif wanted := near(field, FACTS):
            hint = f"write {base.name}.{wanted}"
    elif base.role == "trace":
        hint = f"a calculation reads its columns: mean({base.name}, {field})"
    elif base.role == "digital line":
        hint = f"a line is high or low: {base.name} is high"
    return expressions.error(
        "not-a-channel",
        node.base.span,
        f"`{base.shown}` is {role_of(base)} and has no `{field}`",
        hint,
    )


def _unknown_field(expressions: Expressions, node: tree.Member) -> Type:
    names = [*READINGS, *SENSED, *COUNTERS]
    facts = expressions.work.checked.channels.get(node.base.id)
    if facts is not None:
        names = [facts.sensed, "elapsed"] if facts.sensed else [*READINGS, *COUNTERS]
    wanted = near(node.field.id, names)
    hint = f"write {node.base.id}.{wanted}" if wanted else f"a channel has {listed(names, 20)}"
    if wanted is None and facts is not None:
        hint = f"`{node.base.id}` has {listed(names, 20)}".replace(" or ", " and ")
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
