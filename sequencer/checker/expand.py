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
from grammar.diagnostic import Problems, Related, Span
from grammar.node import replaced
from grammar.wording import listed, near

MOST_STEPS = 20_000
"""The bound of all calls together, so that procedures that call others can't fill the memory."""

_LOOPS = (tree.Every, tree.Repeat, tree.ForIn, tree.ForCount, tree.CaptureStep)
_FILLS = (
    tree.Measure,
    tree.Sweep,
    tree.Ramp,
    tree.PulseStep,
    tree.CaptureStep,
    tree.Settle,
)


def expand(recipe: tree.Recipe, problems: Problems) -> tree.Recipe:
    """The recipe with every `do` replaced by the procedure's steps; wrong calls are reported.

    A call that can't be expanded stays as it is, for the other checks to pass over.
    """
    if not recipe.procedures and not any(_calls(recipe.steps + recipe.final)):
        return recipe
    expansion = _Expansion(recipe, problems)
    steps = expansion.block(recipe.steps, {}, ())
    final = expansion.block(recipe.final, {}, ())
    expansion.say_unused()
    whole: tree.Recipe = replaced(recipe, steps=steps, final=final)
    return whole


class _Expansion:
    """The procedures of one recipe while its calls are expanded."""

    def __init__(self, recipe: tree.Recipe, problems: Problems) -> None:
        self.problems = problems
        self.procedures: dict[str, tree.Procedure] = {}
        for procedure in recipe.procedures:
            self._declare(procedure)
        self.things = {
            name.id
            for names in (
                (node.name for node in recipe.channels),
                (node.name for node in recipe.digital),
                (node.name for node in recipe.parts),
            )
            for name in names
        }
        self.globals = self.things | {node.name.id for node in recipe.settings} | {"elapsed"}
        self.called: set[str] = set()
        self.steps = 0

    def _declare(self, procedure: tree.Procedure) -> None:
        first = self.procedures.setdefault(procedure.name.id, procedure)
        if first is not procedure:
            self.problems.error(
                "name-taken",
                procedure.name.span,
                f"the procedure `{procedure.name.id}` is defined a second time",
                "choose another name, or remove one of the two",
                [Related(first.name.span, f"the other `{procedure.name.id}`")],
            )
        seen: dict[str, tree.Name] = {}
        for parameter in procedure.parameters:
            if parameter.id in seen:
                self.problems.error(
                    "name-taken",
                    parameter.span,
                    f"the parameter `{parameter.id}` stands here a second time",
                    "choose another name",
                    [Related(seen[parameter.id].span, "the first")],
                )
            seen.setdefault(parameter.id, parameter)
        for leave in _leaves(procedure.body):
            self.problems.error(
                "leave-outside-loop",
                leave.span,
                "there is no loop in this procedure to leave: `leave` doesn't reach out of it",
                "put it inside a loop, or let the procedure end here by an `if`",
                [Related(procedure.name.span, "the procedure")],
            )

    def block(
        self, block: tree.Block, names: Mapping[str, str], chain: tuple[tree.Do, ...]
    ) -> tree.Block:
        """The steps of a block with its names put in and its calls expanded."""
        return tuple(self._step(step, names, chain) for step in block)

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
                        condition=_renamed(arm.condition, names),
                        body=self.block(arm.body, names, chain),
                    )
                    for arm in value
                )
            elif field not in ("span", "procedure") and chain:
                changes[field] = _renamed(value, names)
        if isinstance(step, tree.Do):
            return self._call(replaced(step, **changes) if chain else step, chain)
        # A procedure's steps are copied for each call: what is found out of one is not of another.
        return replaced(step, **changes) if changes or chain else step

    def _call(self, node: tree.Do, chain: tuple[tree.Do, ...]) -> tree.Step:
        procedure = self.procedures.get(node.procedure.id)
        if procedure is None:
            self._unknown(node)
            return node
        self.called.add(procedure.name.id)
        earlier = [call.procedure.id for call in chain]
        if procedure.name.id in earlier:
            path = [*earlier[earlier.index(procedure.name.id) :], procedure.name.id]
            self.problems.error(
                "recursion",
                node.span,
                f"`{procedure.name.id}` calls itself: {' → '.join(path)}",
                "use a loop: a procedure that calls itself has no end that can be proved",
                [Related(procedure.name.span, "the procedure")],
            )
            return node
        if self.steps > MOST_STEPS:
            self.problems.error(
                "too-many-steps",
                chain[0].span if chain else node.span,
                f"with every call written out this recipe has more than {MOST_STEPS} steps",
                "use loops where procedures call each other again and again",
            )
            return node
        given = self._arguments(node, procedure)
        if given is None:
            return node
        own = procedure.name.id
        local = {name: f"{own}.{name}" for name in _defined(procedure.body)}
        lets: list[tree.Step] = []
        traces = self._traces(procedure, ())
        for parameter in procedure.parameters:
            value = given[parameter.id]
            stands = isinstance(value, tree.Name) and (
                value.id in self.things or parameter.id in traces
            )
            if stands and isinstance(value, tree.Name):
                local[parameter.id] = value.id
                continue
            if parameter.id in traces:
                self._not_a_trace(value, parameter, procedure)
                return node
            local[parameter.id] = f"{own}.{parameter.id}"
            name = tree.Name(local[parameter.id], parameter.span)
            lets.append(tree.Let(name, value, value.span))
        self._free(procedure, local)
        body = self.block(procedure.body, local, (*chain, node))
        return tree.Called(node, (*lets, *body), node.span)

    def _unknown(self, node: tree.Do) -> None:
        name = node.procedure.id
        wanted = near(name, self.procedures)
        hint = f"write {wanted}" if wanted else f"write its steps: procedure {name}():"
        if self.procedures and not wanted:
            hint = f"the recipe has {listed(self.procedures)}; or {hint}"
        if wanted is not None:
            self.called.add(wanted)
        self.problems.error(
            "unknown-procedure",
            node.procedure.span,
            f"there is no procedure `{name}`",
            hint,
        )

    def _arguments(
        self, node: tree.Do, procedure: tree.Procedure
    ) -> dict[str, tree.Expression] | None:
        """The arguments by parameter, None where they don't fit (reported)."""
        names = [parameter.id for parameter in procedure.parameters]
        usage = f"it is called as do {procedure.name.id}({', '.join(names)})"
        where = [Related(procedure.name.span, "the procedure")]
        given: dict[str, tree.Expression] = {}
        unnamed = iter(names)
        for argument in node.arguments:
            name = argument.name or next(unnamed, None)
            slug = message = ""
            hint = usage
            if name is None:
                slug = "argument-count"
                message = (
                    f"`{procedure.name.id}` takes {len(names) or 'no'} "
                    f"argument{'' if len(names) == 1 else 's'}, and this is one more"
                )
            elif name not in names:
                slug = "unknown-argument"
                message = f"`{procedure.name.id}` has no parameter `{name}`"
                wanted = near(name, names)
                hint = f"write {wanted} = …" if wanted else usage
            elif name in given:
                slug = "twice"
                message = f"the argument `{name}` is given a second time"
            if name is None or slug:
                self.problems.error(slug, argument.span, message, hint, where)
                return None
            given[name] = argument.value
        missing = [name for name in names if name not in given]
        if missing:
            self.problems.error(
                "argument-count",
                node.span,
                f"`{procedure.name.id}` is called without {listed(missing)}",
                usage,
                where,
            )
            return None
        return given

    def _traces(self, procedure: tree.Procedure, seen: tuple[str, ...]) -> set[str]:
        """The parameters that stand for a trace, here or in a procedure that is called here."""
        found: set[str] = set()
        if procedure.name.id in seen:
            return found
        for step in _all(procedure.body):
            if isinstance(step, _FILLS) and step.into is not None:
                found.add(step.into.id)
            called = self.procedures.get(step.procedure.id) if isinstance(step, tree.Do) else None
            if called is not None and isinstance(step, tree.Do):
                inner = self._traces(called, (*seen, procedure.name.id))
                unnamed = iter(parameter.id for parameter in called.parameters)
                for argument in step.arguments:
                    name = argument.name or next(unnamed, None)
                    if name in inner and isinstance(argument.value, tree.Name):
                        found.add(argument.value.id)
        return found & {parameter.id for parameter in procedure.parameters}

    def _not_a_trace(
        self, value: tree.Expression, parameter: tree.Name, procedure: tree.Procedure
    ) -> None:
        self.problems.error(
            "not-a-trace",
            value.span,
            f"`{procedure.name.id}` takes readings into `{parameter.id}`, and this is no name of a "
            "trace",
            "give it the name of a trace",
            [Related(parameter.span, "the parameter")],
        )

    def _free(self, procedure: tree.Procedure, local: Mapping[str, str]) -> None:
        """Names of the steps around the call can't be seen in a procedure."""
        known = self.globals | local.keys()
        for name in _values(procedure.body):
            if name.id in known:
                continue
            wanted = near(name.id, known)
            self.problems.error(
                "unknown-name",
                name.span,
                f"there is no name `{name.id}` in this procedure",
                f"write {wanted}"
                if wanted
                else f"make it a parameter: procedure {procedure.name.id}"
                f"({', '.join([*(p.id for p in procedure.parameters), name.id])}):",
                [Related(procedure.name.span, "the procedure")],
            )

    def say_unused(self) -> None:
        """A procedure that nobody calls has been checked by nobody."""
        for name, procedure in self.procedures.items():
            if name not in self.called:
                self.problems.warning(
                    "unused-procedure",
                    procedure.name.span,
                    f"the procedure `{name}` is never called, and its steps are not checked",
                    f"call it: do {name}(…), or remove it",
                )


