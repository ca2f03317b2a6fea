"""The nodes of values: numbers, names, operations, calls, spans and conditions.

They hold what was written and nothing that was worked out. Names are plain strings; the places of
names that a message may have to underline stand in nodes of their own (`Name`).
"""

from __future__ import annotations

from grammar.diagnostic import Span
from grammar.node import Node, beside, node, place
from grammar.quantity import Quantity


@node
class Number(Node):
    """A number with its unit; `text` is how it was written."""

    quantity: Quantity
    text: str = beside()
    span: Span = place()


@node
class Name(Node):
    """A name that stands for a value, or the place of a name in a declaration."""

    id: str
    span: Span = place()


@node
class Member(Node):
    """`smu.voltage`: a reading or counter of a channel, an answer of a calculation."""

    base: Name
    field: Name
    span: Span = place()


@node
class Text(Node):
    """A text; its parts are plain strings and the expressions written in braces."""

    parts: tuple[str | Expression, ...]
    span: Span = place()


@node
class Negative(Node):
    """`-E`."""

    operand: Expression
    span: Span = place()


@node
class Binary(Node):
    """`L op R` with op one of + - * / ^."""

    operator: str
    left: Expression
    right: Expression
    span: Span = place()


@node
class Compare(Node):
    """`L op R` with op one of < <= > >=."""

    operator: str
    left: Expression
    right: Expression
    span: Span = place()


@node
class Inside(Node):
    """`E in SPAN`."""

    operand: Expression
    bounds: Bounds
    span: Span = place()


@node
class Logic(Node):
    """`L and R`, `L or R`."""

    operator: str
    left: Expression
    right: Expression
    span: Span = place()


@node
class Not(Node):
    """`not E`."""

    operand: Expression
    span: Span = place()


@node
class IsState(Node):
    """`LINE is high`: the present state of a digital line."""

    line: Name
    high: bool
    span: Span = place()


@node
class Confirm(Node):
    """`confirm "…"` as the condition of an `if`: the person says yes or no."""

    text: Text
    span: Span = place()


@node
class Argument(Node):
    """An argument of a call, with its name where it was given one."""

    value: Expression
    name: str | None = None
    span: Span = place()


@node
class Call(Node):
    """`function(argument, name = argument)`; lists (`linear`, `values`, …) are calls too."""

    function: Name
    arguments: tuple[Argument, ...]
    span: Span = place()


@node
class Range(Node):
    """`A to B`, `up to B` (no low end), `at least A` (no high end)."""

    low: Expression | None
    high: Expression | None
    span: Span = place()


@node
class Within(Node):
    """`within B`: from -B to B."""

    half: Expression
    span: Span = place()


@node
class Tolerance(Node):
    """`A ± B`; relative where B is in % or ppm and A is not."""

    centre: Expression
    half: Expression
    span: Span = place()


Bounds = Range | Within | Tolerance | Name
Expression = (
    Number
    | Name
    | Member
    | Text
    | Negative
    | Binary
    | Compare
    | Inside
    | Logic
    | Not
    | IsState
    | Confirm
    | Call
    | Range
    | Within
    | Tolerance
)
