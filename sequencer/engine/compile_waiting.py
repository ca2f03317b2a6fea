"""Steps that wait, from the tree to steps: for a quantity to settle, a line, the person.

Knows how no other step is compiled.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from grammar import tree
from grammar.quantity import PLAIN
from sequencer.engine.awaiting import Ask, Confirm, Settle, WaitFor
from sequencer.engine.steps import Measure, Step

if TYPE_CHECKING:
    from sequencer.engine.compile import Compiler


def settle(compiler: Compiler, node: tree.Settle, line: int, text: str) -> Step:
    """`settle …`: a measurement on a grid until the window has settled."""
    assert node.period is not None
    assert node.at_most is not None
    number = compiler.expressions.number
    port = compiler.ports[node.reading.base.id]
    return Settle(
        line,
        text,
        Measure(line, text, [port], *compiler.into(node.into)),
        number(node.reading),
        number(node.band),
        number(node.window),
        number(node.period),
        number(node.at_most),
        compiler.otherwise(node.otherwise),
    )


def wait_for(compiler: Compiler, node: tree.WaitFor, line: int, text: str) -> Step:
    """`wait for …`."""
    assert node.at_most is not None
    at_most = compiler.expressions.number(node.at_most)
    otherwise = compiler.otherwise(node.otherwise)
    return WaitFor(line, text, node.line.id, node.high, at_most, otherwise)


def ask(compiler: Compiler, node: tree.Ask, line: int, text: str) -> Step:
    """`ask …`, with a place for the value where it takes one."""
    words = compiler.expressions.text(node.text)
    if node.into is None or node.bounds is None:
        return Ask(line, text, words, "", 0, None, PLAIN)
    bounds = compiler.expressions.span(node.bounds)
    found = compiler.checked.types.get(id(node.bounds))
    dimension = (found.dimension if found is not None else None) or PLAIN
    name = node.into.id
    return Ask(line, text, words, name, compiler.scope.new(name), bounds, dimension)


def confirm(compiler: Compiler, node: tree.ConfirmStep, line: int, text: str) -> Step:
    """`confirm …`."""
    return Confirm(line, text, compiler.expressions.text(node.text))
