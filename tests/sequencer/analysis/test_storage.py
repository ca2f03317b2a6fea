"""Energy of a capacitor, leakage, self-discharge, steps of current: closed forms and refusals."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from sequencer.analysis import (
    capacitance_by_energy,
    leakage_current,
    self_discharge_rate,
    step_resistance,
    two_step_resistance,
)
from sequencer.analysis.calculations import CALCULATIONS, NoStart, NotWorkedOut
from tests.sequencer.analysis.examples import discharge as example_discharge
from tests.sequencer.analysis.made_traces import Floats

BETWEEN = (2.0, 1.0)


def refusal_of(function: Callable[..., object], *arguments: object) -> str:
    with pytest.raises(NotWorkedOut) as refusal:
        function(*arguments)
    return str(refusal.value)


@given(st.floats(1e-9, 1e3), st.floats(1e-3, 10.0), st.booleans())
def test_an_ideal_capacitor_gives_its_capacitance_by_energy(
    C: float, amperes: float, charges: bool
) -> None:
    """v = 2.5 V − I t/C, straight between the rows: the trapezoids of the power are exact."""
    time = np.linspace(0.0, 2.4 * C / amperes, 101)
    voltage, current = 2.5 - amperes * time / C, np.full(101, -amperes)
    between = BETWEEN
    if charges:
        voltage, current, between = 2.6 - voltage, -current, (1.0, 2.0)
    found = capacitance_by_energy(time, voltage, current, between)
    assert found.value == pytest.approx(C, rel=1e-9)


def test_the_current_need_not_be_constant_for_the_energy() -> None:
    """Through 10 Ω out of 1 F: i = −v/R, v = 2.5 V exp(−t/RC)."""
    time = np.linspace(0.0, 20.0, 2001)
    voltage = 2.5 * np.exp(-time / 10.0)
    found = capacitance_by_energy(time, voltage, -voltage / 10.0, BETWEEN)
    assert found.value == pytest.approx(1.0, rel=1e-5)
    assert found.method == (
        "energy from 2 V to 1 V, 1.5 J in 6.93147 s, losses in the part counted in"
    )


def test_a_series_resistance_takes_its_share_of_the_energy() -> None:
    """R = 0.1 Ω at 1 A, 10 F: terminal energy of v = u − I R between the two terminal voltages."""
    time = np.linspace(0.0, 16.0, 1601)
    voltage = 2.5 - 0.1 - time / 10.0
    found = capacitance_by_energy(time, voltage, np.full(1601, -1.0), BETWEEN)
    assert found.value == pytest.approx(10.0, rel=1e-9)


def test_the_wrong_sign_of_the_energy_is_refused() -> None:
    time = np.linspace(0.0, 20.0, 201)
    assert refusal_of(capacitance_by_energy, time, 2.5 - time / 10, np.ones(201), BETWEEN) == (
        "the voltage falls while current flows into the part (wrong sign); missing: voltage and "
        "current of the same part, both positive into it"
    )


HOLD = np.arange(3601.0)
LEAKING = 1e-5 + 1e-3 * np.exp(-HOLD / 600.0)
HELD, FREE = np.full(3601, 2.7), np.zeros(3601)


def test_leakage_is_the_mean_of_the_part_and_says_how_it_moved() -> None:
    """The last tenth of an exponential on a constant: closed form of its mean and its slope."""
    found = leakage_current(HOLD, HELD, LEAKING, FREE)
    tail = 1e-3 * 600.0 / 360.0 * (np.exp(-3240 / 600) - np.exp(-3600 / 600))
    assert found.value == pytest.approx(1e-5 + tail, rel=2e-3)
    assert found.method == (
        "mean of 361 readings from 54 min to 1 h after the first row, at 2.7 V, moving by "
        "-20.3 uA an hour"
    )
    negative = leakage_current(HOLD, -HELD, -LEAKING, FREE)
    assert negative.value == -found.value


@pytest.mark.parametrize(
    ("voltage", "current", "limited", "words"),
    [
        (
            HELD,
            LEAKING,
            np.ones(3601),
            "the limit is in control 54 min after the first row: the part still charges; missing: "
            "a longer hold, or a larger limit, until the source holds the voltage",
        ),
        (
            HELD - 1e-4 * HOLD,
            LEAKING,
            FREE,
            "the voltage is not held: from 2.34 V to 2.376 V; missing: a voltage that stays within "
            "1 %",
        ),
        (
            HELD,
            -LEAKING,
            FREE,
            "-13.3967 uA flow at 2.7 V, so none into the part (wrong sign); missing: a current "
            "that stands out of the ammeter's offset: take a zero with the part lifted",
        ),
    ],
)
def test_what_is_no_leakage_is_refused(
    voltage: Floats, current: Floats, limited: Floats, words: str
) -> None:
    assert refusal_of(leakage_current, HOLD, voltage, current, limited) == words


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_self_discharge_is_the_loss_whatever_the_polarity(sign: float) -> None:
    """U0 exp(−t/RC) over a small part of RC: U0/RC to its second order."""
    found = self_discharge_rate(HOLD, sign * 2.7 * np.exp(-HOLD / 1e7))
    assert found.value == pytest.approx(2.7 / 1e7, rel=2e-4)
    assert found.method.startswith("least squares through 3601 readings, ")
    assert found.method.endswith("in 1 h")


def test_what_does_not_discharge_itself_is_refused() -> None:
    assert refusal_of(self_discharge_rate, HOLD, HELD) == (
        "the voltage is the same in all readings: it is held, or its loss is below the resolution; "
        "missing: readings with the output off, over a longer time or in a finer range"
    )
    assert refusal_of(self_discharge_rate, HOLD, HELD + 1e-5 * HOLD) == (
        "the voltage rises with its terminals open, from 2.7 V: slow branches give back, or "
        "something feeds it; missing: a part of the time in which it falls: hold longer before, or "
        "begin later"
    )


STEP = np.arange(40) * 0.1
FLOWING = np.where(STEP < 0.95, 0.0, -2.0)
DROP = 3.0 + 0.05 * FLOWING


def test_a_step_between_any_two_currents_gives_the_resistance() -> None:
    for offset in (0.0, -1.0, 5.0):
        found = step_resistance(STEP, DROP, FLOWING + offset, 1.0)
        assert found.value == pytest.approx(0.05, rel=1e-12)
    assert found.method == ("1 s after the step from 5 A to 3 A, its start known to ±50 ms")
    backwards = step_resistance(STEP, DROP[::-1], FLOWING[::-1], 0.5)
    assert backwards.value == pytest.approx(0.05, rel=1e-12)


def test_the_step_is_halfway_between_the_readings_about_it() -> None:
    """50 mΩ and 10 F, the current on from 0.95 s: R + d/C, straight between the readings."""
    voltage = DROP - 2.0 * np.maximum(STEP - 0.95, 0.0) / 10.0
    for delay in (0.05, 0.3, 1.23):
        found = step_resistance(STEP, voltage, FLOWING, delay)
        assert found.value == pytest.approx(0.05 + delay / 10, rel=1e-12)


def test_the_reading_before_a_step_may_stand_before_the_trace() -> None:
    after = slice(10, None)
    rest = (float(STEP[9]), float(DROP[9]), 0.0)
    with pytest.raises(NoStart):
        step_resistance(STEP[after], DROP[after], FLOWING[after], 1.0)
    found = step_resistance(STEP[after], DROP[after], FLOWING[after], 1.0, before=rest)
    assert found == step_resistance(STEP, DROP, FLOWING, 1.0)
    long_ago = (-3600.0, 3.0, 0.0)
    with pytest.raises(NotWorkedOut, match="its start is not known any better"):
        step_resistance(STEP[after], DROP[after], FLOWING[after], 1.0, before=long_ago)
    with pytest.raises(NotWorkedOut, match="the current does not step"):
        step_resistance(STEP[after], DROP[after], FLOWING[after], 1.0, before=(0.9, 2.9, -2.0))


@pytest.mark.parametrize(
    ("voltage", "current", "delay", "words"),
    [
        (
            DROP,
            FLOWING,
            0.01,
            "the first reading after the step comes 50 ms after it, and its start is not known any "
            "better: nothing is known of 10 ms after it; missing: a reading right before the step "
            "and closer ones after it, or a longer delay",
        ),
        (
            DROP,
            FLOWING,
            5.0,
            "the trace ends 2.95 s after the step; missing: readings until 5 s after it",
        ),
        (
            DROP,
            np.where(STEP > 2, -1.5, FLOWING),
            2.0,
            "the current does not stay after the step: -2 A 1 s after the first row, -1.5 A at the "
            "end of the delay; missing: a current within 5 % of the step until then",
        ),
        (
            6.0 - DROP,
            FLOWING,
            1.0,
            "the voltage goes from 3 V to 3.1 V while the current goes from 0 A to -2 A (wrong "
            "sign); missing: a change of voltage that stands out, with both quantities positive "
            "into the part",
        ),
    ],
)
def test_a_step_that_tells_no_resistance_is_refused(
    voltage: Floats, current: Floats, delay: float, words: str
) -> None:
    assert refusal_of(step_resistance, STEP, voltage, current, delay) == words


PAIR = 0.05 + np.arange(110) * 0.1
TWO = np.where(PAIR < 10, -0.5, -2.5)


@pytest.mark.parametrize(
    ("time", "current", "words"),
    [
        (
            PAIR,
            np.full(110, -0.5),
            "there are no two steps of current, a larger one after a smaller one of the same sign; "
            "missing: both steps in one trace, as in 0.2 It for 10 s and then 1 It for 1 s",
        ),
        (
            PAIR,
            np.where(PAIR < 5, -0.5, -2.5),
            "the first step lasted 4.95 s, from 0 s after the first row; missing: 10 s at -500 mA "
            "before the second step",
        ),
        (
            PAIR,
            np.where(PAIR > 10.5, -2.0, TWO),
            "the second current does not stay: -2.5 A 10 s after the first row, -2 A at the end; "
            "missing: a current within 5 % of it for 1 s",
        ),
        (
            PAIR[:105],
            TWO[:105],
            "the steps hold too few readings: one in the first, or none as late as 1 s after the "
            "change; missing: two readings of the first step or more, and readings until 1 s after "
            "the change",
        ),
    ],
)
def test_two_steps_that_tell_no_resistance_are_refused(
    time: Floats, current: Floats, words: str
) -> None:
    assert refusal_of(two_step_resistance, time, 3.7 + 0.02 * current, current) == words


def test_the_wrong_sign_of_two_steps_is_refused() -> None:
    assert "(wrong sign)" in refusal_of(two_step_resistance, PAIR, 3.7 - 0.02 * TWO, TWO)


def test_calculations_of_traces_take_the_columns_of_the_only_channel() -> None:
    made = example_discharge()
    columns = (made.columns[f"smu.{name}"] for name in ("voltage", "current"))
    direct = step_resistance(made.columns["time"], *columns, 1.0)
    assert CALCULATIONS["step_resistance"](made, 1.0) == direct
