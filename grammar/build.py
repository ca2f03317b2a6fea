"""One line's parse to a node of the tree, and blocks joined to the lines that open them.

A line that is grammatical and still no sense by itself (a clause twice, a sweep into nothing) is a
`Mistake`. What needs the rest of the recipe (names, units, limits) isn't known here.
"""

from __future__ import annotations

from typing import Any, NamedTuple

from grammar import tree
from grammar.build_expressions import ExpressionBuilder
from grammar.diagnostic import Span
from grammar.mistake import Mistake
from grammar.node import replaced


class OpenBlock(NamedTuple):
    """A line that opens a block and is no node by itself: `steps:`, `else:`, `otherwise:`, …"""

    word: str
    span: Span
    condition: tree.Expression | None = None


class _Clause(NamedTuple):
    word: str
    value: Any
    span: Span


class Builder(ExpressionBuilder):
    """One method a rule of the grammar that makes a line."""

    # Declarations

    def recipe(self, meta: Any, children: list[Any]) -> tuple[str, str, Span]:
        return "recipe", self._plain(children[0]), self._span(meta)

    def about(self, meta: Any, children: list[Any]) -> tuple[str, str, Span]:
        return "about", self._plain(children[0]), self._span(meta)

    def channel(self, meta: Any, children: list[Any]) -> tree.Channel:
        return tree.Channel(self._name(children[0]), tuple(children[1:]), self._span(meta))

    def capability(self, meta: Any, children: list[Any]) -> tree.Capability:
        return tree.Capability(" ".join(children[0].split()), self._at(children[0]))

    def kind(self, meta: Any, children: list[Any]) -> tree.Name:
        return tree.Name(" ".join(str(c) for c in children if c is not None), self._span(meta))

    def digital_input(self, meta: Any, children: list[Any]) -> tree.Digital:
        return tree.Digital(self._name(children[0]), False, None, self._span(meta))

    def digital_output(self, meta: Any, children: list[Any]) -> tree.Digital:
        return tree.Digital(self._name(children[0]), True, children[1], self._span(meta))

    def part(self, meta: Any, children: list[Any]) -> tree.Part:
        name, kind, channel, *clauses = children
        given = _by_word(clauses)
        return tree.Part(
            self._name(name),
            kind,
            self._name(channel),
            "not pushed" in given,
            "may be destroyed" in given,
            (),
            (),
            self._span(meta),
        )

    def clause_not_pushed(self, meta: Any, children: list[Any]) -> _Clause:
        return _Clause("not pushed", True, self._span(meta))

    def clause_may_be_destroyed(self, meta: Any, children: list[Any]) -> _Clause:
        return _Clause("may be destroyed", True, self._span(meta))

    def procedure(self, meta: Any, children: list[Any]) -> tree.Procedure:
        name, *parameters = (self._name(child) for child in children if child is not None)
        return tree.Procedure(name, tuple(parameters), (), self._span(meta))

    def setting(self, meta: Any, children: list[Any]) -> tree.Setting:
        name, value, bounds, title = children
        return tree.Setting(self._name(name), value, bounds, self._plain(title), self._span(meta))

    def require(self, meta: Any, children: list[Any]) -> tree.Require:
        return tree.Require(children[0], self._plain(children[1]), self._span(meta))

    def guard(self, meta: Any, children: list[Any]) -> tree.Guard:
        return tree.Guard(children[0], self._plain(children[1]), self._span(meta))

    def open_steps(self, meta: Any, children: list[Any]) -> OpenBlock:
        return OpenBlock("steps", self._span(meta))

    def open_finally(self, meta: Any, children: list[Any]) -> OpenBlock:
        return OpenBlock("finally", self._span(meta))

    def open_results(self, meta: Any, children: list[Any]) -> OpenBlock:
        return OpenBlock("results", self._span(meta))

    def rating(self, meta: Any, children: list[Any]) -> tree.Rating:
        name, bounds, by = children
        by = self._name(by) if by is not None else None
        return tree.Rating(self._name(name), bounds, False, by, self._span(meta))

    def rating_per_pulse(self, meta: Any, children: list[Any]) -> tree.Rating:
        name, bounds = children
        return tree.Rating(self._name(name), bounds, True, None, self._span(meta))

    def chemistry(self, meta: Any, children: list[Any]) -> tree.Fact:
        word = tree.Name(" ".join(children[0].split()), self._at(children[0]))
        return self._fact("chemistry", meta, word=word)

    def in_series(self, meta: Any, children: list[Any]) -> tree.Fact:
        return self._fact("in series", meta, value=children[0])

    def capacity(self, meta: Any, children: list[Any]) -> tree.Fact:
        return self._fact("capacity", meta, value=children[0])

    def own_protection(self, meta: Any, children: list[Any]) -> tree.Fact:
        return self._fact("own protection", meta)

    def _fact(
        self,
        name: str,
        meta: Any,
        word: tree.Name | None = None,
        value: tree.Expression | None = None,
    ) -> tree.Fact:
        span = self._span(meta)
        place = span._replace(end_line=span.line, end_column=span.column + len(name))
        return tree.Fact(tree.Name(name, place), word, value, span)

    # Steps

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
        given = _by_word(clauses)
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
        given = _by_word(clauses)
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
        given = _by_word(clauses)
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
        given = _by_word(clauses)
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
        given = _by_word(clauses)
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

    def clause_logarithmic(self, meta: Any, children: list[Any]) -> _Clause:
        return _Clause("logarithmic", True, self._span(meta))

    def clause_pulsed(self, meta: Any, children: list[Any]) -> _Clause:
        return _Clause("pulsed", True, self._span(meta))

    def clause_settle(self, meta: Any, children: list[Any]) -> _Clause:
        return _Clause("settle", children[0], self._span(meta))

    def clause_step(self, meta: Any, children: list[Any]) -> _Clause:
        return _Clause("in steps of", children[0], self._span(meta))

    def clause_count(self, meta: Any, children: list[Any]) -> _Clause:
        return _Clause("count", children[0], self._span(meta))

    def clause_countdown(self, meta: Any, children: list[Any]) -> _Clause:
        return _Clause("after countdown", children[0], self._span(meta))

    def clause_trigger(self, meta: Any, children: list[Any]) -> _Clause:
        return _Clause("when", children[0], self._span(meta))

    def clause_before(self, meta: Any, children: list[Any]) -> _Clause:
        return _Clause("before", children[0], self._span(meta))

    def clause_period(self, meta: Any, children: list[Any]) -> _Clause:
        return _Clause("period", children[0], self._span(meta))

    def clause_at_most(self, meta: Any, children: list[Any]) -> _Clause:
        return _Clause("at most", children[0], self._span(meta))

    def clause_width(self, meta: Any, children: list[Any]) -> _Clause:
        return _Clause("width", children[0], self._span(meta))

    def clause_limit(self, meta: Any, children: list[Any]) -> _Clause:
        return _Clause("limit", children[0], self._span(meta))

    def clause_until(self, meta: Any, children: list[Any]) -> _Clause:
        return _Clause("until", children[0], self._span(meta))

    def clause_every(self, meta: Any, children: list[Any]) -> _Clause:
        return _Clause("every", children[0], self._span(meta))

    def clause_reading(self, meta: Any, children: list[Any]) -> _Clause:
        return _Clause("reading", tuple(self._name(c) for c in children), self._span(meta))

    def clause_into(self, meta: Any, children: list[Any]) -> _Clause:
        return _Clause("into", self._name(children[0]), self._span(meta))

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

    # Results

    def result_line(self, meta: Any, children: list[Any]) -> tree.Result:
        name, value, each, unit, title = children
        unit = str(unit) if unit is not None else None
        return tree.Result(
            self._name(name), value, each, unit, self._plain(title), self._span(meta)
        )

    def plot(self, meta: Any, children: list[Any]) -> tree.Plot:
        traces, (y, y_logarithmic), (x, x_logarithmic) = children
        return tree.Plot(traces, y, y_logarithmic, x, x_logarithmic, self._span(meta))

    def axis(self, meta: Any, children: list[Any]) -> tuple[tree.Name | tree.Member, bool]:
        return children[0], children[1] is not None

    def expect(self, meta: Any, children: list[Any]) -> tree.Expect:
        return tree.Expect(children[0], self._span(meta))


