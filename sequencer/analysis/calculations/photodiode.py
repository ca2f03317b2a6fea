"""Calculations for photodiodes: responsivity, dark current, quantum efficiency.

Pure functions of arrays of shape (n,). Currents are into the diode: anode at high, light makes them
negative. What a diode's shunt is stands in `shunt.py`.
"""

from __future__ import annotations

import math

import numpy as np

from grammar.quantity import CURRENT, LENGTH, POWER, VOLTAGE, write
from sequencer.analysis.calculations.physics import (
    ELEMENTARY_CHARGE_C,
    LIGHT_M_PER_S,
    PLANCK_J_S,
)
from sequencer.analysis.calculations.readings import (
    Calculated,
    Ends,
    Floats,
    NotWorkedOut,
    counted,
    in_part,
    require_readings,
)
from sequencer.analysis.calculations.regression import STANDS_OUT

# Below it what flows is the offset over the shunt, as for `shunt_resistance`. Common practice, no
# source.
_LEAST_BIAS_V = 0.01


def responsivity(
    time: Floats, current: Floats, limited: Floats, light: float, dark: float = 0.0
) -> Calculated:
    """Responsivity: photocurrent less the dark current over the power of the light.

    Equation: R = −(ī − I_dark)/P, with the mean ī of the readings; the photocurrent flows out of
    the anode.

    Args:
        time: time of each reading (s), shape (n,), rising.
        current: current into the diode in light (A), shape (n,).
        limited: 1 where the limit was in control, else 0, shape (n,).
        light: power P of the light on it (W).
        dark: current I_dark into the diode in the dark (A), of the sign that it was read with.

    Returns:
        The responsivity (A/W).

    Raises:
        NotWorkedOut: no reading, no light, a limit in control (the diode is saturated), a current
            of the wrong sign, NaN, over range, time that does not rise.

    Source: definition.
    """
    require_readings(time, 1, current=current)
    if not 0 < light < math.inf:
        raise NotWorkedOut(f"the light is {write(light, POWER)}", "light, of a power above 0 W")
    held = int(np.count_nonzero(limited))
    if held:
        raise NotWorkedOut(
            f"the limit was in control in {counted(held, 'reading')}: it cuts the current off",
            "a limit above the photocurrent, or less light",
        )
    mean = float(np.mean(current))
    if mean >= dark:
        raise NotWorkedOut(
            f"in light {write(mean, CURRENT)} flow into it and {write(dark, CURRENT)} in the dark, "
            "so that the light drives none out (wrong sign)",
            "light on it, and its anode at high",
        )
    return Calculated(
        (dark - mean) / light,
        f"mean of {counted(len(current), 'reading')} less {write(dark, CURRENT)} in the dark, over "
        f"{write(light, POWER)} of light",
    )


def dark_current(
    time: Floats, voltage: Floats, current: Floats, limited: Floats, part: Ends | None = None
) -> Calculated:
    """Dark current: mean current in the dark, under bias.

    Equation: I = (1/n) Σ i_k. At 0 V what is left is the instrument's offset voltage over the
    diode's shunt, which is no dark current and is refused.

    Args:
        time: time of each reading (s), shape (n,), rising.
        voltage: voltage across the diode (V), shape (n,); negative where it is reverse.
        current: current into the diode (A), shape (n,).
        limited: 1 where the limit was in control, else 0, shape (n,).
        part: from and to (s), counted from the first row, both ends in; the whole trace if None.

    Returns:
        The current (A), of the sign of the voltage.

    Raises:
        NotWorkedOut: no reading in that part, less than 10 mV of bias, a limit in control, a diode
            that gives power, so that light comes in or an offset outweighs it; NaN, over range,
            time that does not rise.

    Source: definition; the least bias is common practice, no source.
    """
    _, bias, flow, limit = in_part(time, part, 1, voltage=voltage, current=current, limited=limited)
    across, value = float(np.mean(bias)), float(np.mean(flow))
    if abs(across) < _LEAST_BIAS_V:
        raise NotWorkedOut(
            f"the bias is {write(across, VOLTAGE)}: what flows there is an offset voltage over the "
            "diode's shunt, not its dark current",
            f"a reverse bias of at least {write(_LEAST_BIAS_V, VOLTAGE)}",
        )
    held = int(np.count_nonzero(limit))
    if held:
        raise NotWorkedOut(
            f"the limit was in control in {counted(held, 'reading')}", "a limit that leaves room"
        )
    scatter = float(np.std(flow, ddof=1)) / math.sqrt(len(flow)) if len(flow) > 1 else 0.0
    if value * across < 0 and abs(value) > STANDS_OUT * scatter:
        raise NotWorkedOut(
            f"{write(value, CURRENT)} flow at {write(across, VOLTAGE)}: it gives power, as a diode "
            "does in light",
            "darkness; or a zero, with the diode lifted, that is taken off first",
        )
    return Calculated(value, f"mean of {counted(len(flow), 'reading')} at {write(across, VOLTAGE)}")


def quantum_efficiency(responsivity: float, wavelength: float) -> Calculated:
    """Electrons a photon, from the responsivity at a wavelength.

    Equation: η = R h c/(q λ), λ in vacuum.

    Args:
        responsivity: R (A/W).
        wavelength: λ (m).

    Returns:
        The external quantum efficiency (1); above 1 only in a diode with gain.

    Raises:
        NotWorkedOut: a responsivity below 0 or without bound, no wavelength.

    Source: energy of a photon, h c/λ; h, c and q are exact in the SI.
    """
    if not 0 <= responsivity < math.inf:
        raise NotWorkedOut(f"the responsivity is {responsivity:g} A/W", "one from 0 A/W up")
    if not 0 < wavelength < math.inf:
        raise NotWorkedOut(f"the wavelength is {write(wavelength, LENGTH)}", "one above 0 m")
    photon = PLANCK_J_S * LIGHT_M_PER_S / wavelength
    return Calculated(
        responsivity * photon / ELEMENTARY_CHARGE_C, f"at {write(wavelength, LENGTH)}"
    )
