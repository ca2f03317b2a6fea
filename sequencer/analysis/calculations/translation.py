"""A solar curve moved to another light and temperature: IEC 60891, edition 2 (2009).

Pure functions of arrays of shape (n,): the two procedures, and both on a recorded curve.
"""

from __future__ import annotations

import math

from grammar.quantity import IRRADIANCE, TEMPERATURE_POINT, write
from sequencer.analysis.calculations.physics import require_temperature
from sequencer.analysis.calculations.readings import Floats, NotWorkedOut, Table
from sequencer.analysis.calculations.solar_regression import about_open, about_short, curve_of

STANDARD_IRRADIANCE = 1000.0
STANDARD_TEMPERATURE = 298.15


def procedure_1(
    voltage: Floats,
    current: Floats,
    light_ratio: float,
    warmer: float,
    short_circuit: float,
    current_coefficient: float,
    voltage_coefficient: float,
    series_resistance: float,
    curve_correction: float,
) -> tuple[Floats, Floats]:
    """Procedure 1 of IEC 60891:2009 on points of a curve.

    Equations: I_2 = I_1 + I_sc1 (G_2/G_1 − 1) + α (T_2 − T_1),
    V_2 = V_1 − R_s (I_2 − I_1) − κ I_2 (T_2 − T_1) + β (T_2 − T_1).

    Args:
        voltage: V_1 (V), shape (n,).
        current: I_1 (A), positive out of the part, shape (n,).
        light_ratio: G_2/G_1 (1).
        warmer: T_2 − T_1 (K).
        short_circuit: I_sc1 (A).
        current_coefficient: α (A/K).
        voltage_coefficient: β (V/K).
        series_resistance: R_s (Ω).
        curve_correction: κ (Ω/K).

    Returns:
        V_2 (V) and I_2 (A), both of shape (n,).

    Source: IEC 60891:2009, 3.2, as secondary works quote it.
    """
    moved = current + short_circuit * (light_ratio - 1) + current_coefficient * warmer
    across = (
        voltage
        - series_resistance * (moved - current)
        - curve_correction * moved * warmer
        + voltage_coefficient * warmer
    )
    return across, moved


def procedure_2(
    voltage: Floats,
    current: Floats,
    light_ratio: float,
    warmer: float,
    open_circuit: float,
    current_coefficient: float,
    voltage_coefficient: float,
    series_resistance: float,
    curve_correction: float,
    irradiance_correction: float,
) -> tuple[Floats, Floats]:
    """Procedure 2 of IEC 60891:2009 on points of a curve; its edition 3 of 2021 has another.

    Equations: I_2 = I_1 (1 + α (T_2 − T_1)) G_2/G_1,
    V_2 = V_1 + V_oc1 (β (T_2 − T_1) + a ln(G_2/G_1)) − R_s (I_2 − I_1) − κ I_2 (T_2 − T_1).

    Args:
        voltage: V_1 (V), shape (n,).
        current: I_1 (A), positive out of the part, shape (n,).
        light_ratio: G_2/G_1 (1).
        warmer: T_2 − T_1 (K).
        open_circuit: V_oc1 (V).
        current_coefficient: α, relative (1/K).
        voltage_coefficient: β, relative (1/K).
        series_resistance: R_s (Ω).
        curve_correction: κ (Ω/K).
        irradiance_correction: a (1).

    Returns:
        V_2 (V) and I_2 (A), both of shape (n,).

    Source: IEC 60891:2009, 3.3, as secondary works quote it.
    """
    moved = current * (1 + current_coefficient * warmer) * light_ratio
    across = (
        voltage
        + open_circuit
        * (voltage_coefficient * warmer + irradiance_correction * math.log(light_ratio))
        - series_resistance * (moved - current)
        - curve_correction * moved * warmer
    )
    return across, moved


