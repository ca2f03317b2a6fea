"""Signatures of calculations for what conducts, blocks or breaks down: diodes and suppressors,
resettable fuses, pulses into a resistor, contacts, insulators.
"""

from __future__ import annotations

from grammar.quantity import (
    CURRENT,
    ENERGY,
    FREQUENCY,
    INDUCTANCE,
    PLAIN,
    RESISTANCE,
    TIME,
    VOLTAGE,
)
from sequencer.analysis.signatures.signature import (
    AT_TEMPERATURE,
    COLUMN,
    CURRENTS,
    OWN_CURRENT,
    OWN_VOLTAGE,
    PART,
    TRACE,
    Parameter,
    Signature,
    like,
)

DIODE = (
    Signature(
        "diode_fit",
        (
            TRACE, AT_TEMPERATURE, Parameter("between", "span", CURRENT, "all of it"),
            Parameter("shunt", "value", RESISTANCE, "none"),
        ),
        {"ideality": PLAIN, "saturation_current": CURRENT, "series_resistance": RESISTANCE},
        "ideality, saturation current and series resistance of a forward curve",
    ),
    Signature(
        "standoff_leakage", (TRACE, Parameter("standoff", "value", VOLTAGE)), {"": CURRENT},
        "settled current at the stand-off voltage",
    ),
    Signature(
        "breakdown_voltage", (TRACE, Parameter("test_current", "value", CURRENT)),
        {"": VOLTAGE}, "voltage at a test current",
    ),
    Signature(
        "clamping_voltage", (TRACE, Parameter("peak_current", "value", CURRENT)),
        {"": VOLTAGE},
        "voltage at a pulsed current; beyond the largest measured it is refused",
    ),
    Signature(
        "dynamic_resistance", (TRACE, CURRENTS, OWN_VOLTAGE, OWN_CURRENT),
        {"": RESISTANCE},
        "slope of voltage against current between two currents, heating included; of a laser diode "
        "above threshold its series resistance",
    ),
    Signature(
        "pulse_energy", (TRACE, PART), {"": ENERGY},
        "integral of voltage times current over a captured pulse", needs=("a capture",),
    ),
)  # fmt: skip
SHARE = Parameter("share", "value", PLAIN, "50 % of the first current")
FUSE_AND_PULSE = (
    Signature("trip_time", (TRACE, SHARE), {"": TIME}, "time until the current has fallen"),
    Signature(
        "trip_energy", (TRACE, SHARE), {"": ENERGY}, "energy until the current has fallen"
    ),
    Signature(
        "i_squared_t", (TRACE, PART), {"": CURRENT.power(2).times(TIME)},
        "integral of the current squared over time",
    ),
    Signature(
        "hold_current", (TRACE, SHARE), {"": CURRENT},
        "largest current that was carried to its end without a trip",
    ),
    Signature(
        "resistance_drift", (Parameter("before", "trace"), Parameter("after", "trace")),
        {"": PLAIN}, "change of mean resistance over that before",
    ),
    Signature(
        "delivered_share", (TRACE, COLUMN, Parameter("level", "value", like("column"))),
        {"": PLAIN}, "what a captured pulse reached at its end over its programmed level",
        needs=("a capture",),
    ),
    Signature(
        "rise_time", (TRACE, COLUMN), {"": TIME}, "time from 10 % to 90 % of a captured rise",
        needs=("a capture",),
    ),
    Signature(
        "apparent_inductance", (TRACE,), {"": INDUCTANCE},
        "from voltage, current and slope of current in a captured rise", needs=("a capture",),
    ),
)  # fmt: skip
CONTACT_AND_INSULATOR = (
    Signature(
        "reversal_resistance", (TRACE,),
        {"two_point": RESISTANCE, "three_point": RESISTANCE, "thermal_voltage": VOLTAGE},
        "from readings at a current that is reversed from one to the next",
    ),
    Signature(
        "alternating_resistance",
        (TRACE, Parameter("settling", "value", TIME, "half of each polarity")),
        {"two_point": RESISTANCE, "three_point": RESISTANCE, "offset_current": CURRENT},
        "from the settled currents at a voltage that alternates in polarity",
    ),
    Signature(
        "johnson_noise", (Parameter("resistance", "value", RESISTANCE), AT_TEMPERATURE),
        {"": VOLTAGE.over(FREQUENCY.power(0.5))},
        "the physical floor of a resistance's noise",
    ),
    Signature(
        "shot_noise", (Parameter("current", "value", CURRENT),),
        {"": CURRENT.over(FREQUENCY.power(0.5))},
        "the physical floor of a current's noise",
    ),
)  # fmt: skip
