"""What the expressions of results refer to: arguments by their parameters, traces and results.

Knows the tree and the table of signatures; works nothing out.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from grammar import tree
from sequencer.analysis.signatures import SIGNATURES, Parameter, Signature

Column = tree.Name | tree.Member


def written(node: Column) -> str:
    """A column's name as it is written: "current", "smu.current"."""
    return node.id if isinstance(node, tree.Name) else f"{node.base.id}.{node.field.id}"


def arguments_of(
    call: tree.Call, signature: Signature
) -> Iterator[tuple[Parameter, tree.Expression]]:
    """The arguments of a call that fits its signature, each with the parameter that it is for."""
    by_name = {parameter.name: parameter for parameter in signature.parameters}
    unnamed = iter(signature.parameters)
    for argument in call.arguments:
        parameter = by_name[argument.name] if argument.name else next(unnamed)
        yield parameter, argument.value


def names_in(node: object) -> Iterator[str]:
    """The names in an expression that stand for traces and values; those of columns do not."""
    match node:
        case tree.Name():
            yield node.id
        case tree.Member():
            yield node.base.id
        case tree.Call() if node.function.id in SIGNATURES:
            for parameter, value in arguments_of(node, SIGNATURES[node.function.id]):
                if parameter.takes != "column":
                    yield from names_in(value)
        case tree.Call():
            yield from names_in(node.arguments)
        case tree.Node():
            for inner in vars(node).values():
                yield from names_in(inner)
        case tuple():
            for inner in node:
                yield from names_in(inner)


def signature_of(node: tree.Expression) -> Signature | None:
    """The signature of the calculation that an expression calls, None where it calls none."""
    return SIGNATURES.get(node.function.id) if isinstance(node, tree.Call) else None


def columns_of_results(recipe: tree.Recipe) -> Mapping[str, Column]:
    """The column that each result has rows by, its own or that of one it rests on, by name."""
    found: dict[str, Column] = {}
    for line in recipe.results:
        if isinstance(line, tree.Result):
            each = line.each or column_of_line(line.value, found)
            if each is not None:
                found[line.name.id] = each
    return found


def column_of_line(node: tree.Expression, known: Mapping[str, Column]) -> Column | None:
    """The column that an expression has rows by, through the results that it rests on."""
    if not known:
        return None
    return next((known[name] for name in names_in(node) if name in known), None)
