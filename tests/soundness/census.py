"""What the recipes of a hunt are made of: constructs, and pairs of them.

A pair is a construct right inside the block of another, or right after another. A pair that never
comes is an empty cell, unless `IMPOSSIBLE` says why it can't.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field

from grammar import tree
from sequencer.checker import Checked
from sequencer.checker.naming.walking import nodes_of

BLOCKS = (
    *("steps", "finally", "if", "else", "every for", "every until", "repeat", "for in list"),
    *("for count", "otherwise", "capture", "procedure"),
)
STEPS = (
    *("setup", "source voltage", "source current", "output on", "output off", "measure", "wait"),
    *("every for", "every until", "repeat", "for in list", "for count", "leave", "if", "sweep"),
    *("pulsed sweep", "ramp", "pulse", "train", "capture", "settle", "switch", "wait for", "ask"),
    *("confirm", "do", "let", "set", "reset", "say", "note", "stop", "fail"),
)
ENDS = ("leave", "stop", "fail")


def named(step: tree.Step) -> str:
    """The construct that a step is."""
    match step:
        case tree.SourceStep():
            return f"source {step.mode}"
        case tree.Output():
            return f"output {'on' if step.on else 'off'}"
        case tree.Every():
            return "every for" if step.duration is not None else "every until"
        case tree.Sweep():
            return "pulsed sweep" if step.pulsed else "sweep"
        case tree.PulseStep():
            return "pulse" if step.period is None else "train"
        case _:
            return NAMES[type(step)]


NAMES: dict[type[tree.Node], str] = {
    tree.Setup: "setup",
    tree.Measure: "measure",
    tree.Wait: "wait",
    tree.Repeat: "repeat",
    tree.ForIn: "for in list",
    tree.ForCount: "for count",
    tree.Leave: "leave",
    tree.If: "if",
    tree.Ramp: "ramp",
    tree.CaptureStep: "capture",
    tree.Settle: "settle",
    tree.Switch: "switch",
    tree.WaitFor: "wait for",
    tree.Ask: "ask",
    tree.ConfirmStep: "confirm",
    tree.Called: "do",
    tree.Let: "let",
    tree.Set: "set",
    tree.Reset: "reset",
    tree.Say: "say",
    tree.Note: "note",
    tree.Stop: "stop",
    tree.Fail: "fail",
}


def blocks_of(step: tree.Step) -> Iterator[tuple[str, tree.Block]]:
    """The blocks right below a step, by what they are."""
    match step:
        case tree.If():
            for arm in step.arms:
                yield "if", arm.body
            if step.otherwise is not None:
                yield "else", step.otherwise
        case tree.Called():
            # The parameters come before the procedure's own steps, as so many `let`.
            yield "procedure", step.body[len(step.do.arguments) :]
        case tree.Every() | tree.Repeat() | tree.ForIn() | tree.ForCount() | tree.CaptureStep():
            yield named(step), step.body
    if isinstance(step, tree.Every | tree.Settle | tree.WaitFor) and step.otherwise is not None:
        yield "otherwise", step.otherwise


@dataclass
class Census:
    """How many recipes hold each construct and each pair."""

    constructs: Counter[str] = field(default_factory=Counter)
    inside: Counter[tuple[str, str]] = field(default_factory=Counter)
    after: Counter[tuple[str, str]] = field(default_factory=Counter)
    others: Counter[str] = field(default_factory=Counter)

    def count(self, checked: Checked) -> None:
        """Count one recipe."""
        recipe = checked.recipe
        constructs: set[str] = set()
        inside: set[tuple[str, str]] = set()
        after: set[tuple[str, str]] = set()

        def go(block: tree.Block, within: str) -> None:
            before = ""
            for step in block:
                name = named(step)
                constructs.add(name)
                inside.add((name, within))
                if before:
                    after.add((name, before))
                before = name
                for inner, body in blocks_of(step):
                    go(body, inner)

        go(recipe.steps, "steps")
        go(recipe.final, "finally")
        self.constructs.update(constructs)
        self.inside.update(inside)
        self.after.update(after)
        self.others.update(set(_others(checked)))

    def add(self, other: Census) -> None:
        """What another census has counted, too."""
        self.constructs += other.constructs
        self.inside += other.inside
        self.after += other.after
        self.others += other.others

    def empty(self) -> list[str]:
        """The cells that nothing came to, but for the impossible ones."""
        found = [name for name in STEPS if not self.constructs[name]]
        for name in STEPS:
            found += [
                f"{name} inside {block}"
                for block in BLOCKS
                if not self.inside[name, block] and not impossible_inside(name, block)
            ]
            found += [
                f"{name} after {before}"
                for before in STEPS
                if not self.after[name, before] and not impossible_after(name, before)
            ]
        return found


def impossible_inside(name: str, block: str) -> str:
    """Why a construct can't stand right inside a block, empty where it can."""
    if name == "leave" and block in ("steps", "finally", "procedure"):
        return "nothing there that could be left"
    return ""


def impossible_after(name: str, before: str) -> str:
    """Why a construct can't come right after another, empty where it can."""
    if before in ENDS:
        return "a step that can't be reached is refused"
    return ""


def _others(checked: Checked) -> Iterator[str]:
    """What else a recipe is made of: kinds, ratings, forms of expressions and clauses."""
    recipe = checked.recipe
    for part in checked.parts.values():
        yield f"kind {part.kind}"
        for quantity in part.ratings:
            yield f"rating {quantity}"
        for quantity in part.per_pulse:
            yield f"rating {quantity} per pulse"
    for name in ("requires", "guards", "final", "settings", "results"):
        if getattr(recipe, name):
            yield name
    for step in (*recipe.steps, *recipe.final):
        for node in nodes_of(step):
            match node:
                case tree.Sweep():
                    yield from _clauses("sweep", node)
                case tree.Ramp():
                    yield from _clauses("ramp", node)
                case tree.PulseStep():
                    yield from _clauses("pulse", node)
                case tree.CaptureStep():
                    yield from _clauses("capture", node)
                case tree.Confirm():
                    yield "if confirm"
                case tree.Member() | tree.IsState() | tree.Inside() | tree.Not() | tree.Logic():
                    yield type(node).__name__
                case tree.Binary():
                    yield f"operation {node.operator}"
                case tree.Call():
                    yield f"function {node.function.id}"


def _clauses(name: str, node: tree.Node) -> Iterator[str]:
    for clause in ("limit", "settle", "until", "reading", "step", "rate", "duration", "countdown"):
        if getattr(node, clause, None):
            yield f"{name} with {clause}"
    for clause in ("logarithmic", "trigger", "into"):
        if getattr(node, clause, None):
            yield f"{name} with {clause}"
