"""Recipes on solar panels, against pvlib: De Soto's parameters, the single diode's curve.

The curve is worked out at thousands of points, each in the light of the moment at which the sweep
passes it; what is read of it is a root, a maximum, or a fit by scipy.
"""

from __future__ import annotations

import functools
from collections.abc import Callable, Mapping
from typing import NamedTuple

import numpy as np
import pvlib
from numpy.typing import NDArray
from scipy import constants
from scipy.optimize import least_squares

from tests.recipes.jobs import (
    SIGMAS,
    Bias,
    Instrument,
    Job,
    part_of,
)

Floats = NDArray[np.float64]
ZERO_C = 273.15
VOLTS_PER_K = constants.k / constants.e


class Diode(NamedTuple):
    """The single diode's five parameters; light and shunt may be arrays of shape (n,)."""

    light: Floats
    saturation: float
    series: float
    shunt: Floats
    slope: float


def diode_of(name: str, irradiance: Floats | float, celsius: float) -> Diode:
    """A bench's panel in a light (W/m²) at a temperature, by pvlib and De Soto.

    The shunt's conductance goes from the dark one's to that at 1000 W/m² in a straight line.
    """
    part = part_of(name, "panel")
    slope = part.ideality * part.cells * VOLTS_PER_K * (25.0 + ZERO_C)
    g = np.asarray(irradiance, float)
    _, saturation, series, _, a = pvlib.pvsystem.calcparams_desoto(
        1000.0, celsius, part.current_per_kelvin, slope, part.photocurrent,
        part.saturation_current, part.shunt_resistance, part.series_resistance,
        EgRef=1.121, dEgdT=-0.0002677,
    )  # fmt: skip
    light = g / 1000 * (part.photocurrent + part.current_per_kelvin * (celsius - 25.0))
    dark = 1 / part.dark_shunt_resistance if part.dark_shunt_resistance else 0.0
    conductance = dark + g / 1000 * (1 / part.shunt_resistance - dark)
    return Diode(light, float(saturation), float(series), 1 / conductance, float(a))


def given(diode: Diode, volts: Floats) -> Floats:
    """What a panel gives (A) at voltages (V)."""
    found: Floats = pvlib.pvsystem.i_from_v(volts, *diode, method="newton")
    return found


class Curve(NamedTuple):
    """The points of a curve as it is read, with voltages that rise; currents out of the panel."""

    volts: Floats
    amperes: Floats

    def regressed(self, name: str) -> dict[str, float]:
        """The same by regressions after ASTM E1036 (as secondary works quote it).

        A line through the points up to a fifth of the open-circuit voltage, a cubic of the voltage
        through the five of the smallest currents, and a quintic of the power through those from
        90 % of its largest up.
        """
        k = np.sort(np.argsort(np.abs(self.amperes))[:5])
        voc = float(np.polyfit(self.amperes[k], self.volts[k], 3)[-1])
        low = self.volts <= 0.2 * voc
        isc = float(np.polyfit(self.volts[low], self.amperes[low], 1)[-1])
        power = self.volts * self.amperes
        high = power >= 0.9 * power.max()
        middle = float(self.volts[high].mean())
        quintic = np.poly1d(np.polyfit(self.volts[high] - middle, power[high], 5))
        fine = np.linspace(float(self.volts[high][0]), float(self.volts[high][-1]), 200001)
        volts = float(fine[np.argmax(quintic(fine - middle))])
        pmp = float(quintic(volts - middle))
        return named(name, isc, voc, (pmp, volts, pmp / volts))


def named(
    name: str, isc: float, voc: float, maximum: tuple[float, float, float]
) -> dict[str, float]:
    """The usual figures as a result's answers."""
    pmp, vmp, imp = maximum
    return {
        f"{name}.short_circuit_current": isc, f"{name}.open_circuit_voltage": voc,
        f"{name}.maximum_power": pmp, f"{name}.maximum_power_voltage": vmp,
        f"{name}.maximum_power_current": imp, f"{name}.fill_factor": pmp / (isc * voc),
    }  # fmt: skip


def noisy(curve: Curve, volts: float, amperes: float, draw: int) -> Curve:
    """The points with white noise of these deviations (V, A)."""
    chance = np.random.default_rng(draw)
    size = len(curve.volts)
    return Curve(
        curve.volts + volts * chance.standard_normal(size),
        curve.amperes + amperes * chance.standard_normal(size),
    )


def scatters(worked_out: Callable[..., Mapping[str, float]]) -> dict[str, float]:
    """By how much noise of readings spreads each result: the deviation in twenty draws."""
    drawn = [worked_out(draw=draw) for draw in range(20)]
    return {name: float(np.std([found[name] for found in drawn])) for name in drawn[0]}