def join(line: OpenBlock, body: tree.Block, before: tree.Step | None) -> Any:
    """The step before, with an `else if`, `else` or `otherwise` joined to it."""
    if line.word == "otherwise":
        waits = isinstance(before, tree.Settle | tree.WaitFor) or (
            isinstance(before, tree.Every) and before.until is not None
        )
        if waits and not before.otherwise:  # type: ignore[union-attr]
            return replaced(before, otherwise=body)
        return Mistake(
            "otherwise-of-what",
            "this `otherwise` belongs to nothing",
            "it stands right after a step with `at most`, once, indented like it",
            line.span,
        )
    if not isinstance(before, tree.If) or before.otherwise is not None:
        return Mistake(
            "else-of-what",
            f"this `{line.word}` belongs to no `if`",
            "it stands right after the steps of an `if`, indented like it; `else` comes last, once",
            line.span,
        )
    if line.condition is not None:
        return replaced(before, arms=(*before.arms, tree.Arm(line.condition, body, line.span)))
    return replaced(before, otherwise=body)


def _by_word(clauses: list[Any]) -> dict[str, Any]:
    """What the clauses of a step give, by their words. Raises Mistake where one stands twice."""
    given: dict[str, Any] = {}
    for clause in clauses:
        if clause.word in given:
            raise Mistake(
                "twice", f"`{clause.word}` stands here a second time", "write it once", clause.span
            )
        given[clause.word] = clause.value
    return given


def with_body(step: Any, body: tree.Block) -> Any:
    """A loop or arm with the steps of its block."""
    return replaced(step, body=body)
