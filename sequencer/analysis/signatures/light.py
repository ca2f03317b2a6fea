"""Signatures of calculations for what light goes into or comes out of: solar parts, laser diodes,
photodiodes. Of a solar part, current and power are positive out of it.
"""

from __future__ import annotations

from grammar.quantity import (
    CURRENT,
    IRRADIANCE,
    LENGTH,
    PLAIN,
    POWER,
    RESISTANCE,
    TEMPERATURE,
    TEMPERATURE_POINT,
    TIME,
    VOLTAGE,
)
from sequencer.analysis.signatures.signature import (
    AT_TEMPERATURE,
    COLUMN,
    CURRENTS,
    PART,
    TRACE,
    Parameter,
    Signature,
    over,
)

AREA = LENGTH.power(2)
PER_KELVIN = PLAIN.over(TEMPERATURE)
SOLAR = (
    Signature(
        "solar_curve", (TRACE,),
        {
            "short_circuit_current": CURRENT, "open_circuit_voltage": VOLTAGE,
            "maximum_power": POWER, "maximum_power_voltage": VOLTAGE,
            "maximum_power_current": CURRENT, "fill_factor": PLAIN,
        },
        "the key figures of a current-voltage curve, by regression about each of them",
    ),
    Signature(
        "solar_efficiency",
        (
            TRACE, Parameter("area", "value", AREA),
            Parameter("irradiance", "value", IRRADIANCE),
        ),
        {"": PLAIN}, "maximum power over the power of the light on the area",
    ),
    Signature(
        "solar_resistances", (TRACE,),
        {"series_resistance": RESISTANCE, "shunt_resistance": RESISTANCE},
        "from the slopes of the curve at open and at short circuit",
    ),
    Signature(
        "single_diode_fit",
        (TRACE, AT_TEMPERATURE, Parameter("in_series", "value", PLAIN, "1")),
        {
            "photocurrent": CURRENT, "saturation_current": CURRENT,
            "series_resistance": RESISTANCE, "shunt_resistance": RESISTANCE, "ideality": PLAIN,
        },
        "the five parameters of the single-diode model, fitted to the curve",
    ),
    Signature(
        "translated_by_procedure_1",
        (
            TRACE, Parameter("irradiance", "value", IRRADIANCE), AT_TEMPERATURE,
            Parameter("current_coefficient", "value", CURRENT.over(TEMPERATURE)),
            Parameter("voltage_coefficient", "value", VOLTAGE.over(TEMPERATURE)),
            Parameter("series_resistance", "value", RESISTANCE),
            Parameter("curve_correction", "value", RESISTANCE.over(TEMPERATURE)),
            Parameter("new_irradiance", "value", IRRADIANCE, "1000 W/m²"),
            Parameter("new_temperature", "value", TEMPERATURE_POINT, "25 °C"),
        ),
        {}, "the curve moved to standard conditions by procedure 1 of IEC 60891:2009",
        gives_trace=True,
    ),
    Signature(
        "translated_by_procedure_2",
        (
            TRACE, Parameter("irradiance", "value", IRRADIANCE), AT_TEMPERATURE,
            Parameter("current_coefficient", "value", PER_KELVIN),
            Parameter("voltage_coefficient", "value", PER_KELVIN),
            Parameter("series_resistance", "value", RESISTANCE),
            Parameter("curve_correction", "value", RESISTANCE.over(TEMPERATURE)),
            Parameter("irradiance_correction", "value", PLAIN),
            Parameter("new_irradiance", "value", IRRADIANCE, "1000 W/m²"),
            Parameter("new_temperature", "value", TEMPERATURE_POINT, "25 °C"),
        ),
        {}, "the curve moved to standard conditions by procedure 2 of IEC 60891:2009",
        gives_trace=True,
    ),
    Signature(
        "pulse_flatness",
        (
            TRACE, COLUMN._replace(scaled=True),
            Parameter("early", "span", TIME), Parameter("late", "span", TIME),
        ),
        {"": PLAIN}, "change from an early to a late window of a pulse, over the late one",
        needs=("a capture",),
    ),
    Signature(
        "direction_difference", (Parameter("upward", "trace"), Parameter("downward", "trace")),
        {"": PLAIN},
        "difference of maximum power between the two directions, over their mean",
    ),
)  # fmt: skip
LIGHT = Parameter("light", "column", scaled=True)
DRIVE = Parameter("current", "column", CURRENT)
LASER_AND_PHOTODIODE = (
    Signature(
        "threshold_current",
        (
            TRACE, DRIVE, LIGHT, CURRENTS,
            Parameter("below", "span", CURRENT, "up to three quarters of that by line"),
        ),
        {"by_second_derivative": CURRENT, "by_two_segments": CURRENT, "by_line": CURRENT},
        "threshold by three methods; the line is fitted between the two currents above it, the "
        "other segment below it",
    ),
    Signature(
        "slope_efficiency", (TRACE, DRIVE, LIGHT, CURRENTS), {"": over("light", CURRENT)},
        "slope of the light against the current between two currents",
    ),
    Signature(
        "largest_kink", (TRACE, DRIVE, LIGHT, CURRENTS),
        {"current": CURRENT, "deviation": PLAIN},
        "where the light leaves its line the furthest, and by which share of it",
    ),
    Signature(
        "roll_over_current", (TRACE, DRIVE, LIGHT), {"": CURRENT},
        "current above which the light falls",
    ),
    Signature(
        "responsivity",
        (
            TRACE, Parameter("light", "value", POWER),
            Parameter("dark", "value", CURRENT, "0 A"),
        ),
        {"": CURRENT.over(POWER)},
        "photocurrent less the dark current over the power of the light",
    ),
    Signature(
        "dark_current", (TRACE, PART), {"": CURRENT}, "mean current in the dark, under bias",
    ),
    Signature(
        "shunt_resistance",
        (TRACE, Parameter("between", "span", VOLTAGE, "-10 mV to 10 mV")), {"": RESISTANCE},
        "slope of voltage against current about 0 V, in the dark",
    ),
    Signature(
        "quantum_efficiency",
        (
            Parameter("responsivity", "value", CURRENT.over(POWER)),
            Parameter("wavelength", "value", LENGTH),
        ),
        {"": PLAIN}, "electrons a photon, from the responsivity at a wavelength",
    ),
)  # fmt: skip
