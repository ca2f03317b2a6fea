"""Calculations for solar cells and modules: the key figures of a curve, by regression.

Pure functions of arrays of shape (n,). The readings' current is positive into the part, so that a
part in light has a negative one; currents and powers that come out are positive out of it.
"""

from __future__ import annotations

from grammar.quantity import IRRADIANCE, LENGTH, POWER, write
from sequencer.analysis.calculations.readings import Calculated, Floats, NotWorkedOut, Several
from sequencer.analysis.calculations.shunt import no_shunt
from sequencer.analysis.calculations.solar_regression import (
    PEAK_FROM,
    about_open,
    about_short,
    curve_of,
    strongest,
)


def solar_curve(time: Floats, voltage: Floats, current: Floats) -> Several:
    """The key figures of a curve, by regression about each of them.

    Equations: I_sc = a of the line I = a + b V through the readings within 20 % of the open-circuit
    voltage of 0 V, drawn on to it where the curve begins up to a tenth of it above; V_oc = c_0 of
    the cubic V = Σ c_k I^k through those within 20 % of I_sc of no current, the five nearest at
    least; P_mp and V_mp where the quintic P = Σ d_k V^k through the unbroken run of readings from
    90 % of the largest power up has its maximum; I_mp = P_mp/V_mp and FF = P_mp/(I_sc V_oc). A
    quartic over a wider window would be biased by up to 0.4 % of P_mp; what these leave stands
    beside their constants.

    Args:
        time: time of each reading (s), shape (n,), rising.
        voltage: voltage across the part (V), shape (n,), in any order.
        current: current into the part (A), shape (n,); negative where it gives.

    Returns:
        "short_circuit_current", "open_circuit_voltage", "maximum_power", "maximum_power_voltage",
        "maximum_power_current" (A, V, W, positive out of the part) and "fill_factor".

    Raises:
        NotWorkedOut: what `curve_of` refuses, too few readings about an axis or the maximum, no
            maximum, a step of a bypass diode at the maximum.

    Source: after ASTM E1036, with other windows and orders (as pvlib quotes it); checked against
    pvlib's precise curves and its module library.
    """
    curve = curve_of(time, voltage, current)
    short, peak = about_short(curve), strongest(curve)
    at_open = about_open(curve, short)
    return Several(
        {
            "short_circuit_current": short.current,
            "open_circuit_voltage": at_open.voltage,
            "maximum_power": peak.power,
            "maximum_power_voltage": peak.voltage,
            "maximum_power_current": peak.power / peak.voltage,
            "fill_factor": peak.power / (short.current * at_open.voltage),
        },
        f"regressions after ASTM E1036: {short.method}, cubic through {at_open.readings} about "
        f"open circuit, quintic of the power through {peak.readings} from {100 * PEAK_FROM:g} % of "
        "its maximum up",
    )


def solar_efficiency(
    time: Floats, voltage: Floats, current: Floats, area: float, irradiance: float
) -> Calculated:
    """Efficiency: maximum power over the power of the light on the area.

    Equation: η = P_mp/(A G), with P_mp as `solar_curve` has it.

    Args:
        time: time of each reading (s), shape (n,), rising.
        voltage: voltage across the part (V), shape (n,).
        current: current into the part (A), shape (n,); negative where it gives.
        area: the area A that the light falls on (m²).
        irradiance: the irradiance G in its plane (W/m²).

    Returns:
        The efficiency (1).

    Raises:
        NotWorkedOut: what `solar_curve` refuses, no area, no light, more power than the light has.

    Source: definition, IEC 60904-1 (from memory).
    """
    light = area * irradiance
    if not (area > 0 and irradiance > 0):
        raise NotWorkedOut(
            f"no light falls on {write(area, LENGTH.power(2))} at {write(irradiance, IRRADIANCE)}",
            "an area and an irradiance above zero",
        )
    power = strongest(curve_of(time, voltage, current)).power
    if power > light:
        raise NotWorkedOut(
            f"the part gives {write(power, POWER)} of {write(light, POWER)} of light",
            "the right area and irradiance",
        )
    return Calculated(
        power / light,
        f"maximum power over {write(light, POWER)} of light at {write(irradiance, IRRADIANCE)}",
    )


def solar_resistances(time: Floats, voltage: Floats, current: Floats) -> Several:
    """Series and shunt resistance from the slopes of the curve at open and at short circuit.

    Equations: R_s = −dV/dI at I = 0, of the cubic, and R_sh = −1/(dI/dV) at V = 0, of the line, of
    `solar_curve`. The slope at open circuit holds the diode's own a/I_sc beside the series
    resistance (a = n N k T/q), which `single_diode_fit` tells apart.

    Args:
        time: time of each reading (s), shape (n,), rising.
        voltage: voltage across the part (V), shape (n,).
        current: current into the part (A), shape (n,); negative where it gives.

    Returns:
        "series_resistance" and "shunt_resistance" (Ω). The second is refused by itself where the
        slope at short circuit can't be told from none, that is within three standard errors.

    Raises:
        NotWorkedOut: what `solar_curve` refuses of the two axes, a slope of the wrong sign.

    Source: common practice, no source; checked against the derivatives of the single-diode model.
    """
    curve = curve_of(time, voltage, current)
    short = about_short(curve)
    at_open = about_open(curve, short)
    if at_open.slope >= 0:
        raise NotWorkedOut(
            "the voltage doesn't fall with the current about open circuit",
            "more readings there, or less noise",
        )
    values, refused = {"series_resistance": -at_open.slope}, {}
    if short.line.slope < 0 and short.line.stands_out:
        values["shunt_resistance"] = -1 / short.line.slope
    else:
        refused["shunt_resistance"] = no_shunt(short.line)
    return Several(
        values,
        f"slopes of the curve: at open circuit through {at_open.readings} readings, the diode's "
        f"own slope included; at short circuit, {short.method}",
        refused,
    )


def direction_difference(
    upward_time: Floats,
    upward_voltage: Floats,
    upward_current: Floats,
    downward_time: Floats,
    downward_voltage: Floats,
    downward_current: Floats,
) -> Calculated:
    """Difference of maximum power between the two directions of a sweep, over their mean.

    Equation: 2 (P_up − P_down)/(P_up + P_down), each P_mp as `solar_curve` has it. A part whose own
    capacitance is charged by a sweep reads low on the way up and high on the way down.

    Args:
        upward_time: time of each reading of the sweep up (s), shape (n,), rising.
        upward_voltage: voltage across the part (V), shape (n,).
        upward_current: current into the part (A), shape (n,); negative where it gives.
        downward_time: time of each reading of the sweep down (s), shape (m,), rising.
        downward_voltage: voltage across the part (V), shape (m,).
        downward_current: current into the part (A), shape (m,).

    Returns:
        The difference (1), positive where the sweep up gave more.

    Raises:
        NotWorkedOut: what `solar_curve` refuses of either, two sweeps in the same direction.

    Source: common practice, no source.
    """
    up = strongest(curve_of(upward_time, upward_voltage, upward_current)).power
    down = strongest(curve_of(downward_time, downward_voltage, downward_current)).power
    if not upward_voltage[0] < upward_voltage[-1] or not downward_voltage[0] > downward_voltage[-1]:
        raise NotWorkedOut(
            "the two sweeps don't go the one up and the other down",
            "first a sweep from short circuit to open circuit, then one back",
        )
    return Calculated(
        2 * (up - down) / (up + down),
        f"maximum power {write(up, POWER)} upward and {write(down, POWER)} downward",
    )
