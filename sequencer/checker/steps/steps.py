"""Steps: their names, their units and the values that they take, block by block.

One method a step, or a file where a step has more to it. What a step needs of its channel, what
must have come before it and whether it ends are other checks' matters; here it is only understood.
"""

from __future__ import annotations

from collections.abc import Sequence

from grammar import tree
from grammar.diagnostic import Related
from grammar.quantity import PLAIN, VOLTAGE
from grammar.wording import listed, near
from sequencer.checker.expressions import amounts, calls
from sequencer.checker.expressions.readings import COUNTERS
from sequencer.checker.expressions.units import VALUES, Expressions
from sequencer.checker.facts import TRUTH, Type
from sequencer.checker.naming.scope import Definition, Workings, role_of
from sequencer.checker.naming.walking import arguments_and_steps
from sequencer.checker.naming.words import as_written, described, example
from sequencer.checker.steps import sourcing, traces, waiting
from sequencer.checker.steps.captures import check_capture
from sequencer.checker.steps.setups import check_setup


def check_steps(work: Workings) -> None:
    """All steps, those of `finally` included.

    Names of the recipe's own block stay known for the results; those of `finally` don't.
    """
    traces.declare(work)
    work.place = "steps"
    Steps(work, "steps").block(work.checked.recipe.steps)
    top = work.blocks.pop()
    work.place = "finally"
    Steps(work, "finally").within(work.checked.recipe.final)
    work.place = "results"
    work.blocks.append(top)


