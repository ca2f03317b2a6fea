"""The nodes of the lines beneath `results:`. Knows no calculation by name."""

from __future__ import annotations

from grammar.diagnostic import Span
from grammar.expression import Expression, Member, Name
from grammar.node import Node, node, place


@node
class Result(Node):
    """`NAME = E [for each COLUMN] [as UNIT] ["title"]`."""

    name: Name
    value: Expression
    each: Name | Member | None
    unit: str | None
    title: str
    span: Span = place()


@node
class Expect(Node):
    """`expect COND`."""

    condition: Expression
    span: Span = place()


@node
class Plot(Node):
    """`plot T, U: y [logarithmic] against x [logarithmic]`."""

    traces: tuple[Name, ...]
    y: Name | Member
    y_logarithmic: bool
    x: Name | Member
    x_logarithmic: bool
    span: Span = place()
