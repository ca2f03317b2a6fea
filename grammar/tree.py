"""The nodes of a recipe's tree: frozen, compared by meaning, each with the span it was written at.

Nodes hold what was written and nothing that was worked out. Names are plain strings; the places of
names that a message may have to underline stand in nodes of their own (`Name`).
"""

from __future__ import annotations

from dataclasses import MISSING, Field, FrozenInstanceError, field
from typing import Any, ClassVar, TypeVar, dataclass_transform

from grammar.diagnostic import NOWHERE, Span
from grammar.quantity import Quantity

_T = TypeVar("_T")


class Node:
    """The base of all nodes: what a frozen data class gives, without its code made for each class.

    Making that code takes half a millisecond a class, a fifth of the time in which a recipe is to
    be checked; one `__init__` and one `__eq__` for all take none.
    """

    _names: ClassVar[tuple[str, ...]] = ()
    _compared: ClassVar[tuple[str, ...]] = ()
    _required: ClassVar[frozenset[str]] = frozenset()

    def __init__(self, *values: Any, **named: Any) -> None:
        given = dict(zip(self._names, values, strict=False)) | named
        if len(given) != len(values) + len(named) or not self._required <= given.keys():
            raise TypeError(f"{type(self).__name__} takes {', '.join(self._names)}")
        self.__dict__.update(given)

    def _meaning(self) -> tuple[Any, ...]:
        return tuple(getattr(self, name) for name in self._compared)

    def __eq__(self, other: object) -> bool:
        if not isinstance(other, Node) or type(self) is not type(other):
            return NotImplemented
        return self._meaning() == other._meaning()

    def __hash__(self) -> int:
        return hash((type(self), self._meaning()))

    def __repr__(self) -> str:
        meaning = zip(self._compared, self._meaning(), strict=True)
        return f"{type(self).__name__}({', '.join(f'{n}={v!r}' for n, v in meaning)})"

    def __setattr__(self, name: str, value: Any) -> None:
        raise FrozenInstanceError(f"a {type(self).__name__} doesn't change")


@dataclass_transform(frozen_default=True)
def node(cls: type[_T]) -> type[_T]:
    """Make a class of annotated fields a node."""
    made: Any = cls
    compared, required = [], set()
    for name in cls.__annotations__:
        default: Any = cls.__dict__.get(name, MISSING)
        compare = True
        if isinstance(default, Field):
            default, compare = default.default, default.compare
        if compare:
            compared.append(name)
        if default is not MISSING:
            setattr(cls, name, default)
            continue
        required.add(name)
        if name in cls.__dict__:
            delattr(cls, name)
    made._names = tuple(cls.__annotations__)
    made.__match_args__ = made._names  # type: ignore[misc] # what `case Name(id)` goes by
    made._compared = tuple(compared)
    made._required = frozenset(required)
    return cls


def _span() -> Span:
    return field(default=NOWHERE, compare=False, repr=False)


@node
class Number(Node):
    """A number with its unit; `text` is how it was written."""

    quantity: Quantity
    text: str = field(compare=False)
    span: Span = _span()


@node
class Name(Node):
    """A name that stands for a value, or the place of a name in a declaration."""

    id: str
    span: Span = _span()


@node
class Member(Node):
    """`smu.voltage`: a reading or counter of a channel, an answer of a calculation."""

    base: Name
    field: Name
    span: Span = _span()


@node
class Text(Node):
    """A text; its parts are plain strings and the expressions written in braces."""

    parts: tuple[str | Expression, ...]
    span: Span = _span()


@node
class Negative(Node):
    """`-E`."""

    operand: Expression
    span: Span = _span()


@node
class Binary(Node):
    """`L op R` with op one of + - * / ^."""

    operator: str
    left: Expression
    right: Expression
    span: Span = _span()


@node
class Compare(Node):
    """`L op R` with op one of < <= > >=."""

    operator: str
    left: Expression
    right: Expression
    span: Span = _span()


@node
class Inside(Node):
    """`E in SPAN`."""

    operand: Expression
    bounds: Bounds
    span: Span = _span()


@node
class Logic(Node):
    """`L and R`, `L or R`."""

    operator: str
    left: Expression
    right: Expression
    span: Span = _span()


@node
class Not(Node):
    """`not E`."""

    operand: Expression
    span: Span = _span()


@node
class Argument(Node):
    """An argument of a call, with its name where it was given one."""

    value: Expression
    name: str | None = None
    span: Span = _span()


@node
class Call(Node):
    """`function(argument, name = argument)`; lists (`linear`, `values`, …) are calls too."""

    function: Name
    arguments: tuple[Argument, ...]
    span: Span = _span()


@node
class Range(Node):
    """`A to B`, `up to B` (no low end), `at least A` (no high end)."""

    low: Expression | None
    high: Expression | None
    span: Span = _span()


@node
class Within(Node):
    """`within B`: from -B to B."""

    half: Expression
    span: Span = _span()


@node
class Tolerance(Node):
    """`A ± B`; relative where B is in % or ppm and A is not."""

    centre: Expression
    half: Expression
    span: Span = _span()


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
    | Call
    | Range
    | Within
    | Tolerance
)


