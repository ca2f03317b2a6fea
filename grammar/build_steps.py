"""The parse of a step to a node, without the steps of its block. Knows no declaration.

A step that is grammatical and still no sense by itself (a clause twice, a sweep into nothing) is a
`Mistake`.
"""

from __future__ import annotations

from typing import Any

from lark import Token

from grammar import tree
from grammar.build_expressions import ExpressionBuilder
from grammar.build_lines import Clause, OpenBlock, by_word
from grammar.mistake import Mistake


class StepBuilder(ExpressionBuilder):
    """One method a rule of the grammar."""

    def setup(self, meta: Any, children: list[Any]) -> tree.Setup:
        return tree.Setup(self._name(children[0]), tuple(children[1:]), self._span(meta))

    def setup_item(self, meta: Any, children: list[Any]) -> tree.SetupItem:
        name = tree.Name(" ".join(children[0].split()), self._at(children[0]))
        return tree.SetupItem(name, children[1], self._span(meta))

    def mode(self, meta: Any, children: list[Any]) -> str:
        return str(children[0])

    def source(self, meta: Any, children: list[Any]) -> tree.SourceStep:
        name, mode, level, limit = children
        return tree.SourceStep(self._name(name), mode, level, limit, self._span(meta))

    def output_on(self, meta: Any, children: list[Any]) -> tree.Output:
        return tree.Output(self._name(children[0]), True, self._span(meta))

    def output_off(self, meta: Any, children: list[Any]) -> tree.Output:
        return tree.Output(self._name(children[0]), False, self._span(meta))

    def names(self, meta: Any, children: list[Any]) -> tuple[tree.Name, ...]:
        return tuple(self._name(token) for token in children)

    def measure(self, meta: Any, children: list[Any]) -> tree.Measure:
        channels, into, columns = children
        name = self._name(into) if into is not None else None
        return tree.Measure(channels, name, columns or (), self._span(meta))

    def wait(self, meta: Any, children: list[Any]) -> tree.Wait:
        return tree.Wait(children[0], self._span(meta))

    def every_for(self, meta: Any, children: list[Any]) -> tree.Every:
        period, duration = children
        return tree.Every(period, duration, None, None, (), None, self._span(meta))

    def every_until(self, meta: Any, children: list[Any]) -> tree.Every:
        period, until, at_most = children
        return tree.Every(period, None, until, at_most, (), None, self._span(meta))

    def repeat(self, meta: Any, children: list[Any]) -> tree.Repeat:
        return tree.Repeat(children[0], (), self._span(meta))

    def for_in(self, meta: Any, children: list[Any]) -> tree.ForIn:
        return tree.ForIn(self._name(children[0]), children[1], (), self._span(meta))

    def for_count(self, meta: Any, children: list[Any]) -> tree.ForCount:
        name, first, last = children
        return tree.ForCount(self._name(name), first, last, (), self._span(meta))

    def leave(self, meta: Any, children: list[Any]) -> tree.Leave:
        return tree.Leave(self._span(meta))

    def if_line(self, meta: Any, children: list[Any]) -> tree.Arm:
        return tree.Arm(children[0], (), self._span(meta))

    def else_if_line(self, meta: Any, children: list[Any]) -> OpenBlock:
        return OpenBlock("else if", self._span(meta), children[0])

    def else_line(self, meta: Any, children: list[Any]) -> OpenBlock:
        return OpenBlock("else", self._span(meta))

    def otherwise_line(self, meta: Any, children: list[Any]) -> OpenBlock:
        return OpenBlock("otherwise", self._span(meta))

    def sweep(self, meta: Any, children: list[Any]) -> tree.Sweep:
        name, mode, first, last, points, *clauses = children
        given = by_word(clauses)
        if "into" not in given:
            raise Mistake(
                "sweep-into-nothing",
                "this sweep does not say where its readings go",
                "end it with the name of a trace: , into curve",
                self._span(meta),
            )
        return tree.Sweep(
            self._name(name),
            mode,
            first,
            last,
            points,
            "logarithmic" in given,
            "pulsed" in given,
            given.get("width"),
            given.get("period"),
            given.get("limit"),
            given.get("settle"),
            given.get("until"),
            given.get("reading", ()),
            given["into"],
            self._span(meta),
        )

    def ramp_at(self, meta: Any, children: list[Any]) -> tree.Ramp:
        return self._ramp(meta, children, children[3], None)

    def ramp_over(self, meta: Any, children: list[Any]) -> tree.Ramp:
        return self._ramp(meta, children, None, children[3])

    def _ramp(
        self,
        meta: Any,
        children: list[Any],
        rate: tree.Expression | None,
        duration: tree.Expression | None,
    ) -> tree.Ramp:
        name, mode, level, _, *clauses = children
        given = by_word(clauses)
        return tree.Ramp(
            self._name(name),
            mode,
            level,
            rate,
            duration,
            given.get("in steps of"),
            given.get("until"),
            given.get("reading", ()),
            given.get("into"),
            self._span(meta),
        )

    def pulse(self, meta: Any, children: list[Any]) -> tree.PulseStep:
        name, mode, level, *clauses = children
        given = by_word(clauses)
        return tree.PulseStep(
            self._name(name),
            mode,
            level,
            given.get("limit"),
            given.get("width"),
            given.get("period"),
            given.get("count"),
            given.get("after countdown"),
            given.get("into"),
            self._span(meta),
        )

    def capture(self, meta: Any, children: list[Any]) -> tree.CaptureStep:
        name, rate, duration, *clauses = children
        given = by_word(clauses)
        return tree.CaptureStep(
            self._name(name),
            rate,
            duration,
            given.get("when"),
            given.get("before"),
            given.get("into"),
            (),
            self._span(meta),
        )

    def settle(self, meta: Any, children: list[Any]) -> tree.Settle:
        reading, band, window, *clauses = children
        given = by_word(clauses)
        return tree.Settle(
            reading,
            band,
            window,
            given.get("every"),
            given.get("at most"),
            given.get("into"),
            None,
            self._span(meta),
        )

    def clause(self, meta: Any, children: list[Any]) -> Clause:
        word, *rest = children
        value: Any = rest[0] if rest else True
        if isinstance(value, Token):
            value = self._name(value)
        return Clause(" ".join(word.split()), value, self._span(meta))

    def clause_reading(self, meta: Any, children: list[Any]) -> Clause:
        return Clause("reading", tuple(self._name(c) for c in children), self._span(meta))

    def switch(self, meta: Any, children: list[Any]) -> tree.Switch:
        return tree.Switch(self._name(children[0]), children[1], self._span(meta))

    def wait_for(self, meta: Any, children: list[Any]) -> tree.WaitFor:
        name, high, at_most = children
        return tree.WaitFor(self._name(name), high, at_most, None, self._span(meta))

    def ask(self, meta: Any, children: list[Any]) -> tree.Ask:
        text, name, bounds = children
        into = self._name(name) if name is not None else None
        return tree.Ask(self._text(text), into, bounds, self._span(meta))

    def confirm_step(self, meta: Any, children: list[Any]) -> tree.ConfirmStep:
        return tree.ConfirmStep(self._text(children[0]), self._span(meta))

    def do(self, meta: Any, children: list[Any]) -> tree.Do:
        name, *arguments = children
        given = tuple(argument for argument in arguments if argument is not None)
        return tree.Do(self._name(name), given, self._span(meta))

    def let(self, meta: Any, children: list[Any]) -> tree.Let:
        return tree.Let(self._name(children[0]), children[1], self._span(meta))

    def set_(self, meta: Any, children: list[Any]) -> tree.Set:
        return tree.Set(self._name(children[0]), children[1], self._span(meta))

    def reset(self, meta: Any, children: list[Any]) -> tree.Reset:
        return tree.Reset(children[0], self._span(meta))

    def say(self, meta: Any, children: list[Any]) -> tree.Say:
        return tree.Say(self._text(children[0]), self._span(meta))

    def note(self, meta: Any, children: list[Any]) -> tree.Note:
        return tree.Note(self._text(children[0]), self._span(meta))

    def stop(self, meta: Any, children: list[Any]) -> tree.Stop:
        text = self._text(children[0]) if children[0] is not None else None
        return tree.Stop(text, self._span(meta))

    def fail(self, meta: Any, children: list[Any]) -> tree.Fail:
        return tree.Fail(self._text(children[0]), self._span(meta))