def fitted(curve: Curve, begin: Diode, kelvin: float, cells: int) -> dict[str, float]:
    """The five parameters of the single diode by scipy's least squares of the current."""
    first = np.array(
        [float(np.mean(begin.light)), np.log(begin.saturation), begin.series,
         float(np.mean(1 / begin.shunt)), begin.slope]
    )  # fmt: skip

    def away(scaled: Floats) -> Floats:
        light, saturation, series, conductance, slope = scaled * first
        across = curve.volts + series * curve.amperes
        missed: Floats = (
            light - np.exp(saturation) * np.expm1(across / slope) - across * conductance
        ) - curve.amperes
        # The equation's own error over what the current must move by to mend it.
        steep = np.exp(saturation) / slope * np.exp(across / slope) + conductance
        return missed / (1 + series * steep)

    found = least_squares(away, np.ones(5), xtol=1e-15, ftol=1e-15, gtol=1e-15).x * first
    return {
        "fit.photocurrent": float(found[0]), "fit.saturation_current": float(np.exp(found[1])),
        "fit.series_resistance": float(found[2]), "fit.shunt_resistance": float(1 / found[3]),
        "fit.ideality": float(found[4] / (cells * VOLTS_PER_K * kelvin)),
    }  # fmt: skip


@functools.cache
def in_light(
    v_gain: float = 0.0, v_offset: float = 0.0, i_gain: float = 0.0, i_offset: float = 0.0,
    sun: float = 0.0, back: float = 0.0, draw: int | None = None,
) -> Mapping[str, float]:  # fmt: skip
    """101 points down and up again, each 142 ms: settling, and three readings one after another.

    The light rises by 4 W/m² in ten minutes, and so by 0.011 % while it is swept once.
    """
    name = "sweep-panel-in-light"
    top = 1.03 * float(pvlib.pvsystem.v_from_i(0.0, *diode_of(name, 868.0, 44.0), method="newton"))

    def swept(volts: Floats, first: float, last: float, other: int = 0) -> Curve:
        moments = first + (last - first) * (volts + 0.1) / (top + 0.1)
        flows = given(diode_of(name, 868.0 + 4 * moments / 600, 44.0), volts)
        read = Curve(volts * (1 + v_gain) + v_offset, flows * (1 + i_gain) - i_offset)
        return read if draw is None else noisy(read, V_NOISE, I_NOISE, draw + other)

    even = np.linspace(-0.1, top, 101)
    rows, back_again = swept(even, 14.58, 28.78), swept(even, 14.438, 0.238, 1000)
    found = rows.regressed("curve")
    G_least, G_most = (868.0 + 4 * t / 600 + sun for t in (14.60, 28.80))
    G, T = (G_least + G_most) / 2, 44.0 + back
    pmp = found["curve.maximum_power"]
    opposite = back_again.regressed("curve")["curve.maximum_power"]
    found["G"], found["T"], found["G_least"], found["G_most"] = G, T + ZERO_C, G_least, G_most
    found["unsteady"] = (G_most - G_least) / G
    found["efficiency"] = pmp / (0.081 * G)
    found["both_ways"] = (pmp - opposite) / ((pmp + opposite) / 2)
    # The line through the twenty points up to a fifth of the open-circuit voltage, the cubic
    # through the five about it.
    found["slopes.shunt_resistance"] = -1 / float(
        np.polyfit(rows.volts[:20], rows.amperes[:20], 1)[0]
    )
    k = np.sort(np.argsort(np.abs(rows.amperes))[:5])
    cubic = np.polyfit(rows.amperes[k], rows.volts[k], 3)
    found["slopes.series_resistance"] = -float(cubic[2])
    found |= fitted(rows, diode_of(name, 868.1, 44.0), T + ZERO_C, 36)
    # IEC 60891, procedure 1, as read in secondary works, with the recipe's own coefficients.
    isc = found["curve.short_circuit_current"]
    amperes = rows.amperes + isc * (1000.0 / G - 1) + 0.3e-3 * (25.0 - T)
    volts = rows.volts - 0.9 * (amperes - rows.amperes)
    volts += -2e-3 * amperes * (25.0 - T) - 75e-3 * (25.0 - T)
    return found | Curve(volts, amperes).regressed("at_standard")


