"""A resettable fuse heated by a constant current, and a pulse through leads: closed forms.

The fuse: 0.5 J/K, 0.02 W/K, 0.1 Ω, trips 100 K above its surroundings. The pulse: 10 V behind 1 Ω,
two leads of 10 mΩ and 1 µH each, a part of 0.1 Ω and 20 nH, 1 ms. The figures were computed outside
this project from the same closed forms and by a circuit simulator (`netlists/ptc.cir`, `rl.cir`).
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from sequencer.analysis import (
    apparent_inductance,
    crossing_time,
    hold_current,
    i_squared_t,
    rise_time,
    trip_energy,
    trip_time,
    value_at,
)
from tests.sequencer.analysis.made_traces import Floats

HEAT_J_K, LOSS_W_K, R_OHM, TRIP_K = 0.5, 0.02, 0.1, 100.0


def carried_for(current_a: float) -> float:
    """How long a current is carried from cold (s); infinite where it is held."""
    final = R_OHM * current_a**2 / LOSS_W_K
    share = TRIP_K / final
    return math.inf if share >= 1 else -HEAT_J_K / LOSS_W_K * math.log(1 - share)


def fault(current_a: float, fine_s: float) -> tuple[Floats, Floats, Floats]:
    """Time, voltage, current of a fault until the fuse has tripped to 0.2 A at 12 V."""
    trip = carried_for(current_a)
    time = np.concatenate(
        (np.arange(0.0, trip - 0.01, 0.01), np.arange(trip - 0.01, trip + 0.01, fine_s))
    )
    carries = time < trip
    return time, np.where(carries, R_OHM * current_a, 12.0), np.where(carries, current_a, 0.2)


def test_trip_time_and_energy_at_8_a() -> None:
    """9.367336 s and 59.950952 J; without the loss it would be 7.8125 s."""
    time, voltage, current = fault(8.0, 1e-6)
    assert trip_time(time, current).value == pytest.approx(9.367336, abs=1.5e-6)
    assert trip_energy(time, voltage, current).value == pytest.approx(59.950952, abs=1e-5)
    adiabatic = HEAT_J_K * TRIP_K / (R_OHM * 8.0**2)
    assert adiabatic == 7.8125
    assert trip_time(time, current).value > adiabatic
    assert i_squared_t(time, current, (0.0, 9.367)).value == pytest.approx(64 * 9.367, rel=2e-7)


def test_it_is_known_to_the_distance_of_the_readings() -> None:
    time, voltage, current = fault(8.0, 5e-3)
    assert trip_time(time, current).value == pytest.approx(9.367336, abs=5e-3)
    assert trip_energy(time, voltage, current).value == pytest.approx(59.950952, abs=5e-3 * 6.4)


def test_the_hold_current_lies_below_4_472136_a() -> None:
    """√(G ΔT/R): steps of 4.40 A to 4.50 A, each from cold, for an hour or until it trips."""
    assert math.sqrt(LOSS_W_K * TRIP_K / R_OHM) == pytest.approx(4.472136, abs=5e-7)
    steps = (4.40, 4.45, 4.47, 4.48, 4.50)
    time = np.arange(5 * 3600.0)
    since, number = time % 3600.0, (time // 3600.0).astype(int)
    level = np.array(steps)[number]
    trips = np.array([carried_for(step) for step in steps])[number]
    current = np.where(since < trips, level, 0.05)
    found = hold_current(time, current, level)
    assert found.value == pytest.approx(4.47, rel=1e-12)
    assert found.method == "carried for 59 min 59 s; the next tripped at 4.48 A, 5 steps"


TAU_S, END_A, ON_S = 2.02e-6 / 1.12, 10 / 1.12, 0.5e-9


def pulse(step_s: float, end_s: float) -> tuple[Floats, Floats, Floats]:
    """Time, current and its slope (A/s); on from 0.5 ns, the middle of the deck's edge, to 1 ms."""
    time = np.concatenate(([-step_s], np.arange(0.0, end_s, step_s)))
    since, after = np.maximum(time - ON_S, 0.0), np.maximum(time - 1e-3 - ON_S, 0.0)
    rising = END_A * (1 - np.exp(-since / TAU_S))
    falls = np.where(time > 1e-3 + ON_S, np.exp(-after / TAU_S), 1.0)
    current = np.where(time > ON_S, rising * falls, 0.0)
    slope = np.where(time > ON_S, (END_A - rising) / TAU_S, 0.0)
    return time, current, np.where(time > 1e-3 + ON_S, -current / TAU_S, slope)


def test_the_current_through_the_leads() -> None:
    """3.80013422 A and 0.4368832 V sensed at 1.0005 µs; 8.928571 A in the end; 99.9 % of it at
    12.459130 µs; 7.957561 mJ."""
    assert pytest.approx(1.803571e-6, rel=5e-7) == TAU_S
    time, current, slope = pulse(5e-9, 1.05e-3)
    at = 1.0005e-6 - time[0]
    assert value_at(time, current, at).value == pytest.approx(3.80013422, rel=1e-6)
    sensed = 0.1 * current + 20e-9 * slope
    assert value_at(time, sensed, at).value == pytest.approx(0.4368832, rel=1e-6)
    assert value_at(time, current, 500e-6).value == pytest.approx(8.928571, rel=1e-7)
    found = crossing_time(time, current, 0.999 * END_A)
    assert found.value + time[0] == pytest.approx(12.459130e-6, rel=1e-6)
    assert 0.1 * i_squared_t(time, current).value == pytest.approx(7.957561e-3, rel=1e-6)


def test_rise_time_and_apparent_inductance() -> None:
    """τ ln 9 = 3.962817 µs, and 20 nH between the sense leads of a loop of 2.02 µH."""
    time, current, slope = pulse(5e-9, 1.05e-3)
    assert rise_time(time, current).value == pytest.approx(TAU_S * math.log(9), rel=1e-6)
    sensed = apparent_inductance(time, 0.1 * current + 20e-9 * slope, current)
    # Trapezoids are (5 ns/τ)²/12 = 6e-7 off in both integrals, of which R takes most.
    assert sensed.value == pytest.approx(20e-9, rel=1e-5)
    assert sensed.method.endswith("100 mohm in series")
    loop = apparent_inductance(time, np.where(time > ON_S, 10.0 - current, 0.0), current)
    assert loop.value == pytest.approx(2.02e-6, rel=1e-5)


def test_a_faster_capture_finds_the_inductance_closer() -> None:
    errors = []
    for step_s in (20e-9, 10e-9, 5e-9):
        time, current, slope = pulse(step_s, 40e-6)
        found = apparent_inductance(time, 0.1 * current + 20e-9 * slope, current)
        errors.append(abs(found.value / 20e-9 - 1))
    assert errors[0] > errors[1] > errors[2]


def test_a_capture_at_400_khz_does_not_resolve_that_rise() -> None:
    time, current, slope = pulse(2.5e-6, 1.05e-3)
    for call in (
        lambda: rise_time(time, current),
        lambda: apparent_inductance(time, 0.1 * current + 20e-9 * slope, current),
    ):
        with pytest.raises(Exception, match="missing: a capture with at least 3 samples"):
            call()
