"""The single-diode model of a solar part: its current at a voltage, and its fit to a curve.

    I = I_ph − I_0 (exp(u/a) − 1) − G u,   u = V + R_s I,   a = n N k T/q

with I positive out of the part and G = 1/R_sh. Pure functions of arrays; the model is also that of
`drivers/simulated/parts/lit_junction.py`, which solves it another way, for one voltage at a time.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from grammar.quantity import CURRENT, TEMPERATURE_POINT, write
from sequencer.analysis.calculations.physics import VOLTS_PER_KELVIN, require_temperature
from sequencer.analysis.calculations.readings import Floats, NotWorkedOut, Several, counted
from sequencer.analysis.calculations.regression import STANDS_OUT, Straight
from sequencer.analysis.calculations.shunt import no_shunt
from sequencer.analysis.calculations.solar_regression import (
    Curve,
    about_open,
    about_short,
    curve_of,
)

_ROUNDS = 100
_LARGEST_EXPONENT = 700.0
_EVALUATIONS = 500
# V_oc/a from which the fit starts; it ends alike from 4 to 60, as far as parts go.
_STEEPNESS = 25.0
# Of V_oc: the model has no breakdown far below 0 V, and far beyond open circuit a part is warm.
_BEYOND = 1.5
# A shunt that takes less of I_sc at V_oc is the rounding of the fit, however little it scatters.
_ROUNDING = 1e-10
# A curve that the model leaves by as much of I_sc, root mean square, is not that of one diode: a
# module with a shaded cell leaves it by 5 % and more. Common practice, no source.
_LEFT = 0.01


class SingleDiode(NamedTuple):
    """The model's parameters: `photocurrent` I_ph and `saturation` I_0 (A), `series` R_s (Ω),
    `conductance` G (S), `slope_voltage` a (V)."""

    photocurrent: float
    saturation: float
    series: float
    conductance: float
    slope_voltage: float

    def current(self, voltage: Floats) -> Floats:
        """The current out of the part (A) at voltages across it (V), both of shape (n,).

        By Newton's method on u, from above: f(u) = u − V − R_s I(u) rises and is convex, so that it
        comes down on the root without passing it. Infinite shunts need no care in it.
        """
        _, saturation, series, conductance, slope = self
        photocurrent = self.photocurrent
        u = voltage.copy()
        if series > 0:
            # The exponential is above 0, and where u is, it takes no more than all there is.
            most = voltage + series * (photocurrent + saturation)
            u = most / (1 + series * conductance)
            large = most > series * saturation
            # In logarithms, since the product may be less than a float holds.
            logarithm = np.log(most[large]) - math.log(series) - math.log(saturation)
            u[large] = np.minimum(u[large], slope * logarithm)
            for _ in range(_ROUNDS):
                grown = saturation * np.exp(np.minimum(u / slope, _LARGEST_EXPONENT))
                given = photocurrent - grown + saturation - conductance * u
                step = (u - voltage - series * given) / (1 + series * (grown / slope + conductance))
                u = u - step
                # What is left is of the order of the last step's square.
                if np.all(np.abs(step) <= 1e-9 * slope):
                    break
        grown = saturation * np.expm1(np.minimum(u / slope, _LARGEST_EXPONENT))
        current: Floats = photocurrent - grown - conductance * u
        return current

    def gradient(self, voltage: Floats) -> tuple[Floats, Floats]:
        """The current (A), shape (n,), and its derivatives by the five parameters, shape (n, 5)."""
        _, saturation, series, conductance, slope = self
        current = self.current(voltage)
        u = voltage + series * current
        exponent = np.minimum(u / slope, _LARGEST_EXPONENT)
        steep = saturation / slope * np.exp(exponent)
        by_u = steep + conductance
        partial = np.stack(
            (np.ones(len(u)), -np.expm1(exponent), -by_u * current, -u, steep * u / slope), axis=1
        )
        return current, partial / (1 + series * by_u)[:, np.newaxis]


def single_diode_fit(
    time: Floats, voltage: Floats, current: Floats, temperature: float, in_series: float = 1.0
) -> Several:
    """The five parameters of the single-diode model, fitted to a curve in light.

    Equation: that of this module, by least squares of the current, every reading from −V_oc to
    1.5 V_oc weighted alike; iterated (scipy's trust-region method with the derivatives above, R_s
    and G at or above 0). I_0 is carried as the diode's current at open circuit, since I_0 and a
    alone would go together.

    Args:
        time: time of each reading (s), shape (n,), rising.
        voltage: voltage across the part (V), shape (n,).
        current: current into the part (A), shape (n,); negative where it gives.
        temperature: temperature T of its cells (K).
        in_series: the number N of cells in series.

    Returns:
        "photocurrent" and "saturation_current" (A), "series_resistance" and "shunt_resistance" (Ω),
        "ideality" n of one cell. A shunt whose conductance lies within three standard errors of
        none is refused by itself.

    Raises:
        NotWorkedOut: what `solar_curve` refuses of the two axes, no temperature, no cells, a curve
            that the model leaves by more than 1 % of the short-circuit current, no end of the fit.

    Source: the model as pvlib has it; checked against its parameters and curves.
    """
    require_temperature(temperature)
    if not 1 <= in_series < math.inf:
        raise NotWorkedOut(f"{in_series:g} cells in series", "how many they are, from 1 up")
    curve = curve_of(time, voltage, current)
    short = about_short(curve)
    open_voltage = about_open(curve, short).voltage
    near = (curve.voltage >= -open_voltage) & (curve.voltage <= _BEYOND * open_voltage)
    curve = Curve(curve.voltage[near], curve.current[near])
    fit = _Fit(short.current, open_voltage)
    found = fit.least(curve)
    if not found.ended:
        raise NotWorkedOut(
            f"the fit doesn't come to rest within {_EVALUATIONS} steps",
            "a curve that a single diode with two resistances can follow",
        )
    if found.left > _LEFT * short.current:
        raise NotWorkedOut(
            f"the curve leaves a single diode's by {write(found.left, CURRENT, 2)} on average",
            "a part in even light, whose bypass diodes don't conduct, and light that is steady",
        )
    five = fit.parameters(found.place)
    ideality = five.slope_voltage / (in_series * VOLTS_PER_KELVIN * temperature)
    values = {
        "photocurrent": five.photocurrent,
        "saturation_current": five.saturation,
        "series_resistance": five.series,
        "ideality": ideality,
    }
    refused = {}
    if five.conductance > STANDS_OUT * found.conductance_error:
        values["shunt_resistance"] = 1 / five.conductance
    else:
        refused["shunt_resistance"] = no_shunt(
            Straight(five.conductance, 0.0, found.conductance_error)
        )
    return Several(
        values,
        f"single-diode model, least squares of the current over "
        f"{counted(len(curve.voltage), 'reading')}, {write(found.left, CURRENT, 2)} left; "
        f"{in_series:g} in series at {write(temperature, TEMPERATURE_POINT)}",
        refused,
    )


class _Found(NamedTuple):
    """Where the fit ended, or hasn't: its place, the current left (A, root mean square), the error
    of G (S)."""

    ended: bool
    place: Floats
    left: float
    conductance_error: float


class _Fit:
    """The parameters scaled for a fit: of the order of 1, and apart from one another.

    `place` is I_ph/I_sc, ln(I_0 exp(V_oc/a)/I_sc), R_s I_sc/V_oc, G V_oc/I_sc, ln(V_oc/a).
    """

    def __init__(self, short_current: float, open_voltage: float) -> None:
        self._current = short_current
        self._voltage = open_voltage

    def parameters(self, place: Floats) -> SingleDiode:
        photo, at_open, series, conductance, logarithm = (float(x) for x in place)
        steepness = math.exp(min(logarithm, 6.0))
        ohm = self._voltage / self._current
        return SingleDiode(
            photo * self._current,
            self._current * math.exp(at_open - steepness),
            series * ohm,
            conductance / ohm,
            self._voltage / steepness,
        )

    def least(self, curve: Curve) -> _Found:
        """Fit the curve."""
        from scipy.optimize import least_squares

        start = np.array([1.0, 0.0, 0.1 / _STEEPNESS, 0.01, math.log(_STEEPNESS)])
        scale, ohm = self._current, self._voltage / self._current

        def residuals(at: Floats) -> Floats:
            left: Floats = (self.parameters(at).current(curve.voltage) - curve.current) / scale
            return left

        def derivatives(at: Floats) -> NDArray[np.float64]:
            five = self.parameters(at)
            by = five.gradient(curve.voltage)[1]
            steepness = self._voltage / five.slope_voltage
            by_at_open = by[:, 1] * five.saturation
            by_logarithm = -by[:, 4] * five.slope_voltage - by_at_open * steepness
            return np.stack(
                (by[:, 0], by_at_open / scale, by[:, 2] * ohm / scale, by[:, 3] / ohm / scale,
                 by_logarithm / scale),
                axis=1,
            )  # fmt: skip

        low = np.array([0.0, -20.0, 0.0, 0.0, 0.0])
        high = np.array([10.0, 20.0, 10.0, 100.0, 6.0])
        done = least_squares(
            residuals, start, derivatives, bounds=(low, high), x_scale="jac",
            xtol=1e-15, ftol=1e-15, gtol=1e-15, max_nfev=_EVALUATIONS,
        )  # fmt: skip
        variance = float(2 * done.cost) / max(len(curve.voltage) - len(start), 1)
        spread = np.linalg.pinv(done.jac.T @ done.jac)[3, 3] * variance
        left = scale * math.sqrt(2 * done.cost / len(curve.voltage))
        return _Found(done.status > 0, done.x, left, max(math.sqrt(spread), _ROUNDING) / ohm)
