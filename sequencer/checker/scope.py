"""Names: what each stands for, where it can be seen, and what the checks share.

A name is defined once among those that can be seen, never hides another, and is known from its
definition to the end of its block. Knows no units and no order of steps.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from grammar import tree
from grammar.diagnostic import Problems, Related, Span
from grammar.wording import listed, near
from sequencer.checker.constants import Folding
from sequencer.checker.facts import UNKNOWN, Checked, Type
from sequencer.checker.unread import indent, unread
from sequencer.checker.words import with_article, written

ELAPSED = "elapsed"
"""The time since the run's start, which is known everywhere in steps."""


MOST_SUGGESTIONS = 200
"""After so many problems names are no longer compared: in a long recipe that takes its time."""


class Definition:
    """One name with what it stands for.

    `role` is "channel", "part", "setting", "trace", "let", "loop variable" or "result"; `needs` are
    the names that its values were worked out from.
    """

    __slots__ = ("name", "needs", "node", "role", "span", "type", "used")

    def __init__(
        self, name: tree.Name, role: str, found: Type = UNKNOWN, node: tree.Node | None = None
    ) -> None:
        self.name, self.span = name.id, name.span
        self.role, self.type, self.node = role, found, node
        self.used = False
        self.needs: list[Definition] = []


_ROLES = {"let": "a name given by `let`", "channel": "a channel", "part": "a part"}


def role_of(definition: Definition) -> str:
    """The role for a sentence: "a channel", "a name given by `let`"."""
    return _ROLES.get(definition.role) or with_article(definition.role)


