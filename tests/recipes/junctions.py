"""Recipes on junctions: Shockley's equation, a breakdown that warms, a leakage of picoamperes."""

from __future__ import annotations

import functools
import math
from collections.abc import Callable, Mapping

import numpy as np
from scipy import constants
from scipy.integrate import solve_ivp
from scipy.optimize import brentq

from tests.recipes.jobs import (
    Bias,
    Instrument,
    Job,
    part_of,
)

VOLTS_PER_K = constants.k / constants.e

DIODE = part_of("sweep-diode", "blocking")
DIODE_SLOPE = DIODE.ideality * VOLTS_PER_K * 298.15


def forward(amperes: float) -> float:
    """The diode's voltage (V) at a current (A): Shockley's equation and its series resistance."""
    across = DIODE_SLOPE * math.log1p(amperes / DIODE.saturation_current)
    return float(across + DIODE.series_resistance * amperes)


@functools.cache
def diode(
    source_v: float = 0.0, v_gain: float = 0.0, v_offset: float = 0.0, i_1: float = 0.0,
    i_10: float = 0.0, i_100: float = 0.0, forced_1: float = 0.0, forced_10: float = 0.0,
    forced_100: float = 0.0, most: float = 0.0,
) -> Mapping[str, float]:  # fmt: skip
    """Three currents; the two equations between them solved for n·V_t and R_s.

    V = n·V_t·ln I + R_s·I + c leaves the −1 of Shockley's equation out: 2 nA of 1 mA.
    """
    true = (1e-3 + forced_1, 10e-3 + forced_10, 0.1 + forced_100)
    read = np.array([a + e for a, e in zip(true, (i_1, i_10, i_100), strict=True)])
    volts = np.array([forward(a) * (1 + v_gain) + v_offset for a in true])
    matrix = np.stack((np.log(read), read, np.ones(3)), axis=1)
    slope, ohm, _ = np.linalg.solve(matrix, volts)
    V_t = 86.17333e-6 * 298.15
    rise_1, rise_2 = np.diff(volts) / np.diff(np.log(read))

    def flows(level: float) -> float:
        return float(brentq(lambda a: forward(a) - level - source_v, 1e-15, 2.0, xtol=1e-16))

    levels = 0.3 + 0.01 * np.arange(71)
    largest = next(a for a in map(flows, levels.tolist()) if a + most >= 0.2)
    return {
        "V_1": volts[0], "V_10": volts[1], "V_100": volts[2], "most": largest + most,
        "I_1": read[0], "I_10": read[1], "I_100": read[2], "rise_1": rise_1, "rise_2": rise_2,
        "R_s": ohm, "V_t": V_t, "n": slope / V_t,
    }  # fmt: skip


CLAMP = part_of("clamp-suppressor", "clamp")
AIR_K = 295.15


def blocked(amperes: float, kelvin: float) -> float:
    """The suppressor's voltage (V) at a current (A) against it: its breakdown, and resistance."""
    knee = CLAMP.breakdown
    warm = 1 + knee.temperature_coefficient * (kelvin - CLAMP.temperature)
    b = knee.ideality * VOLTS_PER_K * kelvin
    through = max(amperes - saturation(kelvin), 1e-300)
    return float(
        knee.voltage * warm + b * math.log(through / knee.current)
        + CLAMP.series_resistance * amperes
    )  # fmt: skip


def saturation(kelvin: float) -> float:
    """Its saturation current (A), as the manual of ngspice has it (XTI, EG)."""
    ratio = kelvin / CLAMP.temperature
    n = CLAMP.ideality
    return float(
        CLAMP.saturation_current * ratio ** (CLAMP.saturation_exponent / n)
        * math.exp(CLAMP.band_gap / (n * VOLTS_PER_K * kelvin) * (ratio - 1))
    )  # fmt: skip


