"""The recipe on a laser diode and the photodiode in its light, both warmed by the sweep itself.

One differential equation, of the heat: it is solved level by level, as the recipe sets them.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray
from scipy import constants
from scipy.integrate import solve_ivp
from scipy.optimize import brentq
from scipy.signal import savgol_filter

from tests.recipes.jobs import Bias, Job, part_of

Floats = NDArray[np.float64]
NAME = "sweep-laser-diode"
LASER = part_of(NAME, "laser")
EYE = LASER.photodiode
AIR_K, VOLTS_PER_K = 297.15, constants.k / constants.e
LEADS_OHM = 0.08


def volts_at(amperes: float, kelvin: float) -> float:
    """The laser's voltage (V): Shockley's equation, I_s by ngspice's law (XTI 3, EG)."""
    n, ratio = LASER.ideality, kelvin / LASER.reference_temperature
    slope = n * VOLTS_PER_K * kelvin
    saturation = (
        LASER.saturation_current * ratio ** (3 / n) * math.exp(LASER.band_gap / slope * (ratio - 1))
    )
    return float(slope * math.log1p(amperes / saturation) + LASER.series_resistance * amperes)


def light_at(amperes: float, kelvin: float) -> float:
    """The laser's light (W): the hyperbola about a threshold that rises with the temperature."""
    if amperes <= 0:
        return 0.0
    warmer, w = kelvin - LASER.reference_temperature, LASER.threshold_width
    x = amperes - LASER.threshold_current * math.exp(warmer / LASER.threshold_e_fold)
    bow = x + math.hypot(x, w) if x > 0 else w**2 / (math.hypot(x, w) - x)
    falls = 0.5 * (max(x, 0.0) / LASER.roll_over_current) ** 2 + warmer / LASER.efficiency_e_fold
    slope = LASER.slope_efficiency * math.exp(-falls)
    return float(0.5 * slope * bow * -math.expm1(-amperes / w))


def seen_at(amperes: float, kelvin: float) -> float:
    """The photodiode's current (A) at 0 V, into it; its junction takes a little of the light's."""
    photo = LASER.coupling * EYE.responsivity * light_at(amperes, kelvin)
    ohm = EYE.series_resistance + LEADS_OHM
    slope = EYE.ideality * VOLTS_PER_K * AIR_K

    def away(flow: float) -> float:
        across = flow * ohm
        lost = EYE.dark_current * math.expm1(across / slope) + across / EYE.shunt_resistance
        return photo - lost - flow

    # A shielded cable lets in a hundredth of 30 pA, too.
    return -float(brentq(away, -1e-3, photo + 1e-9, xtol=1e-18)) - 0.3e-12


def after(rise: float, amperes: float, seconds: float, at: Floats) -> tuple[float, Floats]:
    """The rise (K) after a current (A) has flowed for a time (s), and at times on the way."""
    heating = LASER.heating

    def rates(_: float, y: Floats) -> list[float]:
        kelvin = AIR_K + y[0]
        heat = volts_at(amperes, kelvin) * amperes - light_at(amperes, kelvin)
        return [(heat - y[0] / heating.thermal_resistance) / heating.heat_capacity]

    done = solve_ivp(
        rates, (0.0, seconds), [rise], "LSODA", dense_output=True, rtol=1e-10, atol=1e-12
    )
    return float(done.y[0, -1]), done.sol(at)[0]


