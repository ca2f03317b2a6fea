"""Signatures of calculations for what stores: capacitors and cells."""

from __future__ import annotations

from grammar.quantity import (
    CAPACITANCE,
    CHARGE,
    CURRENT,
    PLAIN,
    RESISTANCE,
    TIME,
    VOLTAGE,
)
from sequencer.analysis.signatures.signature import (
    CONSTANT_CURRENT,
    LOOKS_BACK,
    PART,
    TRACE,
    VOLTAGES,
    Parameter,
    Signature,
)

CHARGING, DISCHARGING = Parameter("charging", "trace"), Parameter("discharging", "trace")
CAPACITOR_AND_CELL = (
    Signature(
        "capacitance", (TRACE, VOLTAGES), {"": CAPACITANCE},
        "from the time between two voltages of a constant-current discharge or charge "
        "(IEC 62391-1)", needs=CONSTANT_CURRENT,
    ),
    Signature(
        "capacitance_by_energy", (TRACE, VOLTAGES), {"": CAPACITANCE},
        "from the energy between two voltages of a discharge or charge",
    ),
    Signature(
        "internal_resistance", (TRACE, VOLTAGES), {"": RESISTANCE},
        "from the straight part between two voltages, extrapolated back to the start "
        "(IEC 62391-1)", needs=CONSTANT_CURRENT + LOOKS_BACK,
    ),
    Signature(
        "step_resistance", (TRACE, Parameter("delay", "value", TIME)), {"": RESISTANCE},
        "change of voltage over change of current, at a stated time after the step",
        needs=LOOKS_BACK,
    ),
    Signature(
        "two_step_resistance",
        (
            TRACE,
            Parameter("first", "value", TIME, "10 s"), Parameter("second", "value", TIME, "1 s"),
        ),
        {"": RESISTANCE},
        "from the voltages at the ends of two steps of current (IEC 61960-3)",
    ),
    Signature(
        "leakage_current",
        (TRACE, Parameter("part", "span", TIME, "the last tenth")), {"": CURRENT},
        "current at constant voltage once the soak is over",
    ),
    Signature(
        "self_discharge_rate", (TRACE, PART), {"": VOLTAGE.over(TIME)},
        "loss of voltage a time with the terminals open",
    ),
    Signature(
        "capacity", (TRACE, Parameter("cutoff", "value", VOLTAGE, "the last row's")),
        {"": CHARGE}, "charge given back down to the cut-off voltage",
    ),
    Signature(
        "coulombic_efficiency", (CHARGING, DISCHARGING), {"": PLAIN},
        "charge given back over charge put in",
    ),
    Signature(
        "energy_efficiency", (CHARGING, DISCHARGING), {"": PLAIN},
        "energy given back over energy put in",
    ),
    Signature(
        "state_of_charge",
        (TRACE, Parameter("capacity", "value", CHARGE), Parameter("start", "value", PLAIN)),
        {"": PLAIN}, "state of charge at the trace's end, by counting from a known start",
    ),
    Signature(
        "open_circuit_curve",
        (
            TRACE, Parameter("capacity", "value", CHARGE),
            Parameter("start", "value", PLAIN, "100 %"),
        ),
        {"state_of_charge": PLAIN}, "voltages at rest beside the state of charge", gives_trace=True,
    ),
    Signature(
        "state_of_charge_by_voltage",
        (Parameter("curve", "trace"), Parameter("rested", "value", VOLTAGE)), {"": PLAIN},
        "state of charge of a rested cell from its open-circuit curve",
    ),
    Signature(
        "incremental_capacity", (TRACE, Parameter("step", "value", VOLTAGE)),
        {"incremental_capacity": CAPACITANCE},
        "dQ/dV against voltage, by steps of voltage", gives_trace=True,
    ),
    Signature(
        "state_of_health",
        (TRACE, Parameter("first_capacity", "value", CHARGE, "the reference record's")),
        {"": PLAIN},
        "capacity over that of the first record", needs=("a reference record",),
    ),
)  # fmt: skip