def translated_by_procedure_1(
    time: Floats,
    voltage: Floats,
    current: Floats,
    irradiance: float,
    temperature: float,
    current_coefficient: float,
    voltage_coefficient: float,
    series_resistance: float,
    curve_correction: float,
    new_irradiance: float = STANDARD_IRRADIANCE,
    new_temperature: float = STANDARD_TEMPERATURE,
) -> Table:
    """A curve moved to standard conditions by `procedure_1`, I_sc1 as `solar_curve` has it.

    Args:
        time: time of each reading (s), shape (n,), rising.
        voltage: voltage across the part (V), shape (n,).
        current: current into the part (A), shape (n,); negative where it gives.
        irradiance: G_1 (W/m²), at which it was taken.
        temperature: T_1 (K), of its cells.
        current_coefficient: α (A/K).
        voltage_coefficient: β (V/K).
        series_resistance: R_s (Ω).
        curve_correction: κ (Ω/K).
        new_irradiance: G_2 (W/m²).
        new_temperature: T_2 (K).

    Returns:
        "time", "voltage" and "current" (s, V, A), each of shape (n,); the current into the part.

    Raises:
        NotWorkedOut: what `solar_curve` refuses of the short circuit, no light, no temperature.

    Source: IEC 60891:2009, 3.2, as secondary works quote it.
    """
    light_ratio, warmer = _step(irradiance, temperature, new_irradiance, new_temperature)
    short = about_short(curve_of(time, voltage, current)).current
    across, moved = procedure_1(
        voltage, -current, light_ratio, warmer, short, current_coefficient, voltage_coefficient,
        series_resistance, curve_correction,
    )  # fmt: skip
    way = _way(irradiance, temperature, new_irradiance, new_temperature)
    return _curve(time, across, moved, f"procedure 1 of IEC 60891:2009, {way}")


def translated_by_procedure_2(
    time: Floats,
    voltage: Floats,
    current: Floats,
    irradiance: float,
    temperature: float,
    current_coefficient: float,
    voltage_coefficient: float,
    series_resistance: float,
    curve_correction: float,
    irradiance_correction: float,
    new_irradiance: float = STANDARD_IRRADIANCE,
    new_temperature: float = STANDARD_TEMPERATURE,
) -> Table:
    """A curve moved to standard conditions by `procedure_2`, V_oc1 as `solar_curve` has it.

    Args:
        time: time of each reading (s), shape (n,), rising.
        voltage: voltage across the part (V), shape (n,).
        current: current into the part (A), shape (n,); negative where it gives.
        irradiance: G_1 (W/m²), at which it was taken.
        temperature: T_1 (K), of its cells.
        current_coefficient: α, relative (1/K).
        voltage_coefficient: β, relative (1/K).
        series_resistance: R_s (Ω).
        curve_correction: κ (Ω/K).
        irradiance_correction: a (1).
        new_irradiance: G_2 (W/m²).
        new_temperature: T_2 (K).

    Returns:
        "time", "voltage" and "current" (s, V, A), each of shape (n,); the current into the part.

    Raises:
        NotWorkedOut: what `solar_curve` refuses of the two axes, no light, no temperature.

    Source: IEC 60891:2009, 3.3, as secondary works quote it.
    """
    light_ratio, warmer = _step(irradiance, temperature, new_irradiance, new_temperature)
    curve = curve_of(time, voltage, current)
    open_circuit = about_open(curve, about_short(curve)).voltage
    across, moved = procedure_2(
        voltage, -current, light_ratio, warmer, open_circuit, current_coefficient,
        voltage_coefficient, series_resistance, curve_correction, irradiance_correction,
    )  # fmt: skip
    way = _way(irradiance, temperature, new_irradiance, new_temperature)
    return _curve(time, across, moved, f"procedure 2 of IEC 60891:2009, {way}")


def _step(
    irradiance: float, temperature: float, new_irradiance: float, new_temperature: float
) -> tuple[float, float]:
    """G_2/G_1 and T_2 − T_1 (K). Raises NotWorkedOut without light or temperature."""
    for light in (irradiance, new_irradiance):
        if not 0 < light < math.inf:
            raise NotWorkedOut(
                f"the irradiance is {write(light, IRRADIANCE)}", "light, above 0 W/m^2"
            )
    require_temperature(temperature)
    require_temperature(new_temperature)
    return new_irradiance / irradiance, new_temperature - temperature


def _curve(time: Floats, across: Floats, moved: Floats, method: str) -> Table:
    return Table("curve", {"time": time, "voltage": across, "current": -moved}, method)


def _way(irradiance: float, temperature: float, to_irradiance: float, to_temperature: float) -> str:
    return f"{_conditions(irradiance, temperature)} to {_conditions(to_irradiance, to_temperature)}"


def _conditions(irradiance: float, temperature: float) -> str:
    return f"{write(irradiance, IRRADIANCE)} and {write(temperature, TEMPERATURE_POINT)}"