@functools.cache
def in_pulses(
    v_gain: float = 0.0, v_offset: float = 0.0, i_gain: float = 0.0, i_offset: float = 0.0,
    sun: float = 0.0, back: float = 0.0, draw: int | None = None,
) -> Mapping[str, float]:  # fmt: skip
    """61 points each way in a steady light: the ends of pulses, in which nothing moves any more."""
    name = "sweep-panel-in-pulses"
    diode = diode_of(name, 930.0, 46.0)
    top = 1.03 * float(pvlib.pvsystem.v_from_i(0.0, *diode, method="newton"))

    def swept(volts: Floats, other: int = 0) -> Curve:
        flows = given(diode, volts)
        read = Curve(volts * (1 + v_gain) + v_offset, flows * (1 + i_gain) - i_offset)
        return read if draw is None else noisy(read, FAST_V, FAST_I, draw + other)

    even = np.linspace(-0.1, top, 61)
    rows, back_again = swept(even), swept(even, 1000)
    pmp, opposite = (c.regressed("")[".maximum_power"] for c in (rows, back_again))
    found = rows.regressed("curve") | {
        "G": 930.0 + sun, "T": 46.0 + ZERO_C + back, "flatness": 0.0,
        "both_ways": (pmp - opposite) / ((pmp + opposite) / 2),
    }  # fmt: skip
    return found | fitted(rows, diode, 46.0 + ZERO_C + back, 48)


@functools.cache
def in_dark(
    v_gain: float = 0.0, v_offset: float = 0.0, small_gain: float = 0.0,
    small_offset: float = 0.0, large_gain: float = 0.0, large_offset: float = 0.0,
    about_gain: float = 0.0, back: float = 0.0,
) -> Mapping[str, float]:  # fmt: skip
    """The slope of 21 points about 0 V, and a fit of those from 20 mA to 500 mA.

    The fit takes out a shunt that holds the series resistance, too: 2500.9 Ω in place of 2500 Ω.
    """
    name = "sweep-panel-in-dark"
    diode = diode_of(name, 0.0, 21.0)
    low = np.linspace(-1.0, 1.0, 21)
    read = -given(diode, low) * (1 + about_gain)
    slope = np.polyfit(low * (1 + v_gain) + v_offset, read, 1)[0]
    R_sh, T = 1 / float(slope), 21.0 + ZERO_C + back
    volts = np.linspace(5.0, 25.0, 201)
    flows = -given(diode, volts)
    small, large = flows * (1 + small_gain) + small_offset, flows * (1 + large_gain) + large_offset
    # The range follows: 50 mA, then 500 mA.
    volts, flows = volts * (1 + v_gain) + v_offset, np.where(flows <= 50e-3, small, large)
    inside = (flows >= 20e-3) & (flows <= 0.5)
    volts, flows = volts[inside], flows[inside]
    first = np.array([diode.slope, np.log(diode.saturation), diode.series])

    def away(scaled: Floats) -> Floats:
        a, saturation, series = scaled * first
        through = flows - (volts - series * flows) / R_sh
        missed: Floats = a * np.log1p(through / np.exp(saturation)) + series * flows - volts
        return missed

    a, saturation, series = (
        least_squares(away, np.ones(3), xtol=1e-15, ftol=1e-15, gtol=1e-15).x * first
    )
    n = a / (VOLTS_PER_K * T)
    return {
        "R_sh": R_sh, "T": T, "fit.ideality": float(n), "fit.series_resistance": float(series),
        "fit.saturation_current": float(np.exp(saturation)), "ideality": float(n) / 36,
    }  # fmt: skip


LIGHT, PULSES, DARK = (f"sweep-panel-in-{how}" for how in ("light", "pulses", "dark"))
IN_LIGHT = Instrument(LIGHT, grown=1 + 0.10 * (44 - 23 - 5))
IN_PULSES = Instrument(PULSES, grown=1 + 0.10 * (46 - 23 - 5))
IN_DARK = Instrument(DARK)
"""At 44 °C and 46 °C readings are off by 10 % more for each kelvin above 28 °C."""
COLD_METER = 2.0
"""The meter's errors when it is cold; it warms in 25 min, and has 8 % a kelvin above 28 °C."""


def sensors(name: str, celsius: float, irradiance: float) -> dict[str, float]:
    """The limits of the pyranometer (100 kW/m² a volt) and the thermometer (12.5 K a volt)."""
    found = {}
    grown = COLD_METER * (1 + 0.08 * max(celsius - 23 - 5, 0.0))
    if irradiance:
        sun = Instrument(name, "sun", grown)
        limit = sun.measures("V", 0.12).at(irradiance * 1e-5)
        found["sun"] = (limit + SIGMAS * sun.noise("V", 0.12)) * 1e5
    back = Instrument(name, "back", grown)
    limit = back.measures("V", 12.0).at((celsius + 40) / 12.5)
    return found | {"back": (limit + SIGMAS * back.noise("V", 12.0)) * 12.5}


