"""Calculations for diodes and LEDs: the three figures of a forward curve.

A pure function of arrays of shape (n,).
"""

from __future__ import annotations

import math

import numpy as np

from grammar.quantity import CURRENT, RESISTANCE, TEMPERATURE_POINT, VOLTAGE, write
from sequencer.analysis.calculations.fitting import Fit, linear_fit
from sequencer.analysis.calculations.physics import VOLTS_PER_KELVIN, require_temperature
from sequencer.analysis.calculations.readings import (
    Ends,
    Floats,
    NotWorkedOut,
    Several,
    counted,
    require_readings,
    within,
)
from sequencer.analysis.calculations.regression import STANDS_OUT

_LEAST = 4
_ROUNDS = 100
# Readings that leave the law by as much of n k T/q, root mean square, are not those of a diode and
# a resistance: the current would be off by a tenth. Common practice, no source.
_LEFT = 0.1


def diode_fit(
    time: Floats,
    voltage: Floats,
    current: Floats,
    temperature: float,
    between: Ends | None = None,
    shunt: float = math.inf,
) -> Several:
    """Ideality, saturation current and series resistance of a forward curve.

    Equation: V = a ln(I_d/I_0 + 1) + R_s I with a = n k T/q and I_d = I − (V − R_s I)/R_sh, by
    least squares of the voltage, every reading weighted alike. It is linear in a, a ln I_0 and R_s
    but for ln(I_d + I_0), which is iterated. Of diodes in series it gives those of all of them: n
    is N times that of one. The temperature is the junction's own, the same in all readings: a large
    current heats it, and pulls n and R_s away. Where a shunt carries nearly all of the current its
    own error rules: leave the lower end out by `between`.

    Args:
        time: time of each reading (s), shape (n,), rising.
        voltage: forward voltage (V), shape (n,).
        current: forward current (A), shape (n,), in any order.
        temperature: temperature T of the junction (K).
        between: two currents (A), both in; all readings if None.
        shunt: the resistance R_sh (Ω) in parallel, behind R_s; none if infinite.

    Returns:
        "ideality" n (1), "saturation_current" I_0 (A), "series_resistance" R_s (Ω). The last is
        refused by itself where it lies below zero by more than three standard errors.

    Raises:
        NotWorkedOut: fewer than four readings between the currents, a current that isn't forward
            or no more than the shunt's, currents too close for a slope, readings that leave the law
            by more than a tenth of a, no temperature, no shunt above 0 Ω, NaN, over range, time
            that does not rise.

    Source: Shockley's equation with a resistance in series; checked against closed forms.
    """
    require_temperature(temperature)
    require_readings(time, 1)
    low, high = (-math.inf, math.inf) if between is None else (min(between), max(between))
    inside = within(current, (low, high)) if between else np.ones(len(time), dtype=bool)
    require_readings(time, 1, inside, voltage=voltage, current=current)
    v, i = voltage[inside], current[inside]
    if len(i) < _LEAST or len(np.unique(i)) < _LEAST:
        raise NotWorkedOut(
            f"the curve has {counted(len(i), 'reading')} at {len(np.unique(i))} currents to go by",
            f"at least {_LEAST}, at currents that differ",
        )
    if np.min(i) <= 0:
        row = int(np.flatnonzero(inside)[np.argmin(i)])
        raise NotWorkedOut(
            f"in row {row + 1} {write(float(np.min(i)), CURRENT)} flow, which is not forward",
            "a span of currents above the noise, or anode and cathode the right way round",
        )
    if not shunt > 0:
        raise NotWorkedOut(f"the shunt is {write(shunt, RESISTANCE)}", "one above 0 ohm")
    fit, saturation = _law(v, i, shunt)
    slope, _, resistance = (float(c) for c in fit.coefficients)
    slope_error, _, resistance_error = (float(u) for u in fit.uncertainties)
    if slope <= STANDS_OUT * slope_error:
        raise NotWorkedOut(
            "the voltage doesn't rise with the logarithm of the current by more than it scatters",
            "currents over some decades, of which the lowest heat nothing",
        )
    if fit.deviation > _LEFT * slope:
        raise NotWorkedOut(
            f"the readings leave the law of a diode and a resistance by "
            f"{write(fit.deviation, VOLTAGE, 2)} on average",
            "a span of currents in which the diode alone conducts: above its shunt, below what "
            "heats it",
        )
    values = {
        "ideality": slope / (VOLTS_PER_KELVIN * temperature),
        "saturation_current": saturation,
    }
    refused = {}
    if resistance < -STANDS_OUT * resistance_error and resistance * np.max(i) < -1e-9 * slope:
        refused["series_resistance"] = NotWorkedOut(
            "the voltage rises less with the current than the diode alone would: it warms up, or a "
            "lead's voltage is missing",
            "pulses, or a span of currents that doesn't heat it",
        )
    else:
        values["series_resistance"] = resistance
    beside = "" if math.isinf(shunt) else f" beside {write(shunt, RESISTANCE)}"
    return Several(
        values,
        f"V = a ln(I/I0 + 1) + Rs I{beside} by least squares of the voltage through "
        f"{counted(len(i), 'reading')} from {write(float(np.min(i)), CURRENT)} to "
        f"{write(float(np.max(i)), CURRENT)} at {write(temperature, TEMPERATURE_POINT)}, "
        f"{write(fit.deviation, VOLTAGE, 2)} left",
        refused,
    )


def _law(voltage: Floats, current: Floats, shunt: float) -> tuple[Fit, float]:
    """The law's fit with a, −a ln I_0 and R_s, and I_0 (A)."""
    saturation, resistance = 0.0, 0.0
    for _ in range(_ROUNDS):
        alone = current - (voltage - resistance * current) / shunt
        if np.min(alone) <= -saturation:
            raise NotWorkedOut(
                f"at {write(float(current[np.argmin(alone)]), CURRENT)} the shunt of "
                f"{write(shunt, RESISTANCE)} takes all of it",
                "a span of currents above the shunt's",
            )
        basis = np.column_stack((np.log(alone + saturation), np.ones(len(current)), current))
        fit = linear_fit(basis, voltage)
        slope, offset, found_resistance = (float(c) for c in fit.coefficients)
        if slope <= 0:
            return fit, saturation
        found = math.exp(min(-offset / slope, 700.0))
        moved = abs(found_resistance - resistance) * np.max(current)
        if abs(found - saturation) <= 1e-13 * found and moved <= 1e-13 * slope:
            return fit, found
        saturation, resistance = found, found_resistance
    raise NotWorkedOut(
        "the saturation current doesn't come to rest in the fit",
        "currents well above the saturation current",
    )
