"""The nodes of steps, and the blocks of them. Knows no declaration.

They hold what was written and nothing that was worked out.
"""

from __future__ import annotations

from grammar.diagnostic import Span
from grammar.expression import Argument, Expression, Member, Name, Text
from grammar.node import Node, node, place


@node
class SetupItem(Node):
    """One `name = value` of a setup; a value of `auto` is the name `auto`."""

    name: Name
    value: Expression
    span: Span = place()


@node
class Setup(Node):
    """`setup CH: aperture = 1 PLC, …`."""

    channel: Name
    items: tuple[SetupItem, ...]
    span: Span = place()


@node
class SourceStep(Node):
    """`source CH voltage|current E, limit L`; a missing limit (None) is the checker's to refuse."""

    channel: Name
    mode: str
    level: Expression
    limit: Expression | None
    span: Span = place()


@node
class Output(Node):
    """`output CH on|off`."""

    channel: Name
    on: bool
    span: Span = place()


@node
class Measure(Node):
    """`measure CH, … [into TRACE [with X, Y]]`."""

    channels: tuple[Name, ...]
    into: Name | None
    columns: tuple[Name, ...]
    span: Span = place()


@node
class Wait(Node):
    """`wait E`."""

    duration: Expression
    span: Span = place()


@node
class Every(Node):
    """`every P for D:` or `every P until C, at most T:`, with its `otherwise`.

    Exactly one of `duration` and `until` is given by the grammar; a missing `at most` is None, for
    the checker to refuse.
    """

    period: Expression
    duration: Expression | None
    until: Expression | None
    at_most: Expression | None
    body: Block
    otherwise: Block | None = None
    span: Span = place()


@node
class Repeat(Node):
    """`repeat N times:`; a missing count (`repeat:`) is None, for the checker to refuse."""

    count: Expression | None
    body: Block
    span: Span = place()


@node
class ForIn(Node):
    """`for X in LIST:`."""

    name: Name
    values: Expression
    body: Block
    span: Span = place()


@node
class ForCount(Node):
    """`for K in A to B:`, whole numbers upwards."""

    name: Name
    first: Expression
    last: Expression
    body: Block
    span: Span = place()


@node
class Leave(Node):
    """`leave`: leaves the innermost loop."""

    span: Span = place()


@node
class Arm(Node):
    """One condition of an `if` with its steps."""

    condition: Expression
    body: Block
    span: Span = place()


@node
class If(Node):
    """`if C:` / `else if C:` / `else:`."""

    arms: tuple[Arm, ...]
    otherwise: Block | None
    span: Span = place()


@node
class Sweep(Node):
    """`sweep CH voltage|current from A to B in N points[, …], into TRACE`.

    A pulsed one needs `width` and `period`, which only it may have: the checker's to refuse.
    """

    channel: Name
    mode: str
    first: Expression
    last: Expression
    points: Expression
    logarithmic: bool
    pulsed: bool
    width: Expression | None
    period: Expression | None
    limit: Expression | None
    settle: Expression | None
    until: Expression | None
    reading: tuple[Name, ...]
    into: Name
    span: Span = place()


@node
class Ramp(Node):
    """`ramp CH voltage|current to E at RATE[, …]`, or `over E` in place of the rate.

    Exactly one of `rate` and `duration` is given by the grammar. Without `step` the level changes
    every 100 ms.
    """

    channel: Name
    mode: str
    level: Expression
    rate: Expression | None
    duration: Expression | None
    step: Expression | None
    until: Expression | None
    reading: tuple[Name, ...]
    into: Name | None
    span: Span = place()


@node
class PulseStep(Node):
    """`pulse CH voltage|current E[, limit L], width E[, period E, count N][, …]`.

    A missing width is the checker's to refuse; without a limit the programmed one holds.
    """

    channel: Name
    mode: str
    level: Expression
    limit: Expression | None
    width: Expression | None
    period: Expression | None
    count: Expression | None
    countdown: Expression | None
    into: Name | None
    span: Span = place()


@node
class CaptureStep(Node):
    """`capture CH at F for E[, when COND, before E], into TRACE:` and the steps meanwhile."""

    channel: Name
    rate: Expression
    duration: Expression
    trigger: Expression | None
    before: Expression | None
    into: Name | None
    body: Block
    span: Span = place()


@node
class Settle(Node):
    """`settle CH.QUANTITY within E over E, every E, at most E[, into TRACE]`.

    Waits until largest minus smallest over a full window is within the band. A missing period or
    longest time is None, for the checker to refuse.
    """

    reading: Member
    band: Expression
    window: Expression
    period: Expression | None
    at_most: Expression | None
    into: Name | None
    otherwise: Block | None = None
    span: Span = place()


@node
class Switch(Node):
    """`switch LINE high|low`."""

    line: Name
    high: bool
    span: Span = place()


@node
class WaitFor(Node):
    """`wait for LINE high|low, at most E`; without it (None) the checker refuses."""

    line: Name
    high: bool
    at_most: Expression | None
    otherwise: Block | None = None
    span: Span = place()


@node
class Ask(Node):
    """`ask "…"[, into NAME in SPAN]`: waits for the person, perhaps takes a typed value."""

    text: Text
    into: Name | None
    bounds: Expression | None
    span: Span = place()


@node
class ConfirmStep(Node):
    """`confirm "…"`: the person says yes, or the run ends as stopped by the person."""

    text: Text
    span: Span = place()


@node
class Do(Node):
    """`do NAME(x, b = y)`: calls a procedure."""

    procedure: Name
    arguments: tuple[Argument, ...]
    span: Span = place()


@node
class Called(Node):
    """A call with the procedure's steps put in its place; only where a recipe is expanded."""

    do: Do
    body: Block
    span: Span = place()


@node
class Let(Node):
    """`let X = E`."""

    name: Name
    value: Expression
    span: Span = place()


@node
class Set(Node):
    """`set X = E`."""

    name: Name
    value: Expression
    span: Span = place()


@node
class Reset(Node):
    """`reset CH.charge`, `.energy`, `.elapsed`."""

    counter: Member
    span: Span = place()


@node
class Say(Node):
    """`say "…"`: told to the person and put on record."""

    text: Text
    span: Span = place()


@node
class Note(Node):
    """`note "…"`: put on record."""

    text: Text
    span: Span = place()


@node
class Stop(Node):
    """`stop ["…"]`: ends the run well."""

    text: Text | None
    span: Span = place()


@node
class Fail(Node):
    """`fail "…"`: ends the run badly."""

    text: Text
    span: Span = place()


Step = (
    Setup
    | SourceStep
    | Output
    | Measure
    | Wait
    | Every
    | Repeat
    | ForIn
    | ForCount
    | Leave
    | If
    | Sweep
    | Ramp
    | PulseStep
    | CaptureStep
    | Settle
    | Switch
    | WaitFor
    | Ask
    | ConfirmStep
    | Do
    | Called
    | Let
    | Set
    | Reset
    | Say
    | Note
    | Stop
    | Fail
)
Block = tuple[Step, ...]