class Steps:
    """Checks the steps of one block of the recipe, and those within them."""

    def __init__(self, work: Workings, place: str) -> None:
        self.work = work
        self.expressions = Expressions(work, place)

    def within(self, block: tree.Block | None) -> None:
        """The steps of a block, whose names end with it."""
        self.block(block or ())
        self.work.close_block()

    def block(self, block: tree.Block) -> None:
        """The steps of a block that stays open."""
        self.work.open_block()
        for step in block:
            self.step(step)

    def step(self, node: tree.Step) -> None:
        """One step."""
        expressions = self.expressions
        match node:
            case tree.Setup():
                check_setup(self, node)
            case tree.SourceStep():
                sourcing.source(self, node)
            case tree.Output():
                self.channel(node.channel)
            case tree.Measure():
                self.channels(node.channels)
                traces.fill(expressions, node)
            case tree.Sweep():
                sourcing.sweep(self, node)
            case tree.Ramp():
                sourcing.ramp(self, node)
            case tree.PulseStep():
                sourcing.pulse(self, node)
            case tree.CaptureStep():
                check_capture(self, node)
            case tree.Settle():
                waiting.settle(self, node)
            case tree.Wait():
                amounts.time(expressions, node.duration, "the time to wait", zero=True)
            case tree.WaitFor():
                waiting.wait_for(self, node)
            case tree.Switch():
                waiting.switch(self, node)
            case tree.Ask():
                waiting.ask(self, node)
            case tree.ConfirmStep():
                expressions.type_of(node.text)
            case tree.Every():
                self._every(node)
            case tree.Repeat():
                if node.count is not None:
                    amounts.count(expressions, node.count, "the number of turns", least=0)
                self.within(node.body)
            case tree.ForIn():
                self._loop(node.name, calls.list_of(expressions, node.values), node, [node.values])
            case tree.ForCount():
                amounts.whole(expressions, node.first, "the first number")
                amounts.whole(expressions, node.last, "the last number")
                self._loop(node.name, Type("quantity", PLAIN), node, [node.first, node.last])
            case tree.If():
                for arm in node.arms:
                    expressions.condition(arm.condition)
                    self.within(arm.body)
                self.within(node.otherwise)
            case tree.Called():
                self._called(node)
            case tree.Do():
                pass  # A call that can't be expanded has been told of.
            case tree.Let():
                self._let(node)
            case tree.Set():
                self._set(node)
            case tree.Reset():
                self._reset(node)
            case tree.Say() | tree.Note() | tree.Stop() | tree.Fail():
                if node.text is not None:
                    expressions.type_of(node.text)
            case tree.Leave():
                pass

    def _called(self, node: tree.Called) -> None:
        """The steps of a procedure; what it is given is worked out where it is called."""
        given, body = arguments_and_steps(node)
        values = [self._kept(let.value, as_written(let.name.id)) for let in given]
        with self.work.called(node):
            for let, found in zip(given, values, strict=True):
                self._name(let, found)
            self.within(body)

    def channel(self, name: tree.Name) -> bool:
        """Whether a name is a channel; a wrong one is reported."""
        definition = self.work.resolve(name, ("channel",))
        if definition is not None and definition.role == "channel":
            return True
        self.work.silence_channels()
        if definition is None:
            return False
        part = self.work.checked.parts.get(name.id)
        self.work.problems.error(
            "not-a-channel",
            name.span,
            f"`{definition.shown}` is {role_of(definition)}, expected a channel",
            f"write {part.channel}, the channel it is on"
            if part is not None
            else f"the recipe has {listed(self.work.checked.channels) or 'none yet: declare one'}",
        )
        return False

    def channels(self, names: Sequence[tree.Name]) -> None:
        """Several channels that a step reads, each once."""
        seen: dict[str, tree.Name] = {}
        for name in names:
            self.channel(name)
            if name.id in seen:
                self.work.problems.error(
                    "twice",
                    name.span,
                    f"`{name.id}` stands here a second time",
                    "each channel is read once in a step",
                    [Related(seen[name.id].span, "the first")],
                )
            seen.setdefault(name.id, name)

    def _every(self, node: tree.Every) -> None:
        expressions = self.expressions
        amounts.time(expressions, node.period, "the period of a loop")
        if node.duration is not None:
            amounts.time(expressions, node.duration, "the duration of a loop", zero=True)
        if node.at_most is not None:
            amounts.time(expressions, node.at_most, "the longest time of a loop", zero=True)
        self.within(node.body)
        if node.until is not None:
            expressions.condition(node.until)
        self.within(node.otherwise)

    def _loop(
        self,
        name: tree.Name,
        found: Type,
        node: tree.ForIn | tree.ForCount,
        values: Sequence[tree.Expression],
    ) -> None:
        """A loop with a variable, which is known in its body and a column of what is measured."""
        self.work.open_block()
        variable = self.work.define(name, "loop variable", found, node)
        self.note_needs(variable, values)
        self.work.loops.append(variable)
        self.within(node.body)
        self.work.loops.pop()
        self.work.close_block()

    def _kept(self, node: tree.Expression, name: str) -> Type:
        """The type of a value that is to be kept under a name."""
        found = self.expressions.type_of(node)
        if not found.known or found == TRUTH or found.kind == "quantity":
            return found
        hint = f"write a single value, as in {name} = {example(found.dimension or VOLTAGE)}"
        if found.kind == "text":
            hint = "texts stand behind say, note, stop and fail"
        return self.expressions.error(
            "not-a-quantity",
            node.span,
            f"this is {described(found)}, and a name stands for a single value",
            hint,
        )

    def _let(self, node: tree.Let) -> None:
        self._name(node, self._kept(node.value, as_written(node.name.id)))

    def _name(self, node: tree.Let, found: Type) -> None:
        definition = self.work.define(node.name, "let", found, node)
        self.note_needs(definition, [node.value])
        if found.kind == "quantity" and node.name.id not in self.work.changed:
            definition.value = self.work.folding.value(node.value)

    def _set(self, node: tree.Set) -> None:
        name, word = node.name, as_written(node.name.id)
        definition = self.work.find(name.id)
        if definition is None:
            self.work.resolve(name, ("let",))
        found = self._kept(node.value, word)
        if definition is None:
            return
        self.work.resolved[id(name)] = definition
        if definition.role != "let":
            self._not_settable(name, definition)
            return
        self.note_needs(definition, [node.value])
        if not found.known or not definition.type.known or found == definition.type:
            return
        dimension = definition.type.dimension
        plain = found.dimension is not None and found.dimension.is_plain
        if plain and dimension is not None:
            self.expressions.quantity(node.value, dimension, f"the new value of `{word}`")
            return
        self.expressions.error(
            "wrong-unit",
            node.value.span,
            f"`{word}` is {described(definition.type)}, and its new value is {described(found)}",
            "give it a value of the same kind, or another name",
            Related(definition.span, "its definition"),
        )

    def _not_settable(self, name: tree.Name, definition: Definition) -> None:
        word = definition.shown
        hints = {
            "setting": "settings are the person's to change; work with a copy: "
            f"let my_{word} = {word}, then set my_{word} = …",
            "loop variable": "the loop itself gives it its values; leave the loop with `leave`",
        }
        self.expressions.error(
            "not-settable",
            name.span,
            f"`{word}` is {role_of(definition)}, and `set` changes only what `let` has made",
            hints.get(definition.role, "write let with a name of its own"),
            Related(definition.span, "its definition"),
        )

    def _reset(self, node: tree.Reset) -> None:
        member = node.counter
        if not self.channel(member.base) or member.field.id in COUNTERS:
            return
        wanted = near(member.field.id, COUNTERS)
        self.expressions.error(
            "not-a-counter",
            member.field.span,
            f"`{member.field.id}` is not counted, and `reset` restarts counters",
            f"write reset {member.base.id}.{wanted}" if wanted else f"there are {listed(COUNTERS)}",
        )

    def note_needs(self, definition: Definition, nodes: Sequence[tree.Expression]) -> None:
        """The names that a definition's value is worked out from."""
        for node in nodes:
            found = amounts.definitions_in(self.work, node)
            definition.needs += [d for d in found if d.role in VALUES]
