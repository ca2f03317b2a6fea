"""The recipe on a laser diode and the photodiode in its light, both warmed by the sweep itself.

One differential equation, of the heat: it is solved level by level, as the recipe sets them.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Mapping
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy import constants
from scipy.integrate import solve_ivp
from scipy.optimize import brentq
from scipy.signal import savgol_filter

from tests.recipes.jobs import Bias, Instrument, Job, part_of

Floats = NDArray[np.float64]
NAME = "sweep-laser-diode"
LASER = part_of(NAME, "laser")
EYE = LASER.photodiode
LEVELS, STEP_A = np.linspace(0.0, 0.07, 141), 0.5e-3
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


def seen_at(amperes: float, kelvin: float, volts: float = 0.0) -> float:
    """The photodiode's current (A) at about 0 V, into it; its junction takes a little."""
    photo = LASER.coupling * EYE.responsivity * light_at(amperes, kelvin)
    ohm = EYE.series_resistance + LEADS_OHM
    slope = EYE.ideality * VOLTS_PER_K * AIR_K

    def away(flow: float) -> float:
        across = volts + flow * ohm
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


class Curve(NamedTuple):
    """The sweep's rows: the drive's current (A) and voltage (V), the photodiode's current (A)."""

    amperes: Floats
    volts: Floats
    eye: Floats


@functools.cache
def curve(source_gain: float = 0.0, source_offset: float = 0.0, eye_volts: float = 0.0) -> Curve:
    """141 levels of 91 ms each: 10 ms to settle, a reading of the drive, one of the eye.

    At less than nothing the laser blocks, and the limit of 100 mV takes over.
    """
    amperes = np.maximum(LEVELS * (1 + source_gain) + source_offset, 0.0)
    rise, volts, eye = 0.0, [], []
    for level in amperes.tolist():
        rise, (at_drive, at_eye) = after(rise, level, 0.091, np.array([0.02, 0.04]))
        volts.append(volts_at(level, AIR_K + at_drive) if level else 0.0)
        eye.append(seen_at(level, AIR_K + at_eye, eye_volts))
    return Curve(amperes, np.array(volts), np.array(eye))


def of_curve(
    amperes: Floats, volts: Floats, lit: Floats, lower: float = 0.0, upper: float = 0.0
) -> dict[str, float]:
    """What comes of the sweep's readings (A, V, A), whose steps are even.

    The ranges that are fitted begin and end at levels: with `lower` or `upper` the row there is
    read as beyond the end, and so left out.
    """

    def inside(low: float, high: float) -> NDArray[np.bool_]:
        narrow, wide = low + STEP_A * (abs(lower) - 0.5), high - STEP_A * (abs(upper) - 0.5)
        found: NDArray[np.bool_] = (narrow < LEVELS) & (wide > LEVELS)
        return found

    line = inside(0.03, 0.05)
    slope, start = np.polyfit(amperes[line], lit[line], 1)
    by_line = -start / slope
    below = amperes <= 0.75 * by_line
    flat, low = np.polyfit(amperes[below], lit[below], 1)
    # Parabolas through seven points, and one through the run of them above half of the largest.
    step_mA = float(amperes[-1] - amperes[-2]) * 1e3
    bend = savgol_filter(lit, 7, 2, deriv=2, delta=step_mA)[3:-3]
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
        "I_th.by_line": by_line, "I_th.by_two_segments": (low - start) / (slope - flat),
        "I_th.by_second_derivative": float(places[peak] - 1e-3 * linear / (2 * square)),
        "seen": slope, "S": slope / 0.06, "kink.current": amperes[wide][int(np.argmax(apart))],
        "kink.deviation": float(apart.max()), **forward(amperes, volts, inside(0.04, 0.06)),
    }  # fmt: skip


@functools.cache
def laser(
    source_gain: float = 0.0, source_offset: float = 0.0, eye_volts: float = 0.0,
    i_gain: float = 0.0, i_offset: float = 0.0, v_gain: float = 0.0, v_offset: float = 0.0,
    eye_gain: float = 0.0, eye_offset: float = 0.0, sensor: float = 0.0, lower: float = 0.0,
    upper: float = 0.0,
) -> Mapping[str, float]:  # fmt: skip
    """The sweep, and the light at 50 mA.

    All that puts the currents off at once is 0.32 mA at 60 mA: of rows half a milliampere apart one
    may be lost at either end of a range, and none comes in.
    """
    true = curve(source_gain, source_offset, eye_volts)

    def seen(flow: float) -> float:
        return flow * (1 + eye_gain) + eye_offset

    dark = seen(seen_at(0.0, AIR_K, eye_volts))
    found = of_curve(
        true.amperes * (1 + i_gain) + i_offset,
        true.volts * (1 + v_gain) + v_offset,
        dark - (true.eye * (1 + eye_gain) + eye_offset),
        lower,
        upper,
    )
    at_first, at_last = map(seen, steady(source_gain, source_offset, eye_volts))
    return {
        "T": AIR_K + sensor, "I_dark": dark, **found, "at_first": at_first, "at_last": at_last,
        "lost": 1 - at_last / at_first,
    }  # fmt: skip


