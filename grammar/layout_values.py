"""Values as text: numbers, names, operations, calls, spans, texts, with the brackets they need.

What is made are pieces: strings, and the breaks between them where a line that is too long may go
on in the next. Knows no line and no width.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

from grammar import tree
from grammar.quantity import respelt


class Break(NamedTuple):
    """A place where a line may go on in the next one; where it does not, a space stands there.

    `depth` counts the brackets around it, `binding` is that of the operator after it, -1 behind a
    comma: the lower they are, the better the place. `above` is the line of the source in which what
    stands before it ended, `below` the one in which what follows began (0 where that isn't known):
    where they differ, a person has broken the line here.
    """

    depth: int
    binding: int
    above: int
    below: int


Pieces = list[str | Break]


class Element(NamedTuple):
    """One of several things with commas between, and the source lines it was written in."""

    pieces: Pieces
    first: int
    last: int


# How tightly a node binds, by the rule of the grammar that it comes from.
OR, AND, NOT, COMPARISON, SUM, PRODUCT, SIGNED, POWER, ATOM = range(9)
_BINARY = {"+": SUM, "-": SUM, "*": PRODUCT, "/": PRODUCT, "^": POWER}


def value(node: tree.Expression, binding: int = OR, depth: int = 0) -> Pieces:
    """A value where at least that binding is asked for: in brackets where it binds less tightly."""
    if _binding(node) < binding:
        return ["(", *value(node, OR, depth + 1), ")"]
    match node:
        case tree.Number():
            return [respelt(node.text)]
        case tree.Name(name):
            return [name]
        case tree.Member(base, name):
            return [f"{base.id}.{name.id}"]
        case tree.Text():
            return [text(node)]
        case tree.Negative(operand):
            return ["-", *value(operand, SIGNED, depth)]
        case tree.Binary("^", left, right):
            # Beside a unit the exponent would be the unit's: 2 m^2 is an area, (2 m)^2 another.
            with_unit = isinstance(left, tree.Number) and " " in respelt(left.text)
            foot = value(left, ATOM + 1 if with_unit else ATOM, depth)
            return [*foot, "^", *value(right, SIGNED, depth)]
        case tree.Binary(operator, left, right) | tree.Logic(operator, left, right):
            own = _binding(node)
            where = _between(left, right, depth, own)
            return [*value(left, own, depth), where, operator, " ", *value(right, own + 1, depth)]
        case tree.Compare(operator, left, right):
            where = _between(left, right, depth, COMPARISON)
            return [*amount(left, depth), where, operator, " ", *amount(right, depth)]
        case tree.Inside(operand, bounds):
            return [*amount(operand, depth), " in ", *span(bounds, SUM, depth)]
        case tree.Not(operand):
            return ["not ", *value(operand, NOT, depth)]
        case tree.IsState(line, high):
            return [f"{line.id} is {state(high)}"]
        case tree.Confirm(question):
            return ["confirm ", text(question)]
        case tree.Call(function, arguments):
            return [function.id, *bracketed([argument(a, depth + 1) for a in arguments], depth)]
        case _:
            return span(node, SUM, depth)


def amount(node: tree.Expression, depth: int = 0) -> Pieces:
    """A value where the grammar takes no comparison without brackets."""
    return value(node, SUM, depth)


def span(node: tree.Expression, binding: int = SUM, depth: int = 0) -> Pieces:
    """A span, or a value where the grammar takes either."""
    match node:
        case tree.Range(None, tree.Node() as high):
            return ["up to ", *amount(high, depth)]
        case tree.Range(tree.Node() as low, None):
            return ["at least ", *amount(low, depth)]
        case tree.Range(tree.Node() as low, tree.Node() as high):
            return [*amount(low, depth), " to ", *amount(high, depth)]
        case tree.Within(half):
            return ["within ", *amount(half, depth)]
        case tree.Tolerance(centre, half):
            return [*amount(centre, depth), " ± ", *amount(half, depth)]
        case _:
            return value(node, binding, depth)


def argument(node: tree.Argument, depth: int) -> Element:
    """An argument of a call, with its name where it has one."""
    named = [f"{node.name} = "] if node.name else []
    return Element([*named, *span(node.value, OR, depth)], node.span.line, node.span.end_line)


def listed(elements: Sequence[Element], depth: int = 0) -> Pieces:
    """Elements with commas between, and breaks after these."""
    pieces: Pieces = []
    last = 0
    for element in elements:
        if pieces:
            pieces += [",", Break(depth, -1, last, element.first)]
        pieces += element.pieces
        # A clause that is a word alone has no place in the tree: the one before it stands for it.
        last = element.last or last
    return pieces


def bracketed(elements: Sequence[Element], depth: int) -> Pieces:
    """Elements in brackets."""
    return ["(", *listed(elements, depth + 1), ")"]


def names(nodes: Sequence[tree.Name], depth: int = 0) -> Pieces:
    """Names with commas between."""
    return listed([Element([n.id], n.span.line, n.span.end_line) for n in nodes], depth)


def state(high: bool) -> str:
    """The word for the state of a digital line."""
    return "high" if high else "low"


def text(node: tree.Text) -> str:
    """A text in quotes, its values in braces."""
    inside = "".join(
        _escaped(part) if isinstance(part, str) else f"{{{flat(value(part))}}}"
        for part in node.parts
    )
    return f'"{inside}"'


def plain(content: str) -> str:
    """A text that holds no values, in quotes."""
    return f'"{_escaped(content)}"'


def flat(pieces: Pieces) -> str:
    """Pieces in one line."""
    return "".join(piece if isinstance(piece, str) else " " for piece in pieces)


def _escaped(content: str) -> str:
    for char, written in (("\\", "\\\\"), ('"', '\\"'), ("{", "{{"), ("}", "}}")):
        content = content.replace(char, written)
    return content


def _between(
    left: tree.Expression, right: tree.Expression, depth: int, binding: int
) -> Break | str:
    """What stands before an operator: outside brackets a line doesn't go on there."""
    return Break(depth, binding, left.span.end_line, right.span.line) if depth else " "


def _binding(node: tree.Expression) -> int:
    match node:
        case tree.Logic(operator):
            return OR if operator == "or" else AND
        case tree.Not():
            return NOT
        case tree.Compare() | tree.Inside() | tree.IsState():
            return COMPARISON
        case tree.Binary(operator):
            return _BINARY[operator]
        case tree.Negative():
            return SIGNED
        case tree.Number():
            return SIGNED if node.text[0] in "-−" else ATOM
        case _:
            return ATOM
