"""Dimensions, types and stretches of a recipe in words of the trade, for messages.

Knows how things are called and no rule about them.
"""

from __future__ import annotations

from grammar import tree
from grammar.diagnostic import Source, Span
from grammar.quantity import (
    CAPACITANCE,
    CHARGE,
    CURRENT,
    ENERGY,
    FREQUENCY,
    LINE_CYCLES,
    PLAIN,
    POWER,
    RESISTANCE,
    TEMPERATURE,
    TEMPERATURE_POINT,
    TIME,
    VOLTAGE,
    Dimension,
)
from sequencer.checker.facts import Type

ELAPSED = "elapsed"
"""The time since the run's start, which is known everywhere in steps."""

_EXAMPLES = {
    VOLTAGE: "2.7 V",
    CURRENT: "3 A",
    POWER: "5 W",
    ENERGY: "2 kJ",
    CHARGE: "1 Ah",
    TIME: "10 s",
    RESISTANCE: "100 ohm",
    CAPACITANCE: "350 F",
    FREQUENCY: "50 Hz",
    TEMPERATURE: "5 K",
    TEMPERATURE_POINT: "25 °C",
    LINE_CYCLES: "1 PLC",
    PLAIN: "10",
    PLAIN.over(TEMPERATURE): "0.4 %/K",
}


def as_written(name: str) -> str:
    """A name as the person wrote it: a procedure's own go by `soak.time` where it is called."""
    return name.rpartition(".")[2]


def a(dimension: Dimension) -> str:
    """A dimension with its article: "a voltage", "an energy", "a value in V/K"."""
    name = dimension.name
    if name == dimension.unit:
        return f"a value in {name}"
    return with_article(name)


def several(dimension: Dimension) -> str:
    """The values of a dimension: "voltages", "energies", "values in V/K"."""
    name = dimension.name
    if name == dimension.unit:
        return f"values in {name}"
    if name.startswith("number of"):
        return f"numbers{name.removeprefix('number')}"
    return f"{name[:-1]}ies" if name.endswith("y") else f"{name}s"


def with_article(noun: str) -> str:
    """A noun with its article."""
    return f"{'an' if noun[0] in 'aeiou' else 'a'} {noun}"


def described(found: Type) -> str:
    """What an expression is: "a voltage", "a truth value", "a span"."""
    if found.kind == "quantity" and found.dimension is not None:
        return a(found.dimension)
    return with_article(found.kind)


def example(dimension: Dimension) -> str:
    """A value of a dimension as one writes it: "2.7 V"."""
    return _EXAMPLES.get(dimension) or f"1 {dimension.unit}"


def written(source: Source, span: Span) -> str:
    """A stretch of the recipe on one line, without comments, spaces and line ends made one."""
    lines = [source.line(number) for number in range(span.line, span.end_line + 1)]
    if not lines:
        return ""
    lines[-1] = lines[-1][: span.end_column - 1]
    lines[0] = lines[0][span.column - 1 :]
    if len(lines) > 1:
        lines = [line.split("#")[0] for line in lines]
    return " ".join(" ".join(lines).split())


def span_with_unit(node: tree.Expression, dimension: Dimension) -> str:
    """A span of plain numbers as it should have been written."""
    match node:
        case tree.Range() if node.low is not None and node.high is not None:
            return f"{with_unit(node.low, dimension)} to {with_unit(node.high, dimension)}"
        case tree.Range() if node.high is not None:
            return f"up to {with_unit(node.high, dimension)}"
        case tree.Range() if node.low is not None:
            return f"at least {with_unit(node.low, dimension)}"
        case tree.Within():
            return f"within {with_unit(node.half, dimension)}"
        case _:
            return f"{example(dimension)} ± 5 %"


def with_unit(node: tree.Expression, dimension: Dimension) -> str:
    """A plain number as it should have been written, an example where it is no literal."""
    sign = ""
    if isinstance(node, tree.Negative):
        node, sign = node.operand, "-"
    if isinstance(node, tree.Number) and dimension.unit and node.text[-1].isdigit():
        return f"{sign}{node.text} {dimension.unit}"
    return example(dimension)
