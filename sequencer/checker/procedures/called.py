"""The procedures of a recipe: how they are defined, and the arguments of their calls.

What a parameter stands for has a file of its own. No step is expanded here.
"""

from __future__ import annotations

from collections.abc import Iterator

from grammar import tree
from grammar.diagnostic import Problems, Related
from grammar.wording import listed, near
from sequencer.checker.naming.walking import steps_of
from sequencer.checker.naming.words import ELAPSED, with_article
from sequencer.checker.procedures.parameters import Parameters


class Procedures:
    """The procedures of one recipe; nothing is said of one that an unread line may have made."""

    def __init__(self, recipe: tree.Recipe, problems: Problems, lost: frozenset[str]) -> None:
        self.problems = problems
        self.lost = lost
        self.procedures: dict[str, tree.Procedure] = {}
        self.parameters = Parameters(self.procedures)
        self.globals: dict[str, tuple[str, tree.Name]] = {}
        for role, nodes in (
            ("channel", recipe.channels),
            ("digital line", recipe.digital),
            ("part", recipe.parts),
            ("setting", recipe.settings),
        ):
            for node in nodes:
                self.globals.setdefault(node.name.id, (role, node.name))
        for procedure in recipe.procedures:
            self._declare(procedure)
        if not lost:
            self._say_unused(recipe)

    def named(self, name: tree.Name) -> tree.Procedure | None:
        """The procedure of a name, None where there is none, which is reported."""
        procedure = self.procedures.get(name.id)
        if procedure is not None or name.id in self.lost:
            return procedure
        wanted = near(name.id, self.procedures)
        hint = f"write {wanted}" if wanted else f"write its steps: procedure {name.id}():"
        if self.procedures and not wanted:
            hint = f"the recipe has {listed(self.procedures)}; or {hint}"
        self.problems.error(
            "unknown-procedure", name.span, f"there is no procedure `{name.id}`", hint
        )
        return None

    def stands_for(self, value: tree.Name, parameter: tree.Name, procedure: tree.Procedure) -> bool:
        """Whether a parameter is replaced by a name, and not given its value."""
        if parameter.id in self.parameters.roles(procedure):
            return True
        return value.id in self.globals and self.globals[value.id][0] != "setting"

    def arguments(
        self, node: tree.Do, procedure: tree.Procedure
    ) -> dict[str, tree.Expression] | None:
        """The arguments by parameter, None where they don't fit it (reported)."""
        names = [parameter.id for parameter in procedure.parameters]
        if len(set(names)) < len(names):
            return None
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
            without = listed([f"`{name}`" for name in missing]).replace(" or ", " and ")
            self.problems.error(
                "argument-count",
                node.span,
                f"`{procedure.name.id}` is called without {without}",
                usage,
                where,
            )
            return None
        roles = self.parameters.roles(procedure)
        fit = [
            self._fits(given[parameter.id], parameter, roles[parameter.id], procedure)
            for parameter in procedure.parameters
            if parameter.id in roles
        ]
        return given if all(fit) else None

    def _fits(
        self, value: tree.Expression, parameter: tree.Name, role: str, procedure: tree.Procedure
    ) -> bool:
        """Whether an argument is the name of what the procedure's steps do with the parameter."""
        where = [Related(parameter.span, f"used as {with_article(role)}")]
        of_role = [name for name, (known, _) in self.globals.items() if known == role]
        hint = f"write {listed(of_role)}" if of_role else f"declare {with_article(role)} first"
        if role == "trace":
            hint = "write the name of a trace"
        if not isinstance(value, tree.Name):
            message = (
                f"`{procedure.name.id}` uses `{parameter.id}` as {with_article(role)}, and this "
                "is no name of one"
            )
            self.problems.error(f"not-a-{_word(role)}", value.span, message, hint, where)
            return False
        known, _ = self.globals.get(value.id, ("", value))
        if known == role or (role == "trace" and not known):
            return True
        if known:
            message = (
                f"`{procedure.name.id}` uses `{parameter.id}` as {with_article(role)}, and "
                f"`{value.id}` is {with_article(known)}"
            )
            self.problems.error(f"not-a-{_word(role)}", value.span, message, hint, where)
            return False
        wanted = near(value.id, of_role)
        self.problems.error(
            f"unknown-{role.replace(' ', '-')}",
            value.span,
            f"there is no {role} `{value.id}` here",
            f"write {wanted}" if wanted else hint,
            where,
        )
        return False

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
            self._parameter(parameter, seen)
            seen.setdefault(parameter.id, parameter)
        for leave in _leaves(procedure.body):
            self.problems.error(
                "leave-outside-loop",
                leave.span,
                "there is no loop in this procedure to leave: `leave` doesn't reach out of it",
                "put it inside a loop, or let the procedure end here by an `if`",
                [Related(procedure.name.span, "the procedure")],
            )

    def _parameter(self, parameter: tree.Name, seen: dict[str, tree.Name]) -> None:
        """A parameter is defined once, and hides nothing that the procedure could see."""
        word = parameter.id
        if word in seen:
            self.problems.error(
                "name-taken",
                parameter.span,
                f"the parameter `{word}` stands here a second time",
                "choose another name",
                [Related(seen[word].span, "the first")],
            )
        elif word in self.globals:
            role, first = self.globals[word]
            self.problems.error(
                "name-taken",
                parameter.span,
                f"`{word}` is {with_article(role)} already, which this procedure can see",
                f"leave the parameter out and use `{word}` as it is, or choose another name",
                [Related(first.span, f"the other `{word}`")],
            )
        elif word == ELAPSED:
            self.problems.error(
                "name-taken",
                parameter.span,
                "`elapsed` is the time since the run's start, and can't be given another meaning",
                "choose another name",
            )

    def _say_unused(self, recipe: tree.Recipe) -> None:
        """A procedure that nobody calls has been checked by nobody."""
        blocks = [recipe.steps, recipe.final, *(p.body for p in recipe.procedures)]
        called = {
            step.procedure.id
            for block in blocks
            for step in steps_of(block)
            if isinstance(step, tree.Do)
        }
        called |= {near(name, self.procedures) or "" for name in called - self.procedures.keys()}
        for name, procedure in self.procedures.items():
            if name not in called:
                self.problems.warning(
                    "unused-procedure",
                    procedure.name.span,
                    f"the procedure `{name}` is never called, and its steps are not checked",
                    f"call it: do {name}(…), or remove it",
                )


def _word(role: str) -> str:
    return "line" if role == "digital line" else role


def _leaves(block: tree.Block) -> Iterator[tree.Leave]:
    """The `leave`s of a block that stand in no loop of it."""
    for step in block:
        if isinstance(step, tree.Leave):
            yield step
        if isinstance(step, tree.If):
            for arm in step.arms:
                yield from _leaves(arm.body)
        # What stands in `otherwise` stands outside of its loop.
        yield from _leaves(getattr(step, "otherwise", None) or ())