def forward(amperes: Floats, volts: Floats, inside: NDArray[np.bool_]) -> dict[str, float]:
    """The least-squares line of the voltage from 40 mA to 60 mA, with its scatter."""
    x, y = amperes[inside], volts[inside]
    (slope, start), covariance = np.polyfit(x, y, 1, cov=True)
    left = y - slope * x - start
    return {
        "fit.slope": float(slope), "fit.intercept": float(start),
        "fit.spread": float(np.sqrt(np.sum(left**2) / (len(x) - 2))),
        "fit.slope_uncertainty": float(np.sqrt(covariance[0, 0])),
        "fit.intercept_uncertainty": float(np.sqrt(covariance[1, 1])),
    }  # fmt: skip


@functools.cache
def steady(gain: float, offset: float, eye_volts: float) -> tuple[float, float]:
    """The eye at 50 mA: just after a ramp of steps of 0.5 mA each 100 ms, and once it is warm.

    Once a second the mount is read, in 41 ms: then a step is late. The first reading of the eye is
    70 ms after the last step, the others a second apart.
    """
    rise, working = 0.0, 0.05 * (1 + gain) + offset
    for step in range(100):
        lasts = 0.1 + 0.041 * ((step % 10 == 4) - (step % 10 == 5))
        level = max(STEP_A * step * (1 + gain) + offset, 0.0)
        rise, _ = after(rise, level, lasts, np.zeros(1))
    _, rises = after(rise, working, 11.0, 0.07 + np.arange(11.0))
    at_first = float(np.mean([seen_at(working, AIR_K + r, eye_volts) for r in rises.tolist()]))
    rise, _ = after(rise, working, 30.0, np.zeros(1))
    return at_first, seen_at(working, AIR_K + rise, eye_volts)


DRIVE, EYE_SMU, MOUNT = (Instrument(NAME, channel) for channel in ("drive", "eye", "mount"))
DRIVEN, DRIVE_I, DRIVE_V = (
    DRIVE.sources("A", 0.5), DRIVE.measures("A", 0.5), DRIVE.measures("V", 5.0)
)  # fmt: skip
KELVIN_PER_VOLT = 125.0 / 10.0
COLD = 2.0
"""The meter's errors when it is cold."""
EYE_NOISE = EYE_SMU.noise("A", 5e-3) + 5e-9  # half a digit is rounded


@functools.cache
def scattered() -> Mapping[str, float]:
    """The standard deviations of what comes of the sweep, of 300 draws of its noise.

    Noise of the drive's current is put into what is read beside it, by the slope there: so the same
    rows are fitted each time. Half a digit is rounded: 0.5 µA, 5 µV, 5 nA.
    """
    chance, true = np.random.default_rng(1), curve()
    lit = -(true.eye + 0.3e-12)
    drawn: dict[str, list[float]] = {}
    for _ in range(300):
        amperes, volts, eye = (
            noise * chance.standard_normal(141)
            for noise in (
                DRIVE.noise("A", 0.5) + 0.5e-6, DRIVE.noise("V", 5.0) + 5e-6, EYE_NOISE
            )
        )  # fmt: skip
        found = of_curve(
            true.amperes,
            true.volts + volts - amperes * np.gradient(true.volts, true.amperes),
            lit + eye - amperes * np.gradient(lit, true.amperes),
        )
        for name, value in found.items():
            drawn.setdefault(name, []).append(value)
    return {name: float(np.std(values)) for name, values in drawn.items()}


JOBS = [
    Job(
        NAME,
        laser,
        {
            "source_gain": DRIVEN.share,
            "source_offset": DRIVEN.plus,
            "eye_volts": EYE_SMU.sources("V", 5.0).plus,
            "i_gain": DRIVE_I.share,
            "i_offset": DRIVE_I.plus,
            "v_gain": DRIVE_V.share,
            "v_offset": DRIVE_V.plus,
            "eye_gain": EYE_SMU.measures("A", 5e-3).share,
            "eye_offset": EYE_SMU.measures("A", 5e-3).plus,
            "sensor": COLD * MOUNT.measures("V", 12.0).at(5.12) * KELVIN_PER_VOLT,
            "lower": 1.0,
            "upper": 1.0,
        },
        # What is lost is 6e-5 of the light, and a tenth of that is noise.
        scatter={
            "T": MOUNT.noise("V", 12.0) * KELVIN_PER_VOLT,
            "I_dark": EYE_SMU.noise("A", 5e-3, 20),
            **scattered(),
            **dict.fromkeys(("at_first", "at_last"), EYE_SMU.noise("A", 5e-3, 11)),
            "lost": math.sqrt(2) * EYE_SMU.noise("A", 5e-3, 11) / 1.5e-3,
        },
        exact={
            "kink.deviation": (5e-6, "a reading is a mean of 20 ms, in which the laser warms"),
            "lost": (2e-4, "the same: 1/24 of the square of 20 ms over the 0.3 s of its warming"),
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
        seeds=(0,),
    ),
]