@node
class Capability(Node):
    """What a channel must be able to do, in the words of the language: "two-sided limit"."""

    text: str
    span: Span = _span()


@node
class Channel(Node):
    """`channel NAME: CAPABILITY, …`."""

    name: Name
    capabilities: tuple[Capability, ...]
    span: Span = _span()


@node
class Rating(Node):
    """One rating of a part: its quantity and the span that it bears."""

    quantity: Name
    bounds: Expression
    span: Span = _span()


@node
class Part(Node):
    """`part NAME is KIND on CHANNEL[, not pushed]:` and its ratings."""

    name: Name
    kind: Name
    channel: Name
    not_pushed: bool
    ratings: tuple[Rating, ...]
    span: Span = _span()


@node
class Setting(Node):
    """`setting NAME = VALUE [in SPAN] ["what it is"]`."""

    name: Name
    value: Expression
    bounds: Expression | None
    title: str
    span: Span = _span()


@node
class Require(Node):
    """`require COND ["why"]`."""

    condition: Expression
    why: str
    span: Span = _span()


@node
class Guard(Node):
    """`guard COND ["why"]`."""

    condition: Expression
    why: str
    span: Span = _span()


@node
class SetupItem(Node):
    """One `name = value` of a setup; a value of `auto` is the name `auto`."""

    name: Name
    value: Expression
    span: Span = _span()


@node
class Setup(Node):
    """`setup CH: aperture = 1 PLC, …`."""

    channel: Name
    items: tuple[SetupItem, ...]
    span: Span = _span()


@node
class SourceStep(Node):
    """`source CH voltage|current E, limit L`; a missing limit (None) is the checker's to refuse."""

    channel: Name
    mode: str
    level: Expression
    limit: Expression | None
    span: Span = _span()


@node
class Output(Node):
    """`output CH on|off`."""

    channel: Name
    on: bool
    span: Span = _span()


@node
class Measure(Node):
    """`measure CH, … [into TRACE [with X, Y]]`."""

    channels: tuple[Name, ...]
    into: Name | None
    columns: tuple[Name, ...]
    span: Span = _span()


@node
class Wait(Node):
    """`wait E`."""

    duration: Expression
    span: Span = _span()


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
    span: Span = _span()


@node
class Repeat(Node):
    """`repeat N times:`; a missing count (`repeat:`) is None, for the checker to refuse."""

    count: Expression | None
    body: Block
    span: Span = _span()


@node
class ForIn(Node):
    """`for X in LIST:`."""

    name: Name
    values: Expression
    body: Block
    span: Span = _span()


@node
class ForCount(Node):
    """`for K in A to B:`, whole numbers upwards."""

    name: Name
    first: Expression
    last: Expression
    body: Block
    span: Span = _span()


@node
class Leave(Node):
    """`leave`: leaves the innermost loop."""

    span: Span = _span()


@node
class Arm(Node):
    """One condition of an `if` with its steps."""

    condition: Expression
    body: Block
    span: Span = _span()


@node
class If(Node):
    """`if C:` / `else if C:` / `else:`."""

    arms: tuple[Arm, ...]
    otherwise: Block | None
    span: Span = _span()


@node
class Sweep(Node):
    """`sweep CH voltage|current from A to B in N points[, …], into TRACE`."""

    channel: Name
    mode: str
    first: Expression
    last: Expression
    points: Expression
    logarithmic: bool
    limit: Expression | None
    settle: Expression | None
    until: Expression | None
    reading: tuple[Name, ...]
    into: Name
    span: Span = _span()


@node
class Let(Node):
    """`let X = E`."""

    name: Name
    value: Expression
    span: Span = _span()


@node
class Set(Node):
    """`set X = E`."""

    name: Name
    value: Expression
    span: Span = _span()


@node
class Reset(Node):
    """`reset CH.charge`, `.energy`, `.elapsed`."""

    counter: Member
    span: Span = _span()


@node
class Say(Node):
    """`say "…"`: told to the person and put on record."""

    text: Text
    span: Span = _span()


@node
class Note(Node):
    """`note "…"`: put on record."""

    text: Text
    span: Span = _span()


@node
class Stop(Node):
    """`stop ["…"]`: ends the run well."""

    text: Text | None
    span: Span = _span()


@node
class Fail(Node):
    """`fail "…"`: ends the run badly."""

    text: Text
    span: Span = _span()


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
    | Let
    | Set
    | Reset
    | Say
    | Note
    | Stop
    | Fail
)
Block = tuple[Step, ...]


@node
class Result(Node):
    """`NAME = E [as UNIT] ["title"]`."""

    name: Name
    value: Expression
    unit: str | None
    title: str
    span: Span = _span()


@node
class Expect(Node):
    """`expect COND`."""

    condition: Expression
    span: Span = _span()


@node
class Recipe(Node):
    """A whole recipe."""

    title: str
    about: tuple[str, ...]
    channels: tuple[Channel, ...]
    parts: tuple[Part, ...]
    settings: tuple[Setting, ...]
    requires: tuple[Require, ...]
    guards: tuple[Guard, ...]
    steps: Block
    final: Block
    results: tuple[Result | Expect, ...]
    span: Span = _span()
