"""Mistakes put into the analysis, each of which the property has to find out.

Some are those that the hunt with an adversary for a part looks for as well; here the simulated
bench is the judge. Each patches one thing, as its docstring says. Knows no recipe.
"""

from __future__ import annotations

from collections.abc import Callable

import pytest

from grammar import tree
from grammar.node import replaced
from sequencer.checker.facts import Checked
from sequencer.checker.worst import (
    instrument,
    power,
    pulses,
    sourcing,
    worst_case,
)
from sequencer.checker.worst.abstract import ChannelState, Programmed, State
from sequencer.checker.worst.accounts import Ledger
from sequencer.checker.worst.instrument import Error, Errors
from sequencer.checker.worst.interval import Interval
from sequencer.checker.worst.pulses import Train
from sequencer.checker.worst.terminals import Terminals
from tests.sequencer.checker_worst import mutants as others

Patch = pytest.MonkeyPatch
Mutant = Callable[[Patch], None]


def overshoot_not_counted(patch: Patch) -> None:
    """What an instrument passes beyond a limit or a level is left out."""
    real = instrument.errors

    def wrong(*given: object) -> Errors:
        found = real(*given)  # type: ignore[arg-type]
        return Errors(*(Error(e.of_value, e.plus) for e in found))

    patch.setattr(power, "errors", wrong)


def accuracy_not_counted(patch: Patch) -> None:
    """An instrument is taken to source what it is programmed to."""
    real = instrument.errors

    def wrong(*given: object) -> Errors:
        found = real(*given)  # type: ignore[arg-type]
        return Errors(*(Error(0.0, 0.0, e.overshoot) for e in found))

    patch.setattr(power, "errors", wrong)


def errors_of_the_smallest_range(patch: Patch) -> None:
    """The accuracy is that of the value's own range, whatever range is in force."""
    real = power.Power._error

    def wrong(self: power.Power, place: Terminals, channel: ChannelState, p: Programmed) -> Errors:
        if real(self, place, channel, p) is instrument.NO_ERRORS:
            return instrument.NO_ERRORS
        return instrument.errors(place.specification, *power._magnitudes(p))

    patch.setattr(power.Power, "_error", wrong)


def a_high_end_taken_for_the_low(patch: Patch) -> None:
    """Of a setting's span only the lower half counts."""
    real = worst_case._Analysis.__init__

    def wrong(self: worst_case._Analysis, checked: Checked, *rest: object) -> None:
        known = dict(checked.settings)
        for facts in checked.settings.values():
            if facts.low is not None and facts.high is not None:
                facts.high = (facts.low + facts.high) / 2
        real(self, checked, *rest)  # type: ignore[arg-type]
        checked.settings = known

    patch.setattr(worst_case._Analysis, "__init__", wrong)


def a_pulse_by_its_base(patch: Patch) -> None:
    """A pulse is taken for no more than what is programmed between pulses."""
    real = power.Power.in_force

    def wrong(
        self: power.Power,
        name: str,
        channel: ChannelState,
        owns: object,
        train: Train | None = None,
    ) -> ChannelState:
        if train is not None:
            owns = [(p, channel.own, False) for p in channel.programmed.values()]
        return real(self, name, channel, owns, train)  # type: ignore[arg-type]

    patch.setattr(power.Power, "in_force", wrong)


def duty_ignored_downwards(patch: Patch) -> None:
    """The mean of a train is that of a period ten times as long."""
    real = pulses.mean

    def wrong(*given: object) -> Interval:
        low, high = real(*given)  # type: ignore[arg-type]
        return Interval(low / 10, high / 10)

    patch.setattr(power, "mean", wrong)


def a_width_cut_short(patch: Patch) -> None:
    """A pulse carries what half of its width would."""
    real = pulses.amounts

    def wrong(*given: object) -> dict[str, Interval]:
        found = real(*given)  # type: ignore[arg-type]
        return {name: Interval(low / 2, high / 2) for name, (low, high) in found.items()}

    patch.setattr(power, "amounts", wrong)


def the_way_off_unpaid(patch: Patch) -> None:
    """An output is off the moment that it is told to."""
    patch.setattr(worst_case, "_off", lambda end, *rest: end)
    patch.setattr(Terminals, "off_s", property(lambda self: 0.0, lambda self, value: None), False)


def the_ends_of_a_sweep_alone(patch: Patch) -> None:
    """A sweep is at its last level at once."""
    real = sourcing.Sourcing.sweep

    def wrong(self: sourcing.Sourcing, node: tree.Sweep, state: State) -> State | None:
        made: tree.Sweep = node if node.logarithmic else replaced(node, first=node.last)
        return real(self, made, state)

    patch.setattr(sourcing.Sourcing, "sweep", wrong)


def a_wait_that_takes_no_time(patch: Patch) -> None:
    """Waiting costs nothing."""
    real = Ledger.spent

    def wrong(self: Ledger, time_s: float, rates: object, least_s: float = 0.0) -> Ledger:
        return real(self, min(time_s, 0.1), rates, least_s)  # type: ignore[arg-type]

    patch.setattr(Ledger, "spent", wrong)


MUTANTS: dict[Mutant, int] = {
    overshoot_not_counted: 0,
    accuracy_not_counted: 4,
    errors_of_the_smallest_range: 122,
    a_high_end_taken_for_the_low: 0,
    a_pulse_by_its_base: 1,
    duty_ignored_downwards: 251,
    a_width_cut_short: 34,
    the_way_off_unpaid: 0,
    the_ends_of_a_sweep_alone: 20,
    a_wait_that_takes_no_time: 0,
    others.a_limit_without_its_low_side: 1,
    others.a_branch_skipped: 20,
    others.a_leave_lost: 10,
    others.a_call_skipped: 1,
    others.a_condition_turned_round: 153,
    others.one_turn_too_few: 5,
    others.a_sign_turned: 381,
    others.the_last_turn_unpaid: 27,
    others.a_pulse_under_the_old_limit: 12,
    others.a_pulse_that_lasts_no_time: 1,
    others.a_ramp_that_takes_no_time: 6,
}
"""Each with the number of a recipe of the sample's hunt from which on it is soon found out."""
