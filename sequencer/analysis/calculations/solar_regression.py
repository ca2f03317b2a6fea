"""The regressions that a solar curve's key figures rest on: about 0 V, no current, most power.

Pure functions of a curve; they know no light and no area.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from grammar.quantity import CURRENT, POWER, VOLTAGE, write
from sequencer.analysis.calculations.readings import (
    Floats,
    NotWorkedOut,
    counted,
    require_readings,
)
from sequencer.analysis.calculations.regression import (
    Straight,
    polynomial,
    run_around,
    straight,
)

# The windows and orders of the three regressions. Over every hundredth module of a public library,
# 101 noise-free points each, they leave up to 1e-6 of the short-circuit current, 3e-5 of the
# open-circuit voltage, 5e-5 of the maximum power and 5e-4 of its voltage (held by a test).
_AXIS_WITHIN = 0.2
_LEAST_AT_SHORT, _LEAST_AT_OPEN = 3, 5
_OPEN_ORDER = 3
PEAK_FROM = 0.9
_PEAK_ORDER = 5
_LEAST_AT_PEAK = _PEAK_ORDER + 3
# A curve that ends as near to short circuit is drawn on to it by its line: one that was moved to a
# lower temperature begins there. Common practice, no source.
_SHORT_WITHIN = 0.1
# A curve that ends as near to open circuit reaches it. ASTM E1036, from memory.
_OPEN_WITHIN = 0.001
# A hump that the polynomial leaves by as much is not one hump. Common practice, no source.
_PEAK_LEFT = 0.01


class Curve(NamedTuple):
    """A curve in the order of its voltage (V, shape (n,)), the current positive out of the part."""

    voltage: Floats
    current: Floats


class AtShort(NamedTuple):
    """The line of current over voltage about 0 V, how many readings it rests on, and from which
    voltage (V) it is drawn on to 0 V, if it is."""

    line: Straight
    readings: int
    drawn_from: float

    @property
    def current(self) -> float:
        """The short-circuit current (A)."""
        return self.line.at_zero

    @property
    def method(self) -> str:
        """What it is, in words."""
        drawn = f" drawn on from {_volts(self.drawn_from)}" if self.drawn_from else ""
        return f"line through {counted(self.readings, 'reading')} about 0 V{drawn}"


class AtOpen(NamedTuple):
    """Voltage (V) at no current, dV/dI (Ω) there, and how many readings they rest on."""

    voltage: float
    slope: float
    readings: int


class AtPeak(NamedTuple):
    """The maximum power (W), its voltage (V), and how many readings they rest on."""

    power: float
    voltage: float
    readings: int


def curve_of(time: Floats, voltage: Floats, current: Floats) -> Curve:
    """The curve of a part in light, of both axes at least.

    Raises:
        NotWorkedOut: fewer than eight readings, NaN, over range, time that does not rise, no
            reading at 0 V (to 10 % of the largest voltage) or below, current into the part there,
            none at no current (to 0.1 % of that at short circuit) or beyond.
    """
    require_readings(time, _LEAST_AT_PEAK, voltage=voltage, current=current)
    order = np.argsort(voltage, kind="stable")
    v, i = voltage[order], -current[order]
    if v[0] > _SHORT_WITHIN * v[-1] or v[-1] <= 0:
        end = f"its lowest is {_volts(v[0])}" if v[0] > 0 else f"its highest is {_volts(v[-1])}"
        raise NotWorkedOut(
            f"the voltage doesn't go from short circuit to open circuit: {end}",
            "a sweep from a little below 0 V to a little beyond open circuit",
        )
    at_short = float(i[np.argmin(np.abs(v))])
    if at_short <= 0:
        raise NotWorkedOut(
            f"at short circuit {write(-at_short, CURRENT)} flow into the part (wrong sign)",
            "light on it, and its plus at high",
        )
    if np.min(i[v > 0]) > _OPEN_WITHIN * at_short:
        raise NotWorkedOut(
            f"the voltage ends at {_volts(v[-1])}, where the part still gives "
            f"{write(float(i[-1]), CURRENT)}",
            "a sweep to a little beyond open circuit",
        )
    return Curve(v, i)


def about_short(curve: Curve) -> AtShort:
    """The line about 0 V; see `solar_curve`. Raises NotWorkedOut where readings are too few."""
    v, i = curve
    forward = v > 0
    open_voltage = v[forward][np.argmin(np.abs(i[forward]))]
    near = np.abs(v) <= _AXIS_WITHIN * open_voltage
    found = int(np.sum(near))
    if found < _LEAST_AT_SHORT or np.ptp(v[near]) == 0:
        raise NotWorkedOut(
            f"there {_are(found)} within {100 * _AXIS_WITHIN:g} % of the open-circuit voltage "
            "about 0 V",
            f"at least {_LEAST_AT_SHORT} there, at voltages that differ",
        )
    return AtShort(straight(v[near], i[near]), found, max(0.0, float(v[0])))


def about_open(curve: Curve, short: AtShort) -> AtOpen:
    """The cubic about no current; see `solar_curve`. Raises NotWorkedOut where it gives none."""
    v, i = curve
    near = np.flatnonzero(np.abs(i) <= _AXIS_WITHIN * short.current)
    if len(near) < _LEAST_AT_OPEN:
        near = np.argpartition(np.abs(i), _LEAST_AT_OPEN - 1)[:_LEAST_AT_OPEN]
    scale = float(np.max(np.abs(i[near])))
    fitted = polynomial(i[near] / scale, v[near], _OPEN_ORDER) if scale else None
    aside = _OPEN_WITHIN * np.max(v)
    if fitted is None or not np.min(v[near]) <= fitted[0][0] <= np.max(v[near]) + aside:
        raise NotWorkedOut(
            f"the {counted(len(near), 'reading')} nearest to open circuit don't give its voltage",
            "readings closer by on both sides of it, at currents that differ",
        )
    return AtOpen(float(fitted[0][0]), float(fitted[0][1]) / scale, len(near))


def strongest(curve: Curve) -> AtPeak:
    """The quintic's maximum; see `solar_curve`. Raises NotWorkedOut where it gives none."""
    power = curve.voltage * curve.current
    row = int(np.argmax(power))
    run = run_around(row, power >= PEAK_FROM * power[row])
    voltage, power = curve.voltage[run], power[run]
    if len(power) < _LEAST_AT_PEAK:
        raise NotWorkedOut(
            f"there {_are(len(power))} from {100 * PEAK_FROM:g} % of the largest power up",
            f"at least {_LEAST_AT_PEAK} there: points closer by",
        )
    centre, half = (voltage[-1] + voltage[0]) / 2, (voltage[-1] - voltage[0]) / 2
    fitted = polynomial((voltage - centre) / half, power, _PEAK_ORDER) if half else None
    if fitted is None:
        raise NotWorkedOut(
            "the readings about maximum power repeat the same few voltages",
            "points at voltages that differ",
        )
    shape, left = fitted
    if left > _PEAK_LEFT * np.max(power):
        raise NotWorkedOut(
            f"about maximum power the readings leave a smooth curve by {write(left, POWER, 2)} on "
            "average: a bypass diode's step, light that changes, or noise",
            f"a curve that is smooth there to {100 * _PEAK_LEFT:g} %",
        )
    hump = np.polynomial.Polynomial(shape)
    flat = hump.deriv().roots()
    inside = flat.real[(np.abs(flat.imag) < 1e-9) & (np.abs(flat.real) <= 1)]
    if len(inside) == 0:
        raise NotWorkedOut(
            "the power only rises or falls over the readings",
            "readings on both sides of maximum power",
        )
    there = inside[np.argmax(hump(inside))]
    return AtPeak(float(hump(there)), float(centre + half * there), len(power))


def _are(number: int) -> str:
    return "is 1 reading" if number == 1 else f"are {counted(number, 'reading')}"


def _volts(value: float) -> str:
    return write(float(value), VOLTAGE)