@functools.cache
def suppressor(
    source_gain: float = 0.0, source_offset: float = 0.0, i_gain: float = 0.0,
    i_offset: float = 0.0, v_gain: float = 0.0, v_offset: float = 0.0, forced: float = 0.0,
    leak: float = 0.0, slowness: float = 0.0,
) -> Mapping[str, float]:  # fmt: skip
    """The junction, its body and the air as a ladder of heat, warmed by each pulse in turn.

    A pulse of 300 µs is read over its last 50 µs. A source takes its time (s for each ampere) to
    the level, and as long back to 0 A once the pulse is over.
    """
    inner, outer = CLAMP.heating, CLAMP.heating.outer[0]
    state = [0.0, 0.0]

    def go(seconds: float, amperes: float, moves: float = 0.0) -> Callable[[float], float]:
        """Pass a current that moves (A/s) for a time; the voltage at a time of it."""
        nonlocal state

        def rates(t: float, y: list[float]) -> list[float]:
            flow = amperes + moves * t
            heat = blocked(flow, AIR_K + y[0]) * flow if flow else 0.0
            onward = (y[0] - y[1]) / inner.thermal_resistance
            out = y[1] / outer.thermal_resistance
            return [(heat - onward) / inner.heat_capacity, (onward - out) / outer.heat_capacity]

        done = solve_ivp(
            rates, (0.0, seconds), state, "LSODA", dense_output=True, rtol=1e-10, atol=1e-12
        )
        state = [float(done.y[0, -1]), float(done.y[1, -1])]
        return lambda at: blocked(amperes + moves * at, AIR_K + float(done.sol(at)[0]))

    def pulse(level: float) -> Callable[[float], tuple[float, float]]:
        """One pulse; the voltage and the current at a time since its begin."""
        edge = (level - source_offset) * slowness
        up = go(edge, source_offset, 1 / slowness) if edge else None
        top = go(3e-4 - edge, level)
        down = go(edge, level, -1 / slowness) if edge else None

        def at(moment: float) -> tuple[float, float]:
            if up is not None and 0 <= moment < edge:
                return up(moment), source_offset + moment / slowness
            if down is not None and 3e-4 <= moment < 3e-4 + edge:
                return down(moment - 3e-4), level - (moment - 3e-4) / slowness
            # An edge of its own at the very moment of a sample is that sample's, but for rounding.
            if -1e-12 < moment < 3e-4 - 1e-12:
                return top(max(moment - edge, 0.0)), level
            return (blocked(source_offset, AIR_K) if source_offset > 0 else -0.4), source_offset

        return at

    def pushed(level: float) -> float:
        return level * (1 + source_gain) + source_offset

    def idle(amperes: float, seconds: float) -> None:
        """Leave it at what the source is off by at 0 A: against it 14 V, along it 0.4 V."""
        go(seconds, amperes if amperes > 0 else -amperes * 0.4 / 14.0)

    # The first check, 1 mA along it: 0.37 mW for 145 ms; then what leaks, 4.5 s later.
    go(0.145, 1e-3 * 0.373 / 13.96)
    go(4.535, 0.0)
    I_leak = saturation(AIR_K + state[0]) + leak
    go(0.52, 0.0)
    volts = []
    # 1 mA: a contact and a look have gone before, and 100 ms.
    go(0.12, 1e-3 + forced)
    for _ in range(10):
        volts.append(go(0.02, 1e-3 + forced)(0.01))
    go(0.005, 1e-3 + forced)
    V_break = float(np.mean(volts)) * (1 + v_gain) + v_offset
    go(0.005, 0.0)
    seen, flows = [], []
    nodes, weights = np.polynomial.legendre.leggauss(5)
    for peak in (1.0, 2.0, 5.0, 10.0):
        idle(source_offset, 10.0)
        at = pulse(pushed(peak))
        mean = sum(w / 2 * at(2.75e-4 + 25e-6 * x)[0] for x, w in zip(nodes, weights, strict=True))
        seen.append(float(mean) * (1 + v_gain) + v_offset)
        flows.append(pushed(peak) * (1 + i_gain) + i_offset)
    idle(source_offset, 10.0)
    # 500 µs, of them 50 µs before the current passes 1 A; the capture began 1 ms before.
    idle(source_offset, 1e-3)
    at, passes = pulse(pushed(10.0)), (1.0 - source_offset) * slowness
    samples = np.array([at(passes + 2.5e-6 * k) for k in range(-20, 180)])
    powers = (samples[:, 0] * (1 + v_gain) + v_offset) * (samples[:, 1] * (1 + i_gain) + i_offset)
    E = float(np.trapezoid(powers, dx=2.5e-6))
    R = float(np.polyfit(flows[1:], seen[1:], 1)[0])
    return {
        "I_leak": I_leak, "V_break": V_break, "V_clamp": seen[-1], "R_dynamic": R, "E": E,
        "V_surge": seen[-1] + 20.0 * R,
    }  # fmt: skip


GUARD = part_of("measure-diode-leakage", "guard_diode")


@functools.cache
def leakage(gain: float = 0.0, offset: float = 0.0) -> Mapping[str, float]:
    """At 5 V backwards a junction passes its saturation current; a lifted lead passes nothing.

    What the instrument is off by is three times as much when it is cold, and falls with a fifth of
    40 min as its time constant: it isn't quite the same before, meanwhile and after.
    """

    def read(true: float, moment: float) -> float:
        cold = 1 + 2 * math.exp(-5 * moment / 2400)
        return true + cold * (true * gain + offset)

    before, after = read(0.0, 370.0), read(0.0, 1230.0)
    reverse = -GUARD.saturation_current * -math.expm1(
        -5.0 / (GUARD.ideality * VOLTS_PER_K * 298.15)
    )
    I_R = (before + after) / 2 - read(reverse, 800.0)
    return {
        "I_before": before, "I_after": after, "I_R": I_R,
        "floor": math.sqrt(2 * constants.e * abs(I_R)),
    }  # fmt: skip


