"""Linear parts under a source on its way: exact against the matrix exponential and quadrature."""

from __future__ import annotations

import math
import subprocess
import sys
from fractions import Fraction
from itertools import pairwise
from random import Random

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.linalg import expm

from drivers.clock import NANOSECONDS
from drivers.simulated.circuits.approach import Arrival, Manners
from drivers.simulated.circuits.circuit import Source
from drivers.simulated.circuits.course import Course, chi
from drivers.simulated.circuits.crossings import crossing
from drivers.simulated.circuits.driven import DrivenMotion
from drivers.simulated.circuits.flow import Flow
from drivers.simulated.circuits.motion import Moment, Motion
from drivers.simulated.circuits.network import NetworkCircuit
from tests.drivers.test_simulated_circuit import bank

S = NANOSECONDS
US = S // 1_000_000
MANNERS = Manners(
    voltage_slew=1e5,
    current_slew=2e5,
    current_overshoot=0.02,
    voltage_overshoot=0.3,
    response=5e-5,
    kick=0.02,
    kick_time=2e-5,
)


def test_chi_against_its_series() -> None:
    """χ = t³·Σ z^k/(k + 3)!, in exact fractions; far from zero by the plain formula."""
    for z in (-1e-9, -0.01, -0.3, -0.99, -1.01, -1.7):
        exact = sum(Fraction(z) ** k / math.factorial(k + 3) for k in range(40))
        assert chi(z / 2, 2.0) == pytest.approx(float(exact) * 8, rel=5e-15)
    assert chi(-50.0, 1.0) == pytest.approx(((1 - math.exp(-50)) / 50 - 1) / 2500 + 0.01, rel=1e-14)


def test_a_crossing_is_found_to_the_last_bit_in_few_steps() -> None:
    """Straight, and bent by up to 4 time constants within the bracket."""
    draw = Random(5)
    asked = 0
    for k in range(500):
        root, rate = 10 ** draw.uniform(-9, 2), draw.uniform(0.001, 4)

        def excess(t: float, root: float = root, rate: float = rate, k: int = k) -> float:
            nonlocal asked
            asked += 1
            past = (t - root) / root
            return past if k % 2 else -math.expm1(-rate * past)

        found = crossing(excess, root * draw.random(), root * draw.uniform(1.0001, 2))
        assert excess(math.nextafter(found, 0)) <= 0 < excess(found)
    # By halving it takes 53 and more.
    assert asked / 500 < 25


@pytest.mark.parametrize("seed", range(8))
@pytest.mark.parametrize("nearness", [None, 0.0, 1e-9, 1e-6, 2e-5, 1e-2])
def test_a_driven_network_against_the_matrix_exponential(seed: int, nearness: float | None) -> None:
    """A ramp and a fading signal, its rate as near to one of the network's own as is said.

    The oracle knows no eigenvalues: x' = M·x + b·s, s' = Σ e_j, e_j' = μ_j·e_j, by expm of the
    whole. The network without leak has an own rate of 0, as a ramp.
    """
    draw = Random(seed)
    network = bank(
        draw.uniform(0.1, 10), draw.uniform(1e-3, 1), ((5.0, 2.0), (0.3, 1.0))[: seed % 3],
        None if seed % 2 else draw.uniform(1, 10), (0.5,) * (1 + min(2, seed % 3)),
    )  # fmt: skip
    matrix, drive = np.array(network.a), np.array(network.b)
    flow = Flow(matrix, np.array(network.storage))
    own = float(np.linalg.eigvals(matrix).real.min()) or -3.0
    fades = -draw.uniform(0.1, 3.0) if nearness is None else own * (1 + nearness)
    signal = Course(0.3, ((0.0, draw.uniform(-5, 5)), (fades, draw.uniform(-5, 5))))
    state = np.array(network.initial)
    size = len(state)
    whole = np.zeros((size + 3, size + 3))
    whole[:size, :size], whole[:size, size] = matrix, drive
    whole[size, size + 1 :] = 1.0
    whole[size + 2, size + 2] = fades
    begin = np.array([*state, signal.start, signal.terms[0][1], signal.terms[1][1]])
    course = flow.course(state, drive, signal, network.c)
    for constants in (0.01, 0.3, 3.0):
        time_s = constants / abs(own)
        there = (expm(whole * time_s) @ begin)[:size]
        # Of the largest voltage; where two rates are nearly one their difference loses digits.
        share = 1e-9 if nearness is not None and nearness < 1e-3 else 1e-12
        slack = share * float(np.abs(there).max())
        assert flow.moved(state, drive, signal, time_s) == pytest.approx(there, abs=slack)
        assert course.at(time_s) == pytest.approx(float(network.c @ there), abs=slack)


