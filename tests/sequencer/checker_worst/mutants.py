"""Mistakes that an analysis may have: each put into it, to see whether a hunt finds it out.

A mutant patches one thing, as its docstring says. Knows no recipe.
"""

from __future__ import annotations

from collections.abc import Callable

import pytest

from grammar import tree
from grammar.node import replaced
from grammar.quantity import TIME, Quantity
from sequencer.checker.worst import (
    evaluation,
    forms,
    imposed,
    interval,
    observing,
    power,
    pulses,
    seen,
    sourcing,
    subdivision,
    transfer,
    turns,
    values,
)
from sequencer.checker.worst.abstract import ChannelState, Own, Programmed, State, States
from sequencer.checker.worst.accounts import Ledger
from sequencer.checker.worst.interval import EVERYTHING, Interval
from sequencer.checker.worst.turns import Plan
from sequencer.checker.worst.values import Algebra, Value

Patch = pytest.MonkeyPatch
Mutant = Callable[[Patch], None]


def a_limit_without_its_low_side(patch: Patch) -> None:
    """Current out of a part that holds a charge is forgotten."""
    real = imposed._voltage

    def wrong(*given: object) -> imposed.Imposed:
        found = real(*given)  # type: ignore[arg-type]
        return found._replace(current=Interval(0.0, found.current.high))

    patch.setattr(imposed, "_voltage", wrong)


def a_branch_skipped(patch: Patch) -> None:
    """The steps of `else` are never met."""
    real = transfer.Walk._if

    def wrong(self: transfer.Walk, node: tree.If, states: States) -> States:
        return real(self, tree.If(node.arms, None, node.span), states)

    patch.setattr(transfer.Walk, "_if", wrong)


def a_leave_lost(patch: Patch) -> None:
    """Paths that leave a loop are dropped."""
    real = transfer.Walk._step

    def wrong(self: transfer.Walk, node: tree.Step, states: States) -> States:
        return () if isinstance(node, tree.Leave) else real(self, node, states)

    patch.setattr(transfer.Walk, "_step", wrong)


def a_call_skipped(patch: Patch) -> None:
    """The steps of a procedure are never met."""
    real = transfer.Walk._step

    def wrong(self: transfer.Walk, node: tree.Step, states: States) -> States:
        return states if isinstance(node, tree.Called) else real(self, node, states)

    patch.setattr(transfer.Walk, "_step", wrong)


def a_condition_turned_round(patch: Patch) -> None:
    """A comparison narrows by its opposite."""
    real = evaluation.Evaluation._compare

    def wrong(self: evaluation.Evaluation, node: tree.Compare, state: State) -> evaluation.Split:
        holds, fails = real(self, node, state)
        return fails, holds

    patch.setattr(evaluation.Evaluation, "_compare", wrong)


def a_line_always_low(patch: Patch) -> None:
    """A digital condition never holds."""
    real = evaluation.Evaluation.split

    def wrong(self: evaluation.Evaluation, node: tree.Expression, state: State) -> evaluation.Split:
        if isinstance(node, tree.IsState) and node is not observing.UNDECIDED:
            return (None, state) if node.high else (state, None)
        return real(self, node, state)

    patch.setattr(evaluation.Evaluation, "split", wrong)


def one_turn_too_few(patch: Patch) -> None:
    """A loop's last turn is forgotten."""
    real = Plan.__init__

    def wrong(self: Plan, fewest: float, most: float, *rest: object) -> None:
        real(self, max(0.0, fewest - 1), max(1.0, most - 1), *rest)  # type: ignore[arg-type]

    patch.setattr(Plan, "__init__", wrong)


def a_sign_turned(patch: Patch) -> None:
    """A difference adds."""
    patch.setitem(values._OPERATIONS, "-", interval.add)


def a_bound_too_good(patch: Patch) -> None:
    """A form is taken to be no more than at the middle of its settings' spans."""

    def wrong(self: subdivision.Subdivision, form: object, whole: object, bound: float) -> float:
        middle = {n: interval.point(subdivision._middle(s)) for n, s in self.box.items()}
        return subdivision._bounded(form, middle)[0].high  # type: ignore[arg-type]

    patch.setattr(subdivision.Subdivision, "_highest", wrong)


def like_cancels_unlike(patch: Patch) -> None:
    """A quotient of a setting is taken for a product."""
    real = forms.Functions.combined

    def wrong(self: forms.Functions, operator: str, a: forms.Form, b: forms.Form) -> object:
        return real(self, "*" if operator == "/" and any(b) else operator, a, b)

    patch.setattr(forms.Functions, "combined", wrong)


def what_was_imposed_forgotten(patch: Patch) -> None:
    """A part keeps its own voltage, whatever a current source has brought it to."""
    patch.setattr(power.Power, "_own_after", lambda self, p, own: own)


def on_by_what_is_programmed(patch: Patch) -> None:
    """`output on` goes on where a sweep ended, instead of programming the last source again."""
    real = sourcing.Sourcing.output

    def wrong(self: sourcing.Sourcing, node: tree.Output, state: State) -> State:
        name = node.channel.id
        channel: ChannelState = state.channels[name]
        return real(self, node, state.having(name, channel._replace(sourced=channel.programmed)))

    patch.setattr(sourcing.Sourcing, "output", wrong)


