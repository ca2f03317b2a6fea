"""How a source gets to its level: the ramp, the late limit, the kick, against closed forms."""

from __future__ import annotations

import math

import pytest

from drivers.clock import NANOSECONDS
from drivers.simulated.circuits.approach import Approach, Arrival, Manners, approach
from drivers.simulated.circuits.circuit import Source
from drivers.simulated.circuits.dynamic import Dynamics
from drivers.simulated.circuits.motion import Moment
from tests.drivers.test_dynamic import Coil, Plain, Warmed

S = NANOSECONDS
US = S // 1_000_000
MANNERS = Manners(
    voltage_slew=1e6, current_slew=2e6, current_overshoot=0.1, voltage_overshoot=0.3, response=50e-6
)


def test_a_level_is_approached_at_the_slew_rate() -> None:
    """5 V at 1 V/us through 1 ohm: within 5 us on a straight line."""
    circuit = Dynamics(Plain()).ports[0]
    circuit.connect(Source((10.0, -10.0), (5.0,), 1, 0.0, 0.0), S, Arrival(MANNERS))
    for microseconds, volts in ((1, 1.0), (2.5, 2.5), (4, 4.0), (7, 5.0), (400, 5.0)):
        middle = S + round(microseconds * US)
        assert circuit.mean(middle - 100, middle + 100) == pytest.approx((volts, volts, 0.0))
    # On from there, and down.
    circuit.connect(Source((10.0, -10.0), (2.0,), 1, 0.0, 0.0), 2 * S, Arrival(MANNERS))
    assert circuit.mean(2 * S + 900, 2 * S + 1100)[0] == pytest.approx(4.0)
    assert circuit.changes == []


def test_a_limit_gives_way_by_its_overshoot_and_no_further() -> None:
    """20 V through 1 ohm at a limit of 1 A: 1.1 A until 20 us, and back from there."""
    circuit = Dynamics(Plain()).ports[0]
    circuit.connect(Source((1.0, -1.0), (20.0,), 1, 0.0, 0.0), S, Arrival(MANNERS))
    assert circuit.stretch == 0
    assert circuit.mean(S + 900, S + 1100) == pytest.approx((1.0, 1.0, 0.0), rel=1e-9)
    assert circuit.mean(S + 10 * US, S + 19 * US) == pytest.approx((1.1, 1.1, 1.0))
    for after_us in (10, 50, 100):
        left = 0.1 * math.exp(-math.log(100) * after_us / 50)
        middle = S + (20 + after_us) * US
        assert circuit.mean(middle - 50, middle + 50)[1] == pytest.approx(1.0 + left, rel=1e-6)
    assert circuit.mean(2 * S, 3 * S) == (1.0, 1.0, 1.0)
    # Who comes to be in control is told when the source is told, and not again.
    assert circuit.changes == []


def test_an_output_begins_at_nothing_with_its_kick_as_it_closes() -> None:
    manners = MANNERS._replace(kick=0.5, kick_time=10e-6)
    circuit = Dynamics(Plain()).ports[0]
    circuit.connect(Source((10.0, -10.0), (5.0,), 1, 0.0, 0.0), S, Arrival(manners, closing=True))
    for microseconds in (1, 4, 8):
        middle = S + microseconds * US
        expected = min(microseconds, 5) + 0.5 * math.exp(-math.log(100) * microseconds / 10)
        assert circuit.mean(middle - 10, middle + 10)[0] == pytest.approx(expected, rel=1e-6)


def test_a_coil_lags_a_ramp_of_voltage() -> None:
    """L di/dt + R i = s·t: i = s/R (t - τ (1 - exp(-t/τ))), τ = L/R."""
    circuit = Dynamics(Coil()).ports[0]
    manners = Manners(voltage_slew=1e3)
    circuit.connect(Source((10.0, -10.0), (5.0,), 1, 0.5, 0.0), 0, Arrival(manners))
    for milliseconds in (1, 2, 4.9):
        time_s = milliseconds * 1e-3
        middle = round(time_s * S)
        expected = 1e3 * (time_s - 1e-3 * -math.expm1(-time_s / 1e-3))
        assert circuit.mean(middle - 5, middle + 5)[1] == pytest.approx(expected, rel=1e-8)


def test_a_current_is_approached_with_its_voltage_limits_late() -> None:
    circuit = Dynamics(Plain()).ports[0]
    goal = Source((10.0, 4.0, -10.0), (-3.0, 3.0), 2, 0.0, 0.0)
    circuit.connect(goal, 0, Arrival(MANNERS))
    # 2 A/us for 2 us against a limit of 3 V, 0.3 V late.
    assert circuit.mean(900, 1100)[:2] == pytest.approx((2.0, 2.0))
    assert circuit.mean(1800, 2000)[:2] == pytest.approx((3.3, 3.3))
    assert circuit.mean(S, 2 * S) == (3.0, 3.0, 1.0)


def test_late_in_a_run_an_approach_is_as_exact() -> None:
    """Times are counted from the approach's own beginning: a day's float has no such digits."""
    early, late = Dynamics(Plain()).ports[0], Dynamics(Plain()).ports[0]
    day = 86_400 * S
    goal = Source((10.0, -10.0), (5.0,), 1, 0.0, 0.0)
    early.connect(goal, 0, Arrival(MANNERS))
    late.connect(goal, day, Arrival(MANNERS))
    assert late.mean(day + 3 * US, day + 4 * US) == pytest.approx(
        early.mean(3 * US, 4 * US), rel=1e-12
    )


def test_a_part_that_moves_does_so_while_its_source_arrives() -> None:
    circuit = Dynamics(Warmed()).ports[0]
    goal = Source((30.0, -30.0), (20.0,), 1, 0.0, 0.0)
    circuit.connect(goal, 0, Arrival(Manners(voltage_slew=20.0)))
    # Within the second of the ramp (20 V/s)² t² / R goes in: 400/3 J less what R rises and is lost.
    voltage, current, _ = circuit.mean(S - 10, S + 10)
    warmed = (voltage / current - 1) / 0.1
    assert 400 / 3 / 100 * 0.9 < warmed < 400 / 3 / 100


def test_an_approach_ends_where_nothing_is_left() -> None:
    way = approach(Source((1.0, -1.0), (5.0,), 1, 0.0, 0.0), Moment(0), Arrival(MANNERS), 0.0, 0.0)
    assert isinstance(way, Approach)
    arrives_s, ends_s = way.kinks
    assert arrives_s == pytest.approx(5e-6)
    left = way.at(ends_s)
    assert left.voltages == (5.0,)
    assert left.currents == pytest.approx((1.0, -1.0), rel=1e-15)


@pytest.mark.parametrize(("volts", "phases"), [(0.4e-3, 1), (0.6e-3, 2)])
def test_a_level_within_half_a_clock_step_is_there_at_once(volts: float, phases: int) -> None:
    """At 1 V/us it takes 0.4 ns or 0.6 ns; late limits give way all the same."""
    goal = Source((1.0, -1.0), (volts,), 1, 0.0, 0.0)
    way = approach(goal, Moment(S), Arrival(MANNERS), 0.0, 0.0)
    assert isinstance(way, Approach)
    assert len(way.phases) == phases
    assert way.at(0.0).voltages == (volts if phases == 1 else 0.0,)
    assert way.at(0.0).currents == pytest.approx((1.1, -1.1))
