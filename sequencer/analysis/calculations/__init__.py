"""The calculations that `results:` may call, by name: which columns of a trace each one takes.

The functions of arrays stand beside this file, one file a kind of part or subject; a function has
the name of its signature in `sequencer.analysis.signatures`. It takes arrays first: of each trace
the time and the quantities listed here of its only channel, then the columns that the signature
names; then spans and values by the signature's names.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

from sequencer.analysis.calculations import (
    capacitor,
    captured_pulse,
    cell,
    cell_curves,
    columns,
    contact,
    current_steps,
    diode,
    fuse,
    insulator,
    laser,
    laser_threshold,
    noise,
    noise_floor,
    offsets,
    photodiode,
    pulse,
    resistance,
    settling,
    shunt,
    single_diode,
    soak,
    solar,
    suppressor,
    translation,
)
from sequencer.analysis.calculations import trace as any_trace
from sequencer.analysis.calculations.arguments import looked_at
from sequencer.analysis.calculations.picking import Answer, channel_of, on_traces
from sequencer.analysis.calculations.readings import (
    Calculated,
    NoStart,
    NotWorkedOut,
    Several,
    Table,
    Trace,
)
from sequencer.analysis.signatures import SIGNATURES

__all__ = [
    "BY_NAME",
    "CALCULATIONS",
    "OF_ARRAYS",
    "OF_TRACES",
    "Calculated",
    "NoStart",
    "NotWorkedOut",
    "Several",
    "Table",
    "Trace",
    "channel_of",
]

OF_ARRAYS: Mapping[Callable[..., Answer], tuple[str, ...]] = {
    # any trace
    any_trace.mean: (),
    any_trace.spread: (),
    any_trace.minimum: (),
    any_trace.maximum: (),
    any_trace.value_at: (),
    any_trace.slope: (),
    any_trace.integral: (),
    any_trace.crossing_time: (),
    any_trace.energy: ("energy",),
    any_trace.charge: ("charge",),
    columns.line_fit: (),
    settling.settling_time: (),
    settling.time_constant: (),
    settling.two_time_constants: (),
    noise.noise_density: (),
    noise.allan_deviation: (),
    resistance.mean_resistance: ("voltage", "current"),
    # capacitor, cell
    capacitor.capacitance: ("voltage", "current", "limited"),
    capacitor.capacitance_by_energy: ("voltage", "current"),
    capacitor.internal_resistance: ("voltage", "current", "limited"),
    current_steps.step_resistance: ("voltage", "current"),
    current_steps.two_step_resistance: ("voltage", "current"),
    soak.leakage_current: ("voltage", "current", "limited"),
    soak.self_discharge_rate: ("voltage",),
    cell.capacity: ("voltage", "charge"),
    cell.coulombic_efficiency: ("charge",),
    cell.energy_efficiency: ("energy",),
    cell.state_of_charge: ("charge",),
    cell.state_of_health: ("voltage", "charge"),
    cell_curves.open_circuit_curve: ("voltage", "current", "charge"),
    cell_curves.state_of_charge_by_voltage: ("voltage", "state_of_charge"),
    cell_curves.incremental_capacity: ("voltage", "charge"),
    # resettable fuse, pulse into a resistor
    fuse.trip_time: ("current",),
    fuse.trip_energy: ("voltage", "current"),
    fuse.i_squared_t: ("current",),
    fuse.hold_current: ("current", "level"),
    resistance.resistance_drift: ("voltage", "current"),
    pulse.delivered_share: (),
    pulse.rise_time: (),
    pulse.apparent_inductance: ("voltage", "current"),
    # solar cell, solar module
    solar.solar_curve: ("voltage", "current"),
    solar.solar_efficiency: ("voltage", "current"),
    solar.solar_resistances: ("voltage", "current"),
    single_diode.single_diode_fit: ("voltage", "current"),
    translation.translated_by_procedure_1: ("voltage", "current"),
    translation.translated_by_procedure_2: ("voltage", "current"),
    captured_pulse.pulse_flatness: ("limited",),
    solar.direction_difference: ("voltage", "current"),
    # diode, LED, suppressor
    diode.diode_fit: ("voltage", "current"),
    suppressor.standoff_leakage: ("voltage", "current", "limited"),
    suppressor.breakdown_voltage: ("voltage", "current", "limited"),
    suppressor.clamping_voltage: ("voltage", "current", "limited"),
    suppressor.dynamic_resistance: (),
    captured_pulse.pulse_energy: ("voltage", "current"),
    # laser diode, photodiode
    laser_threshold.threshold_current: ("light.limited",),
    laser.slope_efficiency: ("light.limited",),
    laser.largest_kink: ("light.limited",),
    laser.roll_over_current: ("light.limited",),
    photodiode.responsivity: ("current", "limited"),
    photodiode.dark_current: ("voltage", "current", "limited"),
    shunt.shunt_resistance: ("voltage", "current"),
    photodiode.quantum_efficiency: (),
    # contact, insulator
    contact.reversal_resistance: ("voltage", "current", "limited"),
    insulator.alternating_resistance: ("voltage", "current", "limited"),
    noise_floor.johnson_noise: (),
    noise_floor.shot_noise: (),
}
"""The functions of arrays, each with the quantities that it is given of a trace's channel.

"light.limited" is the limit of the channel whose column `light` is.
"""

OF_TRACES: tuple[Callable[..., Answer], ...] = (
    offsets.without_offset,
    offsets.without_drift,
)
"""Those that take a trace whole, since they give one."""

BY_NAME: Mapping[str, Callable[..., Answer]] = {
    function.__name__: looked_at(SIGNATURES[function.__name__], function)
    for function in (*OF_ARRAYS, *OF_TRACES)
}
"""All of them by name, as a person calls them from Python: they look at their arguments first."""

CALCULATIONS: Mapping[str, Callable[..., Answer]] = {
    **BY_NAME,
    **{
        function.__name__: on_traces(
            SIGNATURES[function.__name__], BY_NAME[function.__name__], quantities
        )
        for function, quantities in OF_ARRAYS.items()
    },
}
"""All of them by name, with the arguments of their signatures."""
