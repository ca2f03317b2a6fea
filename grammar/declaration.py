"""The nodes of declarations: channels, digital lines, parts, settings, procedures.

They hold what was written and nothing that was worked out.
"""

from __future__ import annotations

from grammar.diagnostic import Span
from grammar.expression import Expression, Name
from grammar.node import Node, node, place
from grammar.step import Block


@node
class Capability(Node):
    """What a channel must be able to do, in the words of the language: "two-sided limit"."""

    text: str
    span: Span = place()


@node
class Channel(Node):
    """`channel NAME: CAPABILITY, …`."""

    name: Name
    capabilities: tuple[Capability, ...]
    span: Span = place()


@node
class Digital(Node):
    """`digital NAME: input` or `digital NAME: output, rests low|high`.

    `rests_high` is None for an input, and for an output that doesn't say how it rests, which is the
    checker's to refuse.
    """

    name: Name
    output: bool
    rests_high: bool | None
    span: Span = place()


@node
class Rating(Node):
    """One rating of a part: its quantity and the span that it bears.

    `per_pulse` governs pulses in place of the plain one; `by` is the channel that watches it.
    """

    quantity: Name
    bounds: Expression
    per_pulse: bool = False
    by: Name | None = None
    span: Span = place()


@node
class Fact(Node):
    """A fact of a part: "chemistry" with its word, "in series" and "capacity" with a value.

    "own protection" has neither.
    """

    name: Name
    word: Name | None = None
    value: Expression | None = None
    span: Span = place()


@node
class Part(Node):
    """`part NAME is KIND on CHANNEL[, may be destroyed][, not pushed]:`, its ratings and facts."""

    name: Name
    kind: Name
    channel: Name
    not_pushed: bool
    may_be_destroyed: bool
    ratings: tuple[Rating, ...]
    facts: tuple[Fact, ...]
    span: Span = place()


@node
class Setting(Node):
    """`setting NAME = VALUE [in SPAN] ["what it is"]`."""

    name: Name
    value: Expression
    bounds: Expression | None
    title: str
    span: Span = place()


@node
class Require(Node):
    """`require COND ["why"]`."""

    condition: Expression
    why: str
    span: Span = place()


@node
class Guard(Node):
    """`guard COND ["why"]`."""

    condition: Expression
    why: str
    span: Span = place()


@node
class Procedure(Node):
    """`procedure NAME(a, b):` and its steps."""

    name: Name
    parameters: tuple[Name, ...]
    body: Block
    span: Span = place()
