"""What the parameters of procedures stand for, told by what the procedures' steps do with them.

One that is used as a channel, a part, a digital line or a trace stands for its name; any other has
a value. Knows no call but those of procedures by one another.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from grammar import tree
from sequencer.checker.expressions.calls import OVER_TRACES
from sequencer.checker.expressions.readings import FACTS
from sequencer.checker.naming.walking import nodes_of


class Parameters:
    """The parameters of a recipe's procedures, which are given by their names."""

    def __init__(self, procedures: Mapping[str, tree.Procedure]) -> None:
        self.procedures = procedures
        self._found: dict[str, dict[str, str]] = {}

    def roles(self, procedure: tree.Procedure, seen: tuple[str, ...] = ()) -> dict[str, str]:
        """What the parameters stand for that stand for no value."""
        name = procedure.name.id
        if name in self._found or name in seen:
            return self._found.get(name, {})
        parameters = {parameter.id for parameter in procedure.parameters}
        found: dict[str, str] = {}
        for role, used in self._used(procedure.body, (*seen, name)):
            if used in parameters:
                found.setdefault(used, role)
        self._found[name] = found
        return found

    def _used(self, body: tree.Block, seen: tuple[str, ...]) -> Iterator[tuple[str, str]]:
        """The names in a procedure's steps that stand for things, each with the thing's role."""
        for node in nodes_of(body):
            if isinstance(node, tree.Member):
                yield ("part" if node.field.id in FACTS else "channel"), node.base.id
            elif isinstance(node, tree.Call) and node.function.id in OVER_TRACES:
                for argument in node.arguments[:1]:
                    if isinstance(argument.value, tree.Name):
                        yield "trace", argument.value.id
            elif isinstance(node, tree.Do):
                yield from self._passed_on(node, seen)
            line = getattr(node, "line", None)
            into = getattr(node, "into", None)
            if isinstance(line, tree.Name):
                yield "digital line", line.id
            if isinstance(into, tree.Name) and not isinstance(node, tree.Ask):
                yield "trace", into.id
            for field in ("channel", "channels", "reading"):
                names = getattr(node, field, ())
                for name in names if isinstance(names, tuple) else (names,):
                    if isinstance(name, tree.Name):
                        yield "channel", name.id

    def _passed_on(self, node: tree.Do, seen: tuple[str, ...]) -> Iterator[tuple[str, str]]:
        """A parameter that is handed to another procedure stands for what that one's does."""
        called = self.procedures.get(node.procedure.id)
        if called is None:
            return
        roles = self.roles(called, seen)
        unnamed = iter(parameter.id for parameter in called.parameters)
        for argument in node.arguments:
            name = argument.name or next(unnamed, None)
            if name in roles and isinstance(argument.value, tree.Name):
                yield roles[name], argument.value.id