def bent(seed: int) -> Course:
    draw = Random(seed)
    rates = (0.0, -draw.uniform(0.1, 1), -draw.uniform(2, 5))
    terms = tuple((rate, draw.uniform(-3, 3)) for rate in rates)
    return Course(draw.uniform(-1, 1), terms, tuple((rate, draw.uniform(-2, 2)) for rate in rates))


@pytest.mark.parametrize("seed", range(20))
def test_a_course_under_a_ramp(seed: int) -> None:
    """At many times, from later on, over a time, added; where it turns and what it stays within."""
    course = bent(seed)
    times_s = np.linspace(0, 6, 1201)
    values = course.many(times_s)
    assert values == pytest.approx([course.at(t) for t in times_s.tolist()], rel=1e-15)
    later = course.after(1.7)
    assert [later.at(t) for t in (0.0, 0.4, 3.0)] == pytest.approx(
        [course.at(1.7 + t) for t in (0.0, 0.4, 3.0)], rel=1e-13
    )
    total, _ = quad(course.at, 0, 6, epsabs=1e-12, epsrel=1e-12)
    assert course.over(6.0) == pytest.approx(total, rel=1e-11, abs=1e-11)
    both = course.plus(-2.0, bent(seed + 100))
    assert both.at(2.5) == pytest.approx(course.at(2.5) - 2 * bent(seed + 100).at(2.5), rel=1e-13)
    low, high = course.span(6.0)
    assert low <= values.min()
    assert values.max() <= high
    turns = course.turns(6.0)
    signs = np.sign(np.diff(values))
    changed = (np.flatnonzero(signs[1:] != signs[:-1]) + 1).tolist()
    assert len(turns) == len(changed)
    for turn, place in zip(turns, changed, strict=True):
        assert times_s[place - 1] <= turn <= times_s[place + 1]


@pytest.mark.parametrize("seed", range(20))
def test_when_a_course_under_a_ramp_leaves(seed: int) -> None:
    course = bent(seed)
    low, high = course.start - 0.7, course.start + 0.4
    when_s, side = course.leaves(low, high, 0.0, 6.0)
    times_s = np.linspace(0, 6, 60_001)
    values = course.many(times_s)
    outside = np.flatnonzero((values < low) | (values > high))
    if not len(outside):
        assert (when_s, side) == (math.inf, 0)
        return
    first = int(outside[0])
    assert times_s[first - 1] <= when_s <= times_s[first]
    assert side == (1 if values[first] > high else -1)


def motions(circuit: NetworkCircuit, goal: Source, until_ns: int) -> list[tuple[Motion, float]]:
    """What a circuit does on the way to a source, and how long each lasts (s)."""
    heard: list[Motion] = []
    circuit.watchers.append(heard.append)
    circuit.connect(goal, S, Arrival(MANNERS, closing=True))
    circuit.look(until_ns)
    ends = [motion.begin for motion in heard[1:]] + [Moment(until_ns)]
    return [(m, end.since(m.begin)) for m, end in zip(heard, ends, strict=True)]


@pytest.mark.parametrize(
    "goal",
    [
        Source((1.0, -1.0), (2.0,), 1, 1e-3, 4e-4),
        Source((5.0, 0.7, -5.0), (-3.0, 3.0), 2, 1e-3, 4e-4),
        Source((5.0, 2.0, -5.0), (-3.0, 0.515), 2, 1e-3, 4e-4),
    ],
)
def test_what_is_told_of_the_way(goal: Source) -> None:
    """Each motion goes on from the one before; extremes, energy and charge by quadrature."""
    circuit = NetworkCircuit(bank(1e-4, 0.05, (), None, (0.5,)))
    found = motions(circuit, goal, S + 3000 * US)
    driven = [(m, lasts_s) for m, lasts_s in found if isinstance(m, DrivenMotion) and lasts_s]
    assert driven
    for (before, lasts_s), (after, _) in pairwise(found):
        for quantity in ("voltage", "current"):
            there = before.value(quantity, lasts_s)
            assert after.value(quantity, 0.0) == pytest.approx(there, rel=1e-9, abs=1e-9)
    for motion, lasts_s in driven:
        over = motion.over(lasts_s)
        times_s = np.linspace(0, lasts_s, 2001)
        volts, amperes = motion.values("voltage", times_s), motion.values("current", times_s)
        for span, values in (
            (over.voltage, volts), (over.current, amperes), (over.power, volts * amperes)
        ):  # fmt: skip
            # Extremes lie between two grid points.
            scale, step = float(np.abs(values).max()), float(np.abs(np.diff(values)).max())
            assert values.min() - step <= span.low <= values.min() + 1e-9 * scale
            assert values.max() - 1e-9 * scale <= span.high <= values.max() + step

        def current(t: float, motion: Motion = motion) -> float:
            return motion.value("current", t)

        def power(t: float, motion: Motion = motion) -> float:
            return motion.value("voltage", t) * motion.value("current", t)

        charge_c, _ = quad(current, 0, lasts_s, epsabs=0, limit=200)
        energy_j, _ = quad(power, 0, lasts_s, epsabs=0, limit=200)
        assert over.charge_c == pytest.approx(charge_c, rel=1e-8, abs=1e-15)
        assert over.energy_j == pytest.approx(energy_j, rel=1e-8, abs=1e-15)
        half = motion.after(lasts_s / 2)
        assert half.value("voltage", 0.0) == pytest.approx(motion.value("voltage", lasts_s / 2))