class Workings:
    """What the checks share while they work on one recipe.

    `lost` are the words of the lines that could not be read: what they would have defined, measured
    or programmed is unknown, and nothing is said about what may only follow from that; `lost_in`
    are the blocks that such lines stand in. `modes` are those of all sources of a channel; `place`
    is the part of the recipe being looked at; `meant` are names that a problem was reported with,
    so that nobody calls them unused, and `told` those that were said to be unknown, once each;
    `loops` are the loop variables in force; `critical` has the levels, limits, times and counts
    with what they are called.
    """

    def __init__(self, checked: Checked) -> None:
        self.checked = checked
        self.problems: Problems = checked.problems
        self.blocks: list[dict[str, Definition]] = [{}]
        self.defined: list[Definition] = []
        self.lost, self.lost_in = unread(checked.problems)
        self.folding = Folding(checked.settings, checked.relative)
        self.resolved: dict[int, Definition] = {}
        self.local = dict(local_names(checked.recipe.steps))
        self.local_to_final = dict(local_names(checked.recipe.final))
        self.place = "declarations"
        self.meant: set[str] = set()
        self.told: set[str] = set()
        self.loops: list[Definition] = []
        self.critical: list[tuple[tree.Expression, str]] = []
        self.modes: dict[str, set[str]] = {}
        for step in steps_of(checked.recipe.steps + checked.recipe.final):
            if isinstance(step, tree.SourceStep):
                self.modes.setdefault(step.channel.id, set()).add(step.mode)

    def text(self, span: Span) -> str:
        """A stretch of the recipe on one line."""
        return written(self.problems.source, span)

    def find(self, name: str) -> Definition | None:
        """What a name stands for here, None where it is unknown."""
        for block in reversed(self.blocks):
            if name in block:
                return block[name]
        return None

    def define(
        self, name: tree.Name, role: str, found: Type = UNKNOWN, node: tree.Node | None = None
    ) -> Definition:
        """Define a name in the innermost block; one that is taken is reported and left as it is."""
        definition = Definition(name, role, found, node)
        first = self.find(name.id)
        if first is not None:
            self._taken(name, definition, first)
            first.used = True
        elif name.id == ELAPSED and role in ("setting", "let", "loop variable"):
            self.problems.error(
                "name-taken",
                name.span,
                "`elapsed` is the time since the run's start, and can't be given another meaning",
                "choose another name",
            )
        else:
            self.blocks[-1][name.id] = definition
            self.defined.append(definition)
        return definition

    def _taken(self, name: tree.Name, definition: Definition, first: Definition) -> None:
        message = f"`{name.id}` is {role_of(first)} already"
        hint = "choose another name"
        if definition.role == first.role == "let":
            hint = f"choose another name, or give it a new value: set {name.id} = …"
        elif definition.role == first.role:
            message = f"the {first.role} `{name.id}` is defined a second time"
            hint = "choose another name, or remove one of the two"
        where = [Related(first.span, f"the other `{name.id}`")]
        self.problems.error("name-taken", name.span, message, hint, where)

    def resolve(self, name: tree.Name, roles: Iterable[str]) -> Definition | None:
        """What a name stands for; where it is unknown, that is reported, unless a lost line has it.

        `roles` are those that would do here, for the suggestion; others are for the caller to
        refuse.
        """
        definition = self.find(name.id)
        if definition is not None:
            definition.used = True
            self.resolved[id(name)] = definition
        elif name.id not in self.lost and name.id not in self.told:
            self.told.add(name.id)
            self._unknown(name, tuple(roles))
        return definition

    def visible(self, roles: Iterable[str]) -> Iterator[Definition]:
        """The definitions of some roles that can be seen here."""
        wanted = set(roles)
        for block in self.blocks:
            yield from (d for d in block.values() if d.role in wanted)

    def _unknown(self, name: tree.Name, roles: tuple[str, ...]) -> None:
        names = [definition.name for definition in self.visible(roles)]
        if "let" in roles:
            inside = self.local_to_final if self.place == "finally" else self.local
            elsewhere = inside.get(name.id) or self.local.get(name.id)
            if elsewhere is not None:
                self.meant.add(name.id)
                self._known_elsewhere(name, elsewhere, name.id in inside)
                return
        # `elapsed` can be looked at, and is never `set`, which takes what `let` has named alone.
        if "let" in roles and len(roles) > 1 and self.place in ("steps", "finally"):
            names.append(ELAPSED)
        wanted = near(name.id, names) if len(self.problems) < MOST_SUGGESTIONS else None
        if wanted is not None:
            self.meant.add(wanted)
        kind = roles[0] if roles in (("channel",), ("trace",)) else "name"
        if wanted is not None:
            hint = f"write {wanted}"
        elif kind == "channel":
            hint = f"declare it: channel {name.id}: source, measure"
            if names:
                hint = f"the recipe has {listed(names)}; or {hint}"
        elif names and len(roles) == 1:
            hint = f"the recipe has {listed(names)}"
        else:
            hint = "give it a value first: " + (
                f"let {name.id} = …" if "let" in roles else f"setting {name.id} = …"
            )
            if roles == ("trace",):
                hint = f"take readings into it: measure smu into {name.id}"
        self.problems.error(
            f"unknown-{kind}", name.span, f"there is no {kind} `{name.id}` here", hint
        )

    def _known_elsewhere(self, name: tree.Name, first: Span, same_steps: bool) -> None:
        line, own = self.problems.source.line(first.line), self.problems.source.line(name.span.line)
        message = f"`{name.id}` is known only in the block that defines it"
        hint = f"write `let {name.id} = …` before that block, and `set {name.id} = …` inside it"
        if self.place == "declarations":
            message = f"`{name.id}` is defined by a step, and is not known here"
            hint = "use a setting; a guard may use readings and counters as well"
        elif not same_steps:
            message = f"`finally` can't count on `{name.id}`: the run may end before it has a value"
            hint = "use a setting, or work the value out again in `finally`"
        elif first > name.span and indent(line) <= indent(own):
            message = f"`{name.id}` is used before it has a value"
            hint = f"move its definition up: let {name.id} = …"
        self.problems.error(
            "name-out-of-reach", name.span, message, hint, [Related(first, "its definition")]
        )

    def declared_with(self, channel: str, capability: str) -> str:
        """The line that declares a channel, with one capability more."""
        for node in self.checked.recipe.channels:
            if node.name.id == channel:
                have = [given.text for given in node.capabilities]
                if capability in ("measure voltage", "measure current") and any(
                    other.startswith("measure ") and other != "measure open" for other in have
                ):
                    capability = "measure"
                if capability == "measure":
                    have = [c for c in have if c not in ("measure voltage", "measure current")]
                return f"channel {channel}: {', '.join([*have, capability])}"
        return f"channel {channel}: {capability}"

    def silence_channels(self) -> None:
        """Say nothing more of what only follows from which channel a step is for."""
        self.lost |= self.checked.channels.keys()

    def open_block(self) -> None:
        """A block begins."""
        self.blocks.append({})

    def close_block(self) -> None:
        """A block ends, and its names with it."""
        self.blocks.pop()


def steps_of(block: tree.Block) -> Iterator[tree.Step]:
    """The steps of a block and of all blocks within it, in the order written."""
    for step in block:
        yield step
        match step:
            case tree.If():
                for arm in step.arms:
                    yield from steps_of(arm.body)
                yield from steps_of(step.otherwise or ())
            case tree.Every():
                yield from steps_of(step.body)
                yield from steps_of(step.otherwise or ())
            case tree.Repeat() | tree.ForIn() | tree.ForCount():
                yield from steps_of(step.body)


def nodes_of(value: object) -> Iterator[tree.Node]:
    """A node and all nodes within it."""
    if isinstance(value, tree.Node):
        yield value
        for inner in vars(value).values():
            yield from nodes_of(inner)
    elif isinstance(value, tuple) and not isinstance(value, Span):
        for inner in value:
            yield from nodes_of(inner)


def local_names(block: tree.Block) -> Iterator[tuple[str, Span]]:
    """The names that steps define with their places, the last first: a dict keeps the first one."""
    for step in reversed(list(steps_of(block))):
        if isinstance(step, tree.Let | tree.ForIn | tree.ForCount):
            yield step.name.id, step.name.span
