"""Names: what each stands for, where it can be seen, and what the checks share.

A name is defined once among those that can be seen, never hides another, and is known from its
definition to the end of its block. In the steps of a procedure only declarations, traces and its
own names can be seen. Knows no units and no order of steps.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from contextlib import contextmanager

from drivers.sensed import SENSED
from grammar import tree
from grammar.diagnostic import Problems, Related, Span
from grammar.quantity import Dimension
from grammar.wording import listed
from sequencer.checker.facts import UNKNOWN, Checked, DigitalFacts, Type
from sequencer.checker.naming.constants import Folding
from sequencer.checker.naming.unknown_names import unknown
from sequencer.checker.naming.unread import unread
from sequencer.checker.naming.walking import steps_of
from sequencer.checker.naming.words import ELAPSED, as_written, with_article, written

_OF_VALUES = ("setting", "let", "typed value", "loop variable")


class Definition:
    """One name with what it stands for, and its value in SI where a `let`'s is known before a run.

    `role` is "channel", "digital line", "part", "setting", "trace", "let", "typed value", "loop
    variable" or "result"; `needs` are the names that its values were worked out from.
    """

    __slots__ = ("name", "needs", "node", "role", "span", "type", "used", "value")

    def __init__(
        self, name: tree.Name, role: str, found: Type = UNKNOWN, node: tree.Node | None = None
    ) -> None:
        self.name, self.span = name.id, name.span
        self.role, self.type, self.node = role, found, node
        self.used = False
        self.value: float | None = None
        self.needs: list[Definition] = []

    @property
    def shown(self) -> str:
        """The name as the person wrote it."""
        return as_written(self.name)


_ROLES = {
    "let": "a name given by `let`",
    "typed value": "a value that the person types",
}


def role_of(definition: Definition) -> str:
    """The role for a sentence: "a channel", "a name given by `let`"."""
    return _ROLES.get(definition.role) or with_article(definition.role)


_OTHER_QUANTITY = {
    "measure voltage": "measure current",
    "measure current": "measure voltage",
}


class Workings:
    """What the checks share while they work on one recipe.

    `lost` are the words of the lines that could not be read: what they would have defined, measured
    or programmed is unknown, and nothing is said about what may only follow from that; `lost_in`
    are the blocks that such lines stand in. `modes` are those of all sources of a channel; `place`
    is the part of the recipe being looked at; `meant` are names that a problem was reported with,
    so that nobody calls them unused, and `told` those that were said to be unknown, once each;
    `loops` are the loop variables in force; `critical` has the levels, limits, times and counts
    with what they are called; `capacities` the dimensions of the parts' capacities.
    """

    def __init__(
        self, checked: Checked, lost: tuple[frozenset[str], frozenset[str]] | None = None
    ) -> None:
        self.checked = checked
        self.problems: Problems = checked.problems
        self.blocks: list[dict[str, Definition]] = [{}]
        self.defined: list[Definition] = []
        self.lost, self.lost_in = unread(checked.problems) if lost is None else lost
        self.folding = Folding(checked.settings, checked.relative, checked.parts)
        self.resolved: dict[int, Definition] = {}
        self.local = dict(local_names(checked.recipe.steps))
        self.local_to_final = dict(local_names(checked.recipe.final))
        self.place = "declarations"
        self.procedure: tree.Name | None = None
        """The name of the procedure whose steps are looked at, where they are called."""
        self.meant: set[str] = set()
        self.told: set[str] = set()
        self.loops: list[Definition] = []
        self.critical: list[tuple[tree.Expression, str]] = []
        self.capacities: dict[str, Dimension] = {}
        self.modes: dict[str, set[str]] = {}
        self.changed: set[str] = set()
        """The names that some step gives a new value."""
        self.asked: set[str] = set()
        """The names whose values the person types."""
        self.steps = list(steps_of(checked.recipe.steps + checked.recipe.final))
        """All steps, those within others too, in the order written."""
        for step in self.steps:
            if isinstance(step, tree.SourceStep):
                self.modes.setdefault(step.channel.id, set()).add(step.mode)
            elif isinstance(step, tree.Set):
                self.changed.add(step.name.id)
            elif isinstance(step, tree.Ask) and step.into is not None:
                self.asked.add(step.into.id)

    @contextmanager
    def called(self, node: tree.Called) -> Iterator[None]:
        """The steps of a procedure where it is called: what is found there says so.

        What the steps around the call have named can't be seen meanwhile.
        """
        outer, outer_procedure = self.blocks, self.procedure
        self.blocks, self.procedure = [outer[0], {}], node.do.procedure
        with self.problems.called_from(node.do.span):
            yield
        self.blocks, self.procedure = outer, outer_procedure

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
        # A procedure's own name must not hide one that can be seen in it either.
        first = self.find(name.id) or self.find(definition.shown)
        if first is not None:
            self._taken(name, definition, first)
            first.used = True
            if first.name != name.id:
                self.blocks[-1][name.id] = definition
        elif definition.shown == ELAPSED and role in _OF_VALUES:
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
        word = definition.shown
        message = f"`{word}` is {role_of(first)} already"
        hint = "choose another name"
        if definition.role == first.role == "let":
            hint = f"choose another name, or give it a new value: set {word} = …"
        elif definition.role == first.role:
            message = f"the {first.role} `{word}` is defined a second time"
            hint = "choose another name, or remove one of the two"
        where = [Related(first.span, f"the other `{word}`")]
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
            if definition.value is not None:
                self.folding.named[id(name)] = definition.value
        elif name.id not in self.lost and name.id not in self.told:
            self.told.add(name.id)
            unknown(self, name, tuple(roles))
        return definition

    def line(self, name: tree.Name) -> DigitalFacts | None:
        """The digital line that a name stands for; a wrong name is reported."""
        definition = self.resolve(name, ("digital line",))
        if definition is None:
            return None
        if definition.role == "digital line":
            return self.checked.digital.get(name.id)
        lines = listed(self.checked.digital) or f"none yet: declare digital {name.id}_line: input"
        hint = f"the recipe has {lines}"
        if definition.role == "channel":
            hint = f"a channel has an output: output {name.id} on; its state is in its readings"
        self.problems.error(
            "not-a-line",
            name.span,
            f"`{definition.shown}` is {role_of(definition)}, expected a digital line",
            hint,
        )
        return None

    def visible(self, roles: Iterable[str]) -> Iterator[Definition]:
        """The definitions of some roles that can be seen here."""
        wanted = set(roles)
        for block in self.blocks:
            yield from (d for d in block.values() if d.role in wanted)

    def declared_with(self, channel: str, capability: str) -> str:
        """The line that declares a channel, with one capability more."""
        for node in self.checked.recipe.channels:
            if node.name.id == channel:
                have = [given.text for given in node.capabilities]
                other = _OTHER_QUANTITY.get(capability)
                if other is not None and other in have:
                    capability = "measure"
                if capability == "measure":
                    have = [c for c in have if c not in ("measure voltage", "measure current")]
                return f"channel {channel}: {', '.join([*have, capability])}"
        return f"channel {channel}: {capability}"

    def declare(self, channel: str, capability: str) -> str:
        """How to have a channel that can do something: its line, or a channel of its own.

        What reads a sensor does nothing else, and what reads its terminals reads no sensor.
        """
        facts = self.checked.channels.get(channel)
        if facts is not None and facts.sensed:
            return f"`{channel}` reads a sensor: {capability} with a channel of its own"
        if capability.removeprefix("measure ") in SENSED:
            return f"a sensor is a channel of its own: channel {channel}_2: {capability}"
        return f"declare it: {self.declared_with(channel, capability)}"

    def silence_channels(self) -> None:
        """Say nothing more of what only follows from which channel a step is for."""
        self.lost |= self.checked.channels.keys()

    def open_block(self) -> None:
        """A block begins."""
        self.blocks.append({})

    def close_block(self) -> None:
        """A block ends, and its names with it."""
        self.blocks.pop()


def local_names(block: tree.Block) -> Iterator[tuple[str, Span]]:
    """The names that steps define with their places, the last first: a dict keeps the first one."""
    for step in reversed(list(steps_of(block))):
        if isinstance(step, tree.Let | tree.ForIn | tree.ForCount):
            yield step.name.id, step.name.span
        elif isinstance(step, tree.Ask) and step.into is not None:
            yield step.into.id, step.into.span
