"""Supercapacitor figures from closed forms of a network with a slow branch.

The network is that of `test_capacitance.py`: 10 mΩ in series with 10 F, 2 F through 5 Ω beside it,
10 kΩ of leakage. Expected figures were computed outside this project by two methods; the charge is
solved here by matrix exponentials, apart from all other code.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.linalg import expm

from sequencer.analysis import (
    capacitance_by_energy,
    crossing_time,
    energy_efficiency,
    internal_resistance,
    leakage_current,
    step_resistance,
    time_constant,
    two_time_constants,
    value_at,
)
from tests.reference.test_capacitance import BETWEEN, CURRENT_A, NETWORK, START_V
from tests.sequencer.analysis.made_traces import Floats

SERIES_OHM, LIMIT_A, LEVEL_V = 0.010, 1.0, 2.7


def discharge(step_s: float, end_s: float) -> tuple[Floats, Floats, Floats]:
    """Time, voltage and current from just before the start of 1 A to its end."""
    time = np.concatenate(([-1e-9], np.arange(1e-9, end_s, step_s)))
    voltage = np.concatenate(([START_V], NETWORK.voltage(time[1:])))
    current = np.concatenate(([0.0], np.full(len(time) - 1, -CURRENT_A)))
    return time, voltage, current


def test_capacitance_by_energy() -> None:
    """11.34038072 F between 80 % and 40 % of 2.7 V, below the 11.38640362 F of the line."""
    found = capacitance_by_energy(*discharge(1e-3, 20.0), BETWEEN)
    assert found.value == pytest.approx(11.34038072, rel=1e-7)


def test_a_slow_branch_is_not_sold_as_series_resistance() -> None:
    """The line of the standard makes 61 mΩ of 10 mΩ, and says so; early after the step it is 10 mΩ.

    At 10 ms the listed 2.688997 V make 11.000 mΩ: 10 mΩ, 1 mV of charge and 20 µV of the branch.
    """
    time, voltage, current = discharge(1e-3, 20.0)
    line = internal_resistance(time, voltage, current, np.ones(len(time)), BETWEEN)
    assert line.value == pytest.approx(0.0611, rel=1e-3)
    assert "slow branches count in it" in line.method
    soon = step_resistance(time, voltage, current, 0.010)
    assert soon.value == pytest.approx((START_V - 2.688997) / CURRENT_A, abs=1e-6)
    for delay in (0.001, 0.1, 5.0):
        expected = (START_V - NETWORK.voltage(np.array([delay]))[0]) / CURRENT_A
        found = step_resistance(time, voltage, current, delay)
        # Read on the line between two rows: off by a curve of 0.5 mV/s² over 1 ms at most.
        assert found.value == pytest.approx(expected, abs=1e-9)
    assert step_resistance(time, voltage, current, 0.001).value == pytest.approx(0.0101, rel=2e-4)


def charge() -> tuple[Floats, Floats, Floats, Floats, float]:
    """Time, voltage, current, limited of a charge at 1 A to 2.7 V, and the slow time constant."""
    leak, slow = 1 / 10e3, 1 / 5.0
    to_main = np.array([-leak - slow, slow]) / 10.0
    to_branch = np.array([slow, -slow]) / 2.0
    # The state is both voltages and a one; at constant current 1 A flows, at constant voltage what
    # the series resistance lets through.
    fed = np.vstack(([*to_main, LIMIT_A / 10.0], [*to_branch, 0.0], np.zeros(3)))
    held = fed.copy()
    held[0] = [to_main[0] - 1 / SERIES_OHM / 10.0, to_main[1], LEVEL_V / SERIES_OHM / 10.0]
    limited = np.arange(0.0, 30.6599682, 0.01)
    states = [expm(fed * t) @ np.array([0.0, 0.0, 1.0]) for t in (*limited, 30.6599682)]
    first = np.array(states[:-1])[:, 0] + SERIES_OHM * LIMIT_A
    after = np.concatenate((np.arange(0.0, 40.0, 0.01), np.arange(40.0, 1200.0, 0.5)))
    rates, vectors = np.linalg.eig(held)
    weights = np.linalg.solve(vectors, states[-1])
    then = (np.exp(np.outer(after, rates)) * (vectors[0] * weights)).sum(axis=1)
    time = np.concatenate((limited, 30.6599682 + after))
    voltage = np.concatenate((first, np.full(len(after), LEVEL_V)))
    current = np.concatenate((np.full(len(limited), LIMIT_A), (LEVEL_V - then) / SERIES_OHM))
    flag = np.concatenate((np.ones(len(limited)), np.zeros(len(after))))
    slowest = -1 / float(np.sort(rates[np.abs(rates) > 1e-12])[-1])
    return time, voltage, current, flag, slowest


def test_the_charge_ends_and_leaks_as_listed() -> None:
    """Constant current ends at 30.6599682 s; 9.138300 mA at 60 s; 0.269999730 mA from 300 s on."""
    time, voltage, current, limited, _ = charge()
    assert crossing_time(time, voltage, LEVEL_V).value == pytest.approx(30.6599682, rel=1e-8)
    assert value_at(time, current, 60.0).value == pytest.approx(9.138300e-3, rel=1e-6)
    leak = leakage_current(time, voltage, current, limited)
    assert leak.value == pytest.approx(0.269999730e-3, rel=1e-8)
    early = leakage_current(time, voltage, current, limited, (60.0, 62.0))
    assert early.value > 20 * leak.value
    assert "moving by -" in early.method


def test_the_slow_branch_s_time_constant_shows_in_the_hold() -> None:
    """The slower eigenvalue of the network at constant voltage, about 5 Ω times 2 F."""
    time, _, current, _, slow = charge()
    assert slow == pytest.approx(10.0, rel=0.01)
    alone = time_constant(time, current, (35.0, 150.0))
    assert alone.value == pytest.approx(slow, rel=1e-6)
    both = two_time_constants(time, current, (30.66, 150.0)).values
    assert both["slow"] == pytest.approx(slow, rel=1e-6)
    assert both["fast"] == pytest.approx(SERIES_OHM * 10.0, rel=0.01)


def test_the_energy_efficiency_between_half_and_full_and_back() -> None:
    """A capacitor behind a resistance at constant current I both ways, closed form:
    (U_mean − I R)/(U_mean + I R)."""
    up, way = np.linspace(0.0, 13.5, 500), 10.0
    middle, lost = 0.75 * LEVEL_V, SERIES_OHM * 1.0
    into = (0.5 * LEVEL_V + lost) * up + up**2 / way / 2
    out = (LEVEL_V - lost) * up - up**2 / way / 2
    found = energy_efficiency(up, 100.0 + into, 50.0 + up, 250.0 - out)
    assert found.value == pytest.approx((middle - lost) / (middle + lost), rel=1e-12)
