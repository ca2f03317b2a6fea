"""The nodes of a recipe, and the one door to all of them: `from grammar import tree`.

Nodes hold what was written and nothing that was worked out.
"""

from __future__ import annotations

from grammar.declaration import (
    Capability,
    Channel,
    Digital,
    Fact,
    Guard,
    Part,
    Procedure,
    Rating,
    Require,
    Setting,
)
from grammar.diagnostic import Span
from grammar.expression import (
    Argument,
    Binary,
    Bounds,
    Call,
    Compare,
    Confirm,
    Expression,
    Inside,
    IsState,
    Logic,
    Member,
    Name,
    Negative,
    Not,
    Number,
    Range,
    Text,
    Tolerance,
    Within,
)
from grammar.node import Node, node, place
from grammar.result import (
    Expect,
    Plot,
    Result,
)
from grammar.step import (
    Arm,
    Ask,
    Block,
    Called,
    CaptureStep,
    ConfirmStep,
    Do,
    Every,
    Fail,
    ForCount,
    ForIn,
    If,
    Leave,
    Let,
    Measure,
    Note,
    Output,
    PulseStep,
    Ramp,
    Repeat,
    Reset,
    Say,
    Set,
    Settle,
    Setup,
    SetupItem,
    SourceStep,
    Step,
    Stop,
    Sweep,
    Switch,
    Wait,
    WaitFor,
)

__all__ = [
    "Argument",
    "Arm",
    "Ask",
    "Binary",
    "Block",
    "Bounds",
    "Call",
    "Called",
    "Capability",
    "CaptureStep",
    "Channel",
    "Compare",
    "Confirm",
    "ConfirmStep",
    "Digital",
    "Do",
    "Every",
    "Expect",
    "Expression",
    "Fact",
    "Fail",
    "ForCount",
    "ForIn",
    "Guard",
    "If",
    "Inside",
    "IsState",
    "Leave",
    "Let",
    "Logic",
    "Measure",
    "Member",
    "Name",
    "Negative",
    "Node",
    "Not",
    "Note",
    "Number",
    "Output",
    "Part",
    "Plot",
    "Procedure",
    "PulseStep",
    "Ramp",
    "Range",
    "Rating",
    "Recipe",
    "Repeat",
    "Require",
    "Reset",
    "Result",
    "Say",
    "Set",
    "Setting",
    "Settle",
    "Setup",
    "SetupItem",
    "SourceStep",
    "Step",
    "Stop",
    "Sweep",
    "Switch",
    "Text",
    "Tolerance",
    "Wait",
    "WaitFor",
    "Within",
]


@node
class Recipe(Node):
    """A whole recipe."""

    title: str
    about: tuple[str, ...]
    channels: tuple[Channel, ...]
    digital: tuple[Digital, ...]
    parts: tuple[Part, ...]
    settings: tuple[Setting, ...]
    requires: tuple[Require, ...]
    guards: tuple[Guard, ...]
    procedures: tuple[Procedure, ...]
    steps: Block
    final: Block
    results: tuple[Result | Expect | Plot, ...]
    span: Span = place()
