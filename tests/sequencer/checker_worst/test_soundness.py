"""No run leaves what the analysis has proved of its recipe, and a wrong analysis is found out.

The judge is an interpreter with an adversary for a part, written from the language's rules alone.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable

import pytest

from grammar import tree
from sequencer.checker.worst import evaluation, imposed, interval, power, transfer, turns
from sequencer.checker.worst.abstract import ChannelState, Own, Programmed, State, States
from sequencer.checker.worst.interval import Interval
from sequencer.checker.worst.turns import Plan
from sequencer.checker.worst.values import Algebra, Value
from tests.sequencer.checker_worst.programs import KINDS
from tests.sequencer.checker_worst.soundness import hunt

RECIPES = 250
SEED = 20
MUTANT_RECIPES = 600

Mutant = Callable[[pytest.MonkeyPatch], None]


def test_no_run_leaves_what_was_proved() -> None:
    """Every construct and every kind of part takes part, or the test proves too little."""
    counts: Counter[str] = Counter()
    wrong = [f"{text}\n{why}" for text, why in hunt(RECIPES, SEED, counts)]
    assert not wrong, "\n\n".join(wrong)
    steps: tuple[type[tree.Node], ...] = (
        *(tree.Setup, tree.SourceStep, tree.Output, tree.Measure, tree.Wait, tree.Every),
        *(tree.Repeat, tree.ForIn, tree.ForCount, tree.Leave, tree.If, tree.Sweep, tree.Let),
        *(tree.Set, tree.Stop, tree.Fail),
    )
    wanted = [*(step.__name__ for step in steps), *KINDS, "finally", "require", "guard"]
    assert not [name for name in wanted if counts[name] < 5], counts


def a_limit_without_its_low_side(patch: pytest.MonkeyPatch) -> None:
    """Current out of a part that holds a charge is forgotten."""
    real = imposed._voltage

    def wrong(*given: object) -> imposed.Imposed:
        found = real(*given)  # type: ignore[arg-type]
        return found._replace(current=Interval(0.0, found.current.high))

    patch.setattr(imposed, "_voltage", wrong)


def a_branch_skipped(patch: pytest.MonkeyPatch) -> None:
    """The steps of `else` are never met."""
    real = transfer.Walk._if

    def wrong(self: transfer.Walk, node: tree.If, states: States) -> States:
        return real(self, tree.If(node.arms, None, node.span), states)

    patch.setattr(transfer.Walk, "_if", wrong)


def a_leave_lost(patch: pytest.MonkeyPatch) -> None:
    """Paths that leave a loop are dropped."""
    real = transfer.Walk._step

    def wrong(self: transfer.Walk, node: tree.Step, states: States) -> States:
        return {} if isinstance(node, tree.Leave) else real(self, node, states)

    patch.setattr(transfer.Walk, "_step", wrong)


def a_condition_turned_round(patch: pytest.MonkeyPatch) -> None:
    """A comparison narrows by its opposite."""
    real = evaluation.Evaluation._compare

    def wrong(
        self: evaluation.Evaluation, node: tree.Compare, state: State, truth: bool
    ) -> State | None:
        return real(self, node, state, not truth)

    patch.setattr(evaluation.Evaluation, "_compare", wrong)


def one_turn_too_few(patch: pytest.MonkeyPatch) -> None:
    """A loop's last turn is forgotten."""
    real = Plan.__init__

    def wrong(self: Plan, fewest: float, most: float, *rest: object) -> None:
        real(self, max(0.0, fewest - 1), max(1.0, most - 1), *rest)  # type: ignore[arg-type]

    patch.setattr(Plan, "__init__", wrong)


def a_sign_turned(patch: pytest.MonkeyPatch) -> None:
    """A difference adds."""
    from sequencer.checker.worst import values

    patch.setitem(values._OPERATIONS, "-", interval.add)


def what_was_imposed_forgotten(patch: pytest.MonkeyPatch) -> None:
    """A part keeps its own voltage, whatever a current source has brought it to."""
    patch.setattr(power.Power, "_own_after", lambda self, p, own: own)


def on_by_what_is_programmed(patch: pytest.MonkeyPatch) -> None:
    """`output on` goes on where a sweep ended, instead of programming the last source again."""
    real = transfer.Walk._output

    def wrong(self: transfer.Walk, node: tree.Output, state: State) -> State:
        name = node.channel.id
        channel: ChannelState = state.channels[name]
        return real(self, node, state.having(name, channel._replace(sourced=channel.programmed)))

    patch.setattr(transfer.Walk, "_output", wrong)


def a_limit_always_wide_enough(patch: pytest.MonkeyPatch) -> None:
    """No limit ever takes over."""

    def wrong(p: Programmed, own: Own, algebra: Algebra) -> bool:
        return False

    patch.setattr(power, "takes_over", wrong)


def readings_of_either_sign_lost(patch: pytest.MonkeyPatch) -> None:
    """|x| keeps only the values that were positive."""
    patch.setattr(
        Algebra, "absolute", lambda self, a: Value(Interval(max(a.low, 0.0), max(a.high, 0.0)))
    )


def the_last_turn_unpaid(patch: pytest.MonkeyPatch) -> None:
    """A loop on a grid ends on its time, its last turn unpaid."""
    patch.setattr(turns.Turns, "_time", lambda self, plan, turn_s: plan.duration_s)


MUTANTS: list[Mutant] = [
    a_limit_without_its_low_side,
    a_branch_skipped,
    a_leave_lost,
    a_condition_turned_round,
    one_turn_too_few,
    a_sign_turned,
    what_was_imposed_forgotten,
    on_by_what_is_programmed,
    a_limit_always_wide_enough,
    readings_of_either_sign_lost,
    the_last_turn_unpaid,
]


@pytest.mark.parametrize("mutant", MUTANTS, ids=lambda mutant: mutant.__name__)
def test_a_wrong_analysis_is_found_out(mutant: Mutant, monkeypatch: pytest.MonkeyPatch) -> None:
    """The same hunt finds each of these mistakes; without one it finds nothing (above)."""
    mutant(monkeypatch)
    assert next(hunt(MUTANT_RECIPES, SEED), None) is not None, mutant.__doc__
