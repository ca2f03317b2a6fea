"""The order of level and limits, enumerated over a small grid of setpoints.

What must hold follows from the rule alone: played on a panel step by step, no moment allows more
than the larger of both ends does, spans stay in order, and the end is the setpoint.
"""

from __future__ import annotations

from itertools import product

import pytest

from drivers.channel import Mode, Setpoint
from drivers.scpi.order import OTHER, Step, changes, stages

GRID = (-2.0, -1.0, 0.0, 1.0, 2.0)
SPANS = [(low, high) for low, high in product(GRID, GRID) if low <= high]


def played(steps: list[Step], level: float, low: float, high: float) -> list[tuple[float, ...]]:
    """Every moment (level, low, high) from the start on."""
    moments = [(level, low, high)]
    for action, values in steps:
        if action.endswith("_level"):
            level = values["level"]
        elif action.endswith("_high"):
            high = values["limit"]
        elif action.endswith("_low"):
            low = values["limit"]
        elif action.endswith("_limit"):
            low, high = -values["limit"], values["limit"]
        moments.append((level, low, high))
    return moments


@pytest.mark.parametrize("mode", ["voltage", "current"])
def test_two_sided_limits_over_the_grid(mode: Mode) -> None:
    for before, after in product(SPANS, SPANS):
        steps = changes(Setpoint(mode, 1.0, *before), Setpoint(mode, 2.0, *after), True)
        assert all(action.startswith((mode, OTHER[mode])) for action, _ in steps)
        moments = played(steps, 1.0, *before)
        assert moments[-1] == (2.0, *after)
        overlap = after[0] <= before[1] and after[1] >= before[0]
        for level, low, high in moments:
            assert low <= high
            assert min(before[0], after[0]) <= low <= max(before[0], after[0])
            assert min(before[1], after[1]) <= high <= max(before[1], after[1])
            if overlap:
                # Old level with the looser side, or new level with a side not yet tight: neither.
                held = after if level == 2.0 else before
                assert held[0] <= low or low == max(before[0], after[0])
                assert high <= held[1]


@pytest.mark.parametrize("two_sided", [True, False])
def test_the_states_between_are_those_that_are_played(two_sided: bool) -> None:
    spans = SPANS if two_sided else [(-1.0, 1.0), (-2.0, 2.0), (0.0, 0.0)]
    for before, after in product(spans, spans):
        first, last = Setpoint("voltage", 1.0, *before), Setpoint("voltage", 2.0, *after)
        moments = played(changes(first, last, two_sided), 1.0, *before)
        between = [tuple(stage[1:]) for stage in stages(first, last, two_sided)]
        assert between == moments[1:-1]
        assert list(stages(first, last._replace(mode="current"), two_sided)) == []


def test_symmetric_limits() -> None:
    for before, after in product((0.0, 1.0, 2.0), repeat=2):
        steps = changes(
            Setpoint("voltage", 1.0, -before, before),
            Setpoint("voltage", 2.0, -after, after),
            False,
        )
        moments = played(steps, 1.0, -before, before)
        assert moments[-1] == (2.0, -after, after)
        for level, _, high in moments:
            assert high <= (after if level == 2.0 else before)
        assert len(steps) == (1 if before == after else 2)


def test_another_mode_comes_into_force_last() -> None:
    steps = changes(
        Setpoint("voltage", 1.0, -1.0, 1.0), Setpoint("current", 0.5, 0.5, 2.8), two_sided=True
    )
    assert steps == [
        ("voltage_limit_high", {"limit": 2.8}),
        ("voltage_limit_low", {"limit": 0.5}),
        ("current_level", {"level": 0.5}),
        ("source_current", {}),
    ]


@pytest.mark.parametrize("span", SPANS)
def test_from_an_unknown_state_spans_stay_in_order(span: tuple[float, float]) -> None:
    """Whatever is in force holds zero; at 0.1 either side of it the spans stay in order."""
    steps = changes(None, Setpoint("current", 1.0, *span), two_sided=True)
    assert steps[-1] == ("source_current", {})
    for _, low, high in played(steps, 0.0, -0.1, 0.1):
        assert low <= high