SMU, FINE = Instrument("sweep-diode"), Instrument("measure-diode-leakage")
PICO = FINE.noise("A", 25e-9, 10 * 121) + 25e-15


def at(kind: str, full_scale: float, value: float) -> float:
    """The limit (A) of a current that is sourced or read on a range."""
    stated = SMU.sources("A", full_scale) if kind == "source" else SMU.measures("A", full_scale)
    return stated.at(value)


MEAN_V = SMU.noise("V", 5.0, 40)
FAST_V = SMU.noise("V", 40.0, 1 / 400) + 200e-6
FAST_A = SMU.noise("A", 12.0, 1 / 400) + 250e-6

JOBS = [
    Job(
        "sweep-diode",
        diode,
        {
            "source_v": SMU.sources("V", 5.0).at(0.85),
            "v_gain": SMU.measures("V", 5.0).share,
            "v_offset": SMU.measures("V", 5.0).plus,
            "i_1": at("measure", 5e-3, 1e-3),
            "i_10": at("measure", 50e-3, 10e-3),
            "i_100": at("measure", 0.5, 0.1),
            "forced_1": at("source", 5e-3, 1e-3),
            "forced_10": at("source", 50e-3, 10e-3),
            "forced_100": at("source", 0.5, 0.1),
            "most": at("measure", 0.5, 0.22),
        },
        # Means of ten readings; R_s is a difference of two slopes, over 39 mA − 3.9 mA.
        scatter={
            **dict.fromkeys(("V_1", "V_10", "V_100"), MEAN_V),
            **dict.fromkeys(("rise_1", "rise_2"), 2 * MEAN_V / math.log(10)),
            "R_s": 3 * MEAN_V / math.log(10) / 0.035,
            "n": 3 * MEAN_V / math.log(10) / 0.0257,
            "most": SMU.noise("A", 0.5),
        },
        ticks={
            "most": (
                0.01 / (DIODE_SLOPE / 0.23 + DIODE.series_resistance),
                "the point that ends the sweep, 10 mV sooner or later",
            )
        },
        biases={
            "R_s": Bias(DIODE.series_resistance, 1.54e-5, "the −1: 2 nA of the 1 mA"),
            "V_t": Bias(VOLTS_PER_K * 298.15, -3.04e-8, "k/q to seven digits, of CODATA's"),
            "n": Bias(DIODE.ideality, -8.3e-7, "the same, and k/q to seven digits"),
        },
        seeds=(0, 1, 2, 3),
    ),
    Job(
        "clamp-suppressor",
        suppressor,
        {
            "source_gain": SMU.sources("A", 12.0).share,
            "source_offset": SMU.sources("A", 12.0).plus,
            "i_gain": SMU.measures("A", 12.0).share,
            "i_offset": SMU.measures("A", 12.0).plus,
            "v_gain": SMU.measures("V", 40.0).share,
            "v_offset": SMU.measures("V", 40.0).plus,
            "forced": at("source", 5e-3, 1e-3),
            "leak": at("measure", 5e-6, 3e-10),
        },
        # Of 50 µs a reading: the slope of three from 2 A to 10 A, and 20 A of it.
        scatter={
            "I_leak": SMU.noise("A", 5e-6, 3),
            "V_break": SMU.noise("V", 40.0, 10),
            "V_clamp": FAST_V,
            "R_dynamic": (FAST_V + 0.07 * FAST_A) / 5.7,
            "V_surge": FAST_V + 20 * (FAST_V + 0.07 * FAST_A) / 5.7,
            "E": 15 * FAST_A * 3e-4,
        },
        manners={"slowness": SMU.slowness("A")},
        ticks={
            "E": (
                SMU.measures("A", 12.0).plus * 14.3 * 2e-4,
                "what is read at 0 A, where the source's own offset holds it at 14 V",
            )
        },
        exact={"I_leak": (2e-6, "the check along it is taken for a steady 0.37 mW")},
        biases={
            "R_dynamic": Bias(45e-3, 0.477, "n_b·V_t/I of 8 mΩ, and 14 V warmed by up to 9 K"),
        },
        seeds=(0, 1, 2, 3),
    ),
    Job(
        "measure-diode-leakage",
        leakage,
        {
            "gain": FINE.measures("A", 25e-9).share,
            "offset": FINE.measures("A", 25e-9).plus,
        },
        scatter={
            "I_before": PICO,
            "I_after": PICO,
            "I_R": 1.5 * PICO,
            "floor": 0.5 * PICO / 1.5e-12 * 7e-16,
        },
        near={"I_before": (1e-16, "rounding"), "I_after": (1e-16, "rounding")},
        without={
            "noise": "it is the instrument's: its density is a draw of chance, and of its rounding"
        },
        seeds=(0,),
    ),
]