def a_limit_always_wide_enough(patch: Patch) -> None:
    """No limit ever takes over."""

    def wrong(p: Programmed, own: Own, algebra: Algebra) -> bool:
        return False

    patch.setattr(power, "takes_over", wrong)


def readings_of_either_sign_lost(patch: Patch) -> None:
    """|x| keeps only the values that were positive."""
    patch.setattr(
        Algebra, "absolute", lambda self, a: Value(Interval(max(a.low, 0.0), max(a.high, 0.0)))
    )


def the_last_turn_unpaid(patch: Patch) -> None:
    """A loop on a grid ends on its time, its last turn unpaid."""
    patch.setattr(turns.Turns, "_time", lambda self, plan, turn_s: plan.duration_s)


def nobody_takes_time(patch: Patch) -> None:
    """What flows while the person is asked is forgotten."""
    patch.setattr(Ledger, "asked", lambda self, rates: self)


def a_person_of_habit(patch: Patch) -> None:
    """Of a span the person always types the middle."""
    real = observing.Observing.ask

    def wrong(self: observing.Observing, node: tree.Ask, state: State) -> State:
        found = real(self, node, state)
        if node.into is None or node.into.id not in found.names:
            return found
        low, high = found.names[node.into.id].interval
        return found.naming(node.into.id, Value(interval.point((low + high) / 2)))

    patch.setattr(observing.Observing, "ask", wrong)


def a_line_that_always_comes(patch: Patch) -> None:
    """What is to be done when a line doesn't come is never met."""
    real = observing.Observing.wait_for

    def wrong(self: observing.Observing, node: tree.WaitFor, states: States) -> States:
        plain = tree.WaitFor(node.line, node.high, node.at_most, None, node.span)
        return real(self, plain, states)

    patch.setattr(observing.Observing, "wait_for", wrong)


def a_record_of_no_length(patch: Patch) -> None:
    """A capture ends with its steps, whether its record has or not."""
    real = observing.Observing.capture
    none = tree.Number(Quantity(0.0, TIME), "0 s")

    def wrong(self: observing.Observing, node: tree.CaptureStep, states: States) -> States:
        short: tree.CaptureStep = replaced(node, duration=none)
        return real(self, short, states)

    patch.setattr(observing.Observing, "capture", wrong)


def a_ramp_that_takes_no_time(patch: Patch) -> None:
    """A ramp is at its end at once."""
    real = sourcing.Sourcing.ramp

    def wrong(self: sourcing.Sourcing, node: tree.Ramp, state: State) -> State | None:
        found = real(self, node, state)
        return found.charged(state.ledger) if found is not None else None

    patch.setattr(sourcing.Sourcing, "ramp", wrong)


def a_pulse_that_lasts_no_time(patch: Patch) -> None:
    """What a train of pulses carries into the sums is forgotten."""
    real = sourcing.Sourcing._pulses

    def wrong(self: sourcing.Sourcing, name: tree.Name, *rest: object) -> State | None:
        state = rest[-1]
        assert isinstance(state, State)
        found = real(self, name, *rest)  # type: ignore[arg-type]
        return found.charged(state.ledger) if found is not None else None

    patch.setattr(sourcing.Sourcing, "_pulses", wrong)


def a_pulse_under_the_old_limit(patch: Patch) -> None:
    """A pulse's own limit is not looked at."""
    real = sourcing.Sourcing._programs

    def wrong(
        self: sourcing.Sourcing,
        node: tree.Sweep,
        level: Value,
        between: object,
        limit: object,
        state: State,
    ) -> list[Programmed]:
        return real(self, node, level, between, None, state)  # type: ignore[arg-type]

    patch.setattr(sourcing.Sourcing, "_programs", wrong)


def a_mean_of_pulses_alone(patch: Patch) -> None:
    """What flows between pulses is left out of their mean."""
    real = pulses.mean

    def wrong(p: Programmed, real_: imposed.Imposed, base: Interval, *rest: object) -> Interval:
        return real(p, real_, Interval(0.0, 0.0), *rest)  # type: ignore[arg-type]

    patch.setattr(power, "mean", wrong)


def a_destroyed_part_that_is_guarded(patch: Patch) -> None:
    """Readings of a part that may be destroyed are taken to lie in its ratings."""

    def wrong(checked: object, channel: str, quantity: str) -> Interval:
        part = checked.part_on(channel)  # type: ignore[attr-defined]
        return Interval(*part.ratings.get(quantity, EVERYTHING)) if part else EVERYTHING

    patch.setattr(seen, "_watched", wrong)


def a_capture_that_is_guarded(patch: Patch) -> None:
    """What was read before a capture is taken to hold after it."""
    patch.setattr(State, "forgetting", lambda self, channel: self)


def nothing_between_two_programmings(patch: Patch) -> None:
    """The moments between two programmings are left out."""
    patch.setattr(power.Power, "between", lambda self, name, before, after: None)