@functools.cache
def laser() -> Mapping[str, float]:
    """141 levels of 91 ms each: 10 ms to settle, a reading of the drive, one of the eye."""
    amperes = np.linspace(0.0, 0.07, 141)
    rise, volts, eye = 0.0, [], []
    for level in amperes.tolist():
        rise, (at_drive, at_eye) = after(rise, level, 0.091, np.array([0.02, 0.04]))
        volts.append(volts_at(level, AIR_K + at_drive) if level else 0.0)
        eye.append(seen_at(level, AIR_K + at_eye))
    lit, v = -(np.array(eye) + 0.3e-12), np.array(volts)
    tiny = 1e-9

    def inside(low: float, high: float) -> NDArray[np.bool_]:
        found: NDArray[np.bool_] = (amperes >= low - tiny) & (amperes <= high + tiny)
        return found

    line = inside(0.03, 0.05)
    slope, start = np.polyfit(amperes[line], lit[line], 1)
    by_line = -start / slope
    below = inside(0.0, 0.75 * by_line)
    flat, low = np.polyfit(amperes[below], lit[below], 1)
    # Parabolas through seven points, and one through the run of them above half of the largest.
    bend = savgol_filter(lit, 7, 2, deriv=2, delta=0.5e-3)[3:-3]
    places = amperes[3:-3]
    peak = int(np.argmax(bend))
    first = last = peak
    while bend[first - 1] >= bend[peak] / 2:
        first -= 1
    while bend[last + 1] >= bend[peak] / 2:
        last += 1
    run = slice(first, last + 1)
    square, linear, _ = np.polyfit((places[run] - places[peak]) * 1e3, bend[run], 2)
    wide = inside(0.03, 0.06)
    straight = np.polyval(np.polyfit(amperes[wide], lit[wide], 1), amperes[wide])
    apart = np.abs(lit[wide] / straight - 1)
    return {
        "T": AIR_K, "I_dark": -0.3e-12,
        "I_th.by_line": by_line, "I_th.by_two_segments": (low - start) / (slope - flat),
        "I_th.by_second_derivative": float(places[peak] - 1e-3 * linear / (2 * square)),
        "seen": slope, "S": slope / 0.06, "kink.current": amperes[wide][int(np.argmax(apart))],
        "kink.deviation": float(apart.max()), **forward(amperes, v), **steady(),
    }  # fmt: skip


def forward(amperes: Floats, volts: Floats) -> dict[str, float]:
    """The least-squares line of the voltage from 40 mA to 60 mA, with its scatter."""
    inside = (amperes > 0.04 - 1e-9) & (amperes < 0.06 + 1e-9)
    x, y = amperes[inside], volts[inside]
    (slope, start), covariance = np.polyfit(x, y, 1, cov=True)
    left = y - slope * x - start
    return {
        "fit.slope": float(slope), "fit.intercept": float(start),
        "fit.spread": float(np.sqrt(np.sum(left**2) / (len(x) - 2))),
        "fit.slope_uncertainty": float(np.sqrt(covariance[0, 0])),
        "fit.intercept_uncertainty": float(np.sqrt(covariance[1, 1])),
    }  # fmt: skip


def steady() -> dict[str, float]:
    """The light at 50 mA: just after a ramp of steps of 0.5 mA each 100 ms, and once it is warm.

    The first reading of the eye is 70 ms after the last step, the others a second apart.
    """
    rise = 0.0
    for step in range(100):
        rise, _ = after(rise, 0.5e-3 * step, 0.1, np.zeros(1))
    _, rises = after(rise, 0.05, 11.0, 0.07 + np.arange(11.0))
    at_first = float(np.mean([seen_at(0.05, AIR_K + r) for r in rises.tolist()]))
    rise, _ = after(rise, 0.05, 30.0, np.zeros(1))
    at_last = seen_at(0.05, AIR_K + rise)
    return {"at_first": at_first, "at_last": at_last, "lost": 1 - at_last / at_first}


JOBS = [
    Job(
        NAME,
        laser,
        {},
        exact={
            "kink.deviation": (5e-6, "a reading is a mean of 20 ms, in which the laser warms"),
            "lost": (
                2e-2,
                "of 6e-5: the ramp's steps come late by as much as a reading of the eye lasts",
            ),
        },
        near={"I_dark": (1e-20, "what the eye's shunt takes")},
        biases={
            # At 25 °C it would be 18 mA; the methods differ, and the sweep warms it meanwhile.
            "I_th.by_line": Bias(18e-3, -4.4e-3, "a line from 30 mA on bends as it warms"),
            "I_th.by_second_derivative": Bias(18e-3, 3.0e-3, "the junction is warmer by 0.3 K"),
            "seen": Bias(
                0.12 * 0.5 * 0.8, -1.99e-2, "it warms from 30 mA to 50 mA, and rolls over"
            ),
            "fit.slope": Bias(4.0, 0.253, "n·V_t/I of 1 Ω at 50 mA beside the 4 Ω"),
        },
        seeds=(),
    ),
]
