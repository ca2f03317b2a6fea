"""Calls of procedures, each with the procedure's steps put in its place.

What follows sees one flat recipe in which a call is a block of steps (`tree.Called`). Names of a
procedure's own are written with it, as `soak.time`, so that they meet no other; parameters that
stand for a channel, a part, a digital line or a trace are replaced by it, others become `let`s.
Units, values and the order of steps are not known here.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from grammar import tree
from grammar.blocks import DEEPEST_BLOCK
from grammar.diagnostic import Problems, Related
from grammar.node import replaced
from grammar.wording import near
from sequencer.checker.naming.walking import blocks_in, nodes_of, steps_of
from sequencer.checker.procedures.called import Procedures
from sequencer.checker.procedures.renaming import renamed

MOST_STEPS = 20_000
"""The bound of all calls together, so that procedures that call others can't fill the memory."""


def expand(
    recipe: tree.Recipe, problems: Problems, lost: frozenset[str] = frozenset()
) -> tree.Recipe:
    """The recipe with every `do` replaced by the procedure's steps; wrong calls are reported.

    A call that can't be expanded stays as it is, for the other checks to pass over. `lost` are the
    words of lines that could not be read: a procedure among them may well be there.
    """
    steps = recipe.steps + recipe.final
    if not recipe.procedures and not any(isinstance(s, tree.Do) for s in steps_of(steps)):
        return recipe
    expansion = _Expansion(recipe, problems, lost)
    whole: tree.Recipe = replaced(
        recipe,
        steps=expansion.block(recipe.steps, {}, ()),
        final=expansion.block(recipe.final, {}, ()),
    )
    return whole


def not_expanded(
    recipe: tree.Recipe, expanded: tree.Recipe, unread: frozenset[str] = frozenset()
) -> frozenset[str]:
    """The names of all calls that stayed as they are, and of the steps that they would have been.

    What those would have filled, measured or programmed is unknown. `unread` are the blocks with
    lines that could not be read: with one of a procedure nothing is sure of any call, and the lines
    may be the only ones that call a procedure.
    """
    if expanded is recipe:
        return frozenset()
    steps = list(steps_of(expanded.steps + expanded.final))
    calls = [step for step in steps if isinstance(step, tree.Do)]
    followed = [step.do for step in steps if isinstance(step, tree.Called)]
    if "procedure" in unread:
        calls += followed
    names = [procedure.name.id for procedure in recipe.procedures]
    missing = {near(call.procedure.id, names) for call in calls}
    if unread:
        missing |= set(names) - {call.procedure.id for call in followed}
    bodies = [p.body for p in recipe.procedures if p.name.id in missing]
    found = {node.id for node in nodes_of((*calls, *bodies)) if isinstance(node, tree.Name)}
    if calls or bodies:
        found |= {"measure", "source", "output", "set", "sweep"}
    return frozenset(found)


class _Expansion:
    """The procedures of one recipe while its calls are expanded."""

    def __init__(self, recipe: tree.Recipe, problems: Problems, lost: frozenset[str]) -> None:
        self.problems = problems
        self.procedures = Procedures(recipe, problems, lost)
        self.steps = 0
        self.depth = 0

    def block(
        self, block: tree.Block, names: Mapping[str, str], chain: tuple[tree.Do, ...]
    ) -> tree.Block:
        """The steps of a block with its names put in and its calls expanded."""
        self.depth += 1
        found = tuple(self._step(step, names, chain) for step in block)
        self.depth -= 1
        return found

    def _step(
        self, step: tree.Step, names: Mapping[str, str], chain: tuple[tree.Do, ...]
    ) -> tree.Step:
        if chain:
            self.steps += 1
        changes: dict[str, Any] = {}
        for field in step._names:
            value = getattr(step, field)
            if field in ("body", "otherwise") and value is not None:
                changes[field] = self.block(value, names, chain)
            elif field == "arms":
                changes[field] = tuple(
                    replaced(
                        arm,
                        condition=renamed(arm.condition, names),
                        body=self.block(arm.body, names, chain),
                    )
                    for arm in value
                )
            elif field not in ("span", "procedure") and chain:
                changes[field] = renamed(value, names)
        # A procedure's steps are copied for each call: what is found out of one is not of another.
        made: tree.Step = replaced(step, **changes) if changes or chain else step
        return self._call(made, chain) if isinstance(made, tree.Do) else made

    def _call(self, node: tree.Do, chain: tuple[tree.Do, ...]) -> tree.Step:
        procedure = self.procedures.named(node.procedure)
        if procedure is None or not self._may_be_called(node, procedure, chain):
            return node
        given = self.procedures.arguments(node, procedure)
        if given is None:
            return node
        own = procedure.name.id
        # One that hides a declaration keeps its name, so that this is all that is said of it.
        taken = self.procedures.globals
        names = {name: f"{own}.{name}" for name in _defined(procedure.body) if name not in taken}
        lets: list[tree.Step] = []
        for parameter in procedure.parameters:
            value = given[parameter.id]
            if isinstance(value, tree.Name) and self.procedures.stands_for(
                value, parameter, procedure
            ):
                names[parameter.id] = value.id
                continue
            names[parameter.id] = f"{own}.{parameter.id}"
            name = tree.Name(names[parameter.id], parameter.span)
            lets.append(tree.Let(name, value, value.span))
        with self.problems.called_from(node.span):
            body = self.block(procedure.body, names, (*chain, node))
        return tree.Called(node, (*lets, *body), node.span)

    def _may_be_called(
        self, node: tree.Do, procedure: tree.Procedure, chain: tuple[tree.Do, ...]
    ) -> bool:
        """Whether a call comes to an end, in bounded steps and depth."""
        earlier = [call.procedure.id for call in chain]
        name = procedure.name.id
        where = [Related(procedure.name.span, "the procedure")]
        if name in earlier:
            path = [*earlier[earlier.index(name) :], name]
            self.problems.error(
                "recursion",
                node.span,
                f"`{name}` calls itself: {' → '.join(path)}",
                "use a loop: a procedure that calls itself has no end that can be proved",
                where,
            )
            return False
        if self.steps > MOST_STEPS:
            self.problems.error(
                "too-many-steps",
                chain[0].span if chain else node.span,
                f"with every call written out this recipe has more than {MOST_STEPS} steps",
                "use loops where procedures call each other again and again",
            )
            return False
        if self.depth + _depth(procedure.body) > DEEPEST_BLOCK:
            self.problems.error(
                "too-deep",
                node.span,
                f"with this call written out blocks stand more than {DEEPEST_BLOCK} deep",
                "let procedures call fewer others in turn",
                where,
            )
            return False
        return True


def _depth(block: tree.Block) -> int:
    """How deep the blocks of a block stand in one another; its own counts as one."""
    return 1 + max((_depth(inner) for step in block for inner in blocks_in(step)), default=0)


def _defined(block: tree.Block) -> Iterator[str]:
    """The names that the steps of a block define."""
    for step in steps_of(block):
        if isinstance(step, tree.Let | tree.ForIn | tree.ForCount):
            yield step.name.id
        elif isinstance(step, tree.Ask) and step.into is not None:
            yield step.into.id
