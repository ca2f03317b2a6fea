"""The calculations that `results:` may call: their arguments and what comes out, without numpy.

The checker reads this table to type results before anything runs, and the reference of the language
lists it; `sequencer.analysis.calculations` holds the functions of the same names, as far as they
can be worked out, and a test holds the two together. Nothing is worked out here.

Current and power are positive into the part, but for what comes of a solar part: there they are
positive out of it. A span of time counts from the first row of the trace or group.
"""

from __future__ import annotations

from collections.abc import Mapping

from grammar.quantity import TIME
from sequencer.analysis.signatures.any_trace import ANY_TRACE
from sequencer.analysis.signatures.conduction import (
    CONTACT_AND_INSULATOR,
    DIODE,
    FUSE_AND_PULSE,
)
from sequencer.analysis.signatures.light import LASER_AND_PHOTODIODE, SOLAR
from sequencer.analysis.signatures.signature import (
    COLUMN,
    TRACE,
    Parameter,
    Signature,
    answers_in_words,
    usage,
)
from sequencer.analysis.signatures.storage import CAPACITOR_AND_CELL

__all__ = [
    "ALSO_CALLED",
    "GROUPS",
    "IN_STEPS",
    "SIGNATURES",
    "Parameter",
    "Signature",
    "answers_in_words",
    "usage",
]

GROUPS: Mapping[str, tuple[Signature, ...]] = {
    "any trace": ANY_TRACE,
    "capacitor, cell": CAPACITOR_AND_CELL,
    "solar cell, solar module": SOLAR,
    "diode, LED, suppressor": DIODE,
    "resettable fuse, pulse into a resistor": FUSE_AND_PULSE,
    "laser diode, photodiode": LASER_AND_PHOTODIODE,
    "contact, insulator": CONTACT_AND_INSULATOR,
}
"""The calculations by what they are for, as the reference of the language lists them."""

SIGNATURES: Mapping[str, Signature] = {
    signature.name: signature for group in GROUPS.values() for signature in group
}

ALSO_CALLED: Mapping[str, str] = {
    "average": "mean",
    "standard_deviation": "spread",
    "stdev": "spread",
    "std": "spread",
    "lowest": "minimum",
    "smallest": "minimum",
    "highest": "maximum",
    "largest": "maximum",
    "gradient": "slope",
    "esr": "internal_resistance",
    "ESR": "internal_resistance",
    "leakage": "leakage_current",
    "self_discharge": "self_discharge_rate",
    "fill_factor": "solar_curve",
    "threshold": "threshold_current",
}
"""Other words of the trade for a calculation, for a suggestion."""

NEWEST = Parameter("newest", "value", TIME)
IN_STEPS: Mapping[str, Signature] = {
    name: SIGNATURES[name]._replace(parameters=(TRACE, COLUMN, NEWEST))
    for name in ("mean", "slope", "minimum", "maximum")
}
"""Those that steps may call as well, over the newest part of a trace: `mean(T, current, 10 s)`."""
