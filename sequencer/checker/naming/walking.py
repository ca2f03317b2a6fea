"""A recipe gone through: its steps, blocks and nodes one after another, and what a step holds.

Looks at the tree alone, calls put in their place included. Knows no names and no units.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING

from grammar import tree

if TYPE_CHECKING:
    from sequencer.checker.naming.scope import Workings

Filling = tree.Measure | tree.Sweep | tree.Ramp | tree.PulseStep | tree.CaptureStep | tree.Settle
"""The steps that take readings, perhaps into a trace."""

_WITH_BLOCKS = frozenset(
    (
        *(tree.If, tree.Every, tree.Repeat, tree.ForIn, tree.ForCount, tree.CaptureStep),
        *(tree.Settle, tree.WaitFor, tree.Called),
    )
)


def blocks_in(step: tree.Step) -> list[tree.Block]:
    """The blocks that a step holds, in the order written."""
    if type(step) not in _WITH_BLOCKS:
        return []
    if isinstance(step, tree.If):
        return [*[arm.body for arm in step.arms], step.otherwise or ()]
    found = [getattr(step, "body", None), getattr(step, "otherwise", None)]
    return [block for block in found if block]


def steps_of(block: tree.Block) -> Iterator[tree.Step]:
    """The steps of a block and of all blocks within it, those called too, in the order written."""
    waiting = list(reversed(block))
    while waiting:
        step = waiting.pop()
        yield step
        if type(step) in _WITH_BLOCKS:
            for inner in reversed(blocks_in(step)):
                waiting += reversed(inner)


def with_calls(work: Workings, block: tree.Block, look: Callable[[tree.Step], None]) -> None:
    """Look at all steps as `steps_of` gives them; what is found in a procedure says whence."""
    for step in block:
        look(step)
        if isinstance(step, tree.Called):
            with work.problems.called_from(step.do.span):
                with_calls(work, step.body, look)
            continue
        for inner in blocks_in(step):
            with_calls(work, inner, look)


def nodes_of(value: object) -> Iterator[tree.Node]:
    """A node and all nodes within it, in the order written."""
    waiting = [value]
    while waiting:
        found = waiting.pop()
        if isinstance(found, tree.Node):
            yield found
            for name in reversed(found._inner):
                waiting.append(getattr(found, name))
        elif type(found) is tuple:
            waiting += reversed(found)


def read_by(step: tree.Step) -> tuple[tree.Name, ...]:
    """The channels that a step takes readings of, in order; those of its trace, where it has one.

    A capture's readings are there when it has ended.
    """
    match step:
        case tree.Measure():
            return step.channels
        case tree.Sweep() | tree.Ramp():
            return (step.channel, *step.reading)
        case tree.PulseStep() | tree.CaptureStep():
            return (step.channel,)
        case tree.Settle():
            return (step.reading.base,)
        case _:
            return ()


def is_argument(node: tree.Let) -> bool:
    """Whether a `let` of a call gives a parameter its value.

    It stands where its value stands, which no `let` that was written does.
    """
    return node.span == node.value.span


def arguments_and_steps(node: tree.Called) -> tuple[list[tree.Let], tree.Block]:
    """The `let`s of a call that give the parameters their values, and the procedure's own steps."""
    given = []
    for step in node.body:
        if not isinstance(step, tree.Let) or not is_argument(step):
            break
        given.append(step)
    return given, node.body[len(given) :]