def _all(block: tree.Block) -> Iterator[tree.Step]:
    """The steps of a block and of those within it."""
    for step in block:
        yield step
        for arm in getattr(step, "arms", ()):
            yield from _all(arm.body)
        yield from _all(getattr(step, "body", ()))
        yield from _all(getattr(step, "otherwise", None) or ())


def _calls(block: tree.Block) -> Iterator[tree.Do]:
    return (step for step in _all(block) if isinstance(step, tree.Do))


def _leaves(block: tree.Block) -> Iterator[tree.Leave]:
    """The `leave`s of a block that stand in no loop of it."""
    for step in block:
        if isinstance(step, tree.Leave):
            yield step
        elif not isinstance(step, _LOOPS):
            for arm in getattr(step, "arms", ()):
                yield from _leaves(arm.body)
        yield from _leaves(getattr(step, "otherwise", None) or ())


def _defined(block: tree.Block) -> set[str]:
    """The names that the steps of a block define."""
    found = set()
    for step in _all(block):
        if isinstance(step, tree.Let | tree.ForIn | tree.ForCount):
            found.add(step.name.id)
        elif isinstance(step, tree.Ask) and step.into is not None:
            found.add(step.into.id)
    return found


def _values(value: Any) -> Iterator[tree.Name]:
    """The names that stand for values: not channels, traces, functions and what is defined."""
    match value:
        case tree.Name():
            yield value
        case tree.Member():
            return
        case tree.Call():
            # A name that a function is given may be a trace or a column.
            for argument in value.arguments:
                if not isinstance(argument.value, tree.Name):
                    yield from _values(argument.value)
        case tree.SetupItem():
            if not (isinstance(value.value, tree.Name) and value.value.id == "auto"):
                yield from _values(value.value)
        case tree.Do():
            for argument in value.arguments:
                if not isinstance(argument.value, tree.Name):
                    yield from _values(argument.value)
        case tree.Set():
            yield value.name
            yield from _values(value.value)
        case tuple() if not isinstance(value, Span):
            for inner in value:
                yield from _values(inner)
        case tree.Node():
            for field in value._compared:
                if field not in _NOT_OF_VALUES:
                    yield from _values(getattr(value, field))


_NOT_OF_VALUES = frozenset(
    ("name", "channel", "channels", "line", "into", "reading", "function", "procedure", "counter")
)


def _renamed(value: Any, names: Mapping[str, str]) -> Any:
    """A value of a node's field with the procedure's names in place of those written."""
    if isinstance(value, tree.Name):
        return tree.Name(names.get(value.id, value.id), value.span)
    if isinstance(value, tree.Member):
        return tree.Member(_renamed(value.base, names), value.field, value.span)
    if isinstance(value, tree.Call):
        arguments = _renamed(value.arguments, names)
        return tree.Call(value.function, arguments, value.span)
    if isinstance(value, tree.SetupItem):
        return tree.SetupItem(value.name, _renamed(value.value, names), value.span)
    if isinstance(value, tree.Do):
        return value
    if isinstance(value, Span):
        return value
    if isinstance(value, tuple):
        return tuple(_renamed(inner, names) for inner in value)
    if isinstance(value, tree.Node):
        return replaced(
            value, **{field: _renamed(getattr(value, field), names) for field in value._compared}
        )
    return value