def readings(smu: Instrument, full_scale: float) -> dict[str, float]:
    """The limits of voltage on 40 V and of current on a range."""
    volts, amperes = smu.measures("V", 40.0), smu.measures("A", full_scale)
    return {
        "v_gain": volts.share, "v_offset": volts.plus,
        "i_gain": amperes.share, "i_offset": amperes.plus,
    }  # fmt: skip


def truth(name: str, irradiance: float, celsius: float) -> dict[str, float]:
    """Short circuit, open circuit and maximum by pvlib's own bracketed search."""
    return dict(pvlib.pvsystem.singlediode(*diode_of(name, irradiance, celsius), method="brentq"))


NOON, TRUE = truth(LIGHT, 868.1446667, 44.0), truth(PULSES, 930.0, 46.0)
QUINTIC = "a quintic through the top tenth of the power, which is no polynomial"
CUBIC = "a cubic through five points, which the logarithm is not"
FALLS = "the light rises by 0.011 % in the sweep, so that the current falls less with the voltage"

I_NOISE, V_NOISE = IN_LIGHT.noise("A", 5.0), IN_LIGHT.noise("V", 40.0)
FAST_I, FAST_V = IN_PULSES.noise("A", 12.0, 1 / 40), IN_PULSES.noise("V", 40.0, 1 / 40)

JOBS = [
    Job(
        LIGHT,
        in_light,
        readings(IN_LIGHT, 5.0) | sensors(LIGHT, 44.0, 868.0),
        scatter=scatters(in_light)
        | {"unsteady": 2 * Instrument(LIGHT, "sun").noise("V", 0.12) * 1e5 / 868},
        biases={
            "curve.short_circuit_current": Bias(NOON["i_sc"], -5.4e-5, "read when it was dimmer"),
            "curve.open_circuit_voltage": Bias(NOON["v_oc"], 1.11e-5, CUBIC),
            "curve.maximum_power": Bias(NOON["p_mp"], 4.1e-5, QUINTIC + "; brighter by then"),
            "curve.maximum_power_voltage": Bias(NOON["v_mp"], 4.4e-5, QUINTIC),
            "fit.shunt_resistance": Bias(982.948, 2.9e-3, FALLS),
        },
        seeds=(0, 1, 2, 3),
    ),
    Job(
        PULSES,
        in_pulses,
        readings(IN_PULSES, 12.0) | sensors(PULSES, 46.0, 930.0),
        # Means of 25 samples of 20 µs, early and late in the pulse; and pick-up from the mains.
        scatter=scatters(in_pulses)
        | {"flatness": 2 * IN_PULSES.noise("A", 12.0, 1 / 1000) / 5 / 8.1 + 250e-6 / 8.1},
        near={
            "flatness": (1e-9, "rounding"),
            "both_ways": (1e-9, "rounding"),
        },
        biases={
            "curve.open_circuit_voltage": Bias(TRUE["v_oc"], 1.26e-5, CUBIC),
            "curve.maximum_power": Bias(TRUE["p_mp"], 1.42e-5, QUINTIC),
            "curve.maximum_power_voltage": Bias(TRUE["v_mp"], -1.59e-4, QUINTIC),
            "curve.maximum_power_current": Bias(TRUE["i_mp"], 1.74e-4, QUINTIC),
        },
        # At rest on its exact open-circuit voltage the simulated inductance takes a minute to
        # follow. Of 5 ms it is over after some 10 µs: the pulse's end doesn't know of it.
        replaced={', loop_inductance = "3 uH"': ""},
        seeds=(0,),
    ),
    Job(
        DARK,
        in_dark,
        {
            "v_gain": IN_DARK.measures("V", 40.0).share,
            "v_offset": IN_DARK.measures("V", 40.0).plus,
            "small_gain": IN_DARK.measures("A", 50e-3).share,
            "small_offset": IN_DARK.measures("A", 50e-3).plus,
            "large_gain": IN_DARK.measures("A", 0.5).share,
            "large_offset": IN_DARK.measures("A", 0.5).plus,
            "about_gain": IN_DARK.measures("A", 500e-6).share,
        }
        | sensors(DARK, 21.0, 0.0),
        scatter={
            # The slope of 21 points over 2 V, of voltages with noise.
            "R_sh": IN_DARK.noise("V", 40.0) / (21**0.5 * 0.6) * 2500,
            "fit.series_resistance": IN_DARK.noise("V", 40.0) / 0.2,
        },
        biases={
            "R_sh": Bias(2500.0, 3.6e-4, "0.9 Ω in series with 2500 Ω"),
            "fit.series_resistance": Bias(0.9, -3.1e-4, "the shunt taken out holds 0.9 Ω, too"),
            "ideality": Bias(1.05, 7.6e-5, "the same"),
        },
        seeds=(0, 1, 2, 3),
    ),
]