def test_when_a_ramp_passes_a_threshold() -> None:
    """5 V at 0.1 V/us on a resistor behind next to no storage: 2 V after 20 us, and no more 6 V."""
    circuit = NetworkCircuit(bank(1e3, 1.0, (), None, (0.0,)))
    goal = Source((10.0, -10.0), (5.0,), 1, 0.0, 0.0)
    circuit.connect(goal, S, Arrival(Manners(voltage_slew=1e5)))
    motion = circuit.motion()
    assert motion.passes("voltage", True, 2.0, 0.0) == pytest.approx(20e-6, rel=1e-9)
    assert motion.passes("voltage", True, 2.0, 21e-6) == math.inf
    assert motion.passes("voltage", False, 2.0, 0.0) == math.inf
    assert motion.passes("voltage", True, 6.0, 0.0) == math.inf


def test_a_current_comes_back_from_more_than_the_source_can_push_where_it_goes() -> None:
    """From a pulse of 8 A to 1 A: 8 A less 0.2 A/us, though only 4.5 A may last."""
    circuit = NetworkCircuit(bank(10.0, 0.01, (), None, (0.0,)))
    manners = Manners(current_slew=2e5)
    circuit.connect(Source((8.0, 8.0, -8.0), (-3.0, 3.0), 2, 0.0, 0.0), S)
    goal = Source((4.5, 1.0, -4.5), (-3.0, 3.0), 2, 0.0, 0.0)
    circuit.connect(goal, 2 * S, Arrival(manners))
    assert circuit.mean(2 * S + 9 * US, 2 * S + 11 * US)[1:] == pytest.approx((6.0, 0.0))
    assert circuit.mean(3 * S, 4 * S)[1:] == (1.0, 0.0)


def test_limits_that_get_wider_do_so_once_the_level_is_there() -> None:
    """Charged above its level and held at no current; then it may flow: by the level, at once.

    (3 V − 2 V)/0.5 ohm is less than the wider limit, which is at no time in control.
    """
    circuit = NetworkCircuit(bank(1.0, 0.5, (), None, (3.0,)))
    narrow = Source((1.0, 0.0), (2.5,), 1, 0.0, 0.0)
    circuit.connect(narrow, S)
    heard: list[Motion] = []
    circuit.watchers.append(heard.append)
    wide = Source((4.0, -4.0), (2.0,), 1, 0.0, 0.0)
    circuit.connect(wide, 2 * S, Arrival(Manners(voltage_slew=1e5), before=narrow))
    assert circuit.mean(2 * S, 2 * S + 9 * US)[:2] == (3.0, 0.0)
    assert circuit.mean(2 * S + 11 * US, 2 * S + 12 * US)[1] == pytest.approx(-2.0, rel=1e-4)
    assert min(motion.value("current", 0.0) for motion in heard) == pytest.approx(-2.0, rel=1e-4)


def test_parts_that_are_solved_exactly_need_no_integrator() -> None:
    """scipy takes a third of a second to load: a linear part and a diode do without."""
    script = (
        "import sys\n"
        "from drivers.simulated.circuits.approach import Arrival, Manners\n"
        "from drivers.simulated.circuits.circuit import Source\n"
        "from drivers.simulated.conditions import Conditions\n"
        "from drivers.simulated.parts.diode import Diode\n"
        "from drivers.simulated.parts.supercapacitor import Supercapacitor\n"
        "from drivers.simulated.wiring import circuit_of\n"
        "bank = {'model': 'supercapacitor', 'capacitance': '1 F', 'series_resistance': '1 ohm'}\n"
        "diode = {'model': 'diode', 'saturation_current': '1 nA'}\n"
        "for part in (Supercapacitor.model_validate(bank), Diode.model_validate(diode)):\n"
        "    circuit = circuit_of(part.physics(Conditions()))\n"
        "    manners = Manners(1e5, 1e5, 0.1, 0.1, 1e-4)\n"
        "    circuit.connect(Source((1.0, -1.0), (0.5,), 1, 1e-3, 0.0), 0, Arrival(manners))\n"
        "    assert circuit.mean(1000, 2000)[0] > 0\n"
        "    circuit.mean(10**9, 2 * 10**9)\n"
        "print('scipy' in sys.modules)\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", script], capture_output=True, text=True, check=True
    )
    assert done.stdout == "False\n"
