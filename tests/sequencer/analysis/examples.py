"""For every calculation a trace that carries its result, made of closed forms, and its arguments.

The hostile data of the tests are these, spoilt in one way each.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import NamedTuple

import numpy as np

from sequencer.analysis.calculations import Table
from tests.sequencer.analysis.made_traces import Floats


class Example(NamedTuple):
    """The traces of a call in the order of the signature, and its other arguments."""

    traces: tuple[Table, ...]
    others: Mapping[str, object]


def trace_of(
    time: Floats, voltage: Floats, current: Floats, level: Floats | None = None, **extra: Floats
) -> Table:
    """All that a record holds of one channel, and further columns."""
    steps = np.diff(time, prepend=time[0])
    columns = {
        "time": time,
        **extra,
        "smu.voltage": voltage,
        "smu.current": current,
        "smu.power": voltage * current,
        "smu.limited": np.zeros(len(time)),
        "smu.level": current.copy() if level is None else level,
        "smu.charge": np.cumsum(current * steps),
        "smu.energy": np.cumsum(voltage * current * steps),
    }
    return Table("trace", columns)


def settling() -> Table:
    """1 s in the voltage, 0.5 s and 4 s in the current."""
    time = np.arange(400) * 0.05
    both = 1 - 0.6 * np.exp(-time / 0.5) - 0.4 * np.exp(-time / 4.0)
    return trace_of(time, 2.0 + np.exp(-time), both)


def noise() -> Table:
    chance = np.random.default_rng(3)
    time = np.arange(1000) * 0.1
    return trace_of(time, 1.0 + chance.normal(0, 1e-3, 1000), chance.normal(1.0, 1e-6, 1000))


def discharge() -> Table:
    """10 F and 20 mΩ at 1 A from 2.7 V, after a reading at rest."""
    time = np.concatenate(([-0.01], np.arange(250) * 0.1))
    current = np.where(time < 0, 0.0, -1.0)
    return trace_of(time, 2.7 + 0.02 * current - np.maximum(time, 0.0) / 10, current)


def charge() -> Table:
    time = np.arange(250) * 0.1
    return trace_of(time, 0.5 + time / 10, np.full(250, 1.0))


def two_steps() -> Table:
    """20 mΩ, 0.5 A for 10 s and 2.5 A for a second."""
    time = 0.05 + np.arange(110) * 0.1
    current = np.where(time < 10, -0.5, -2.5)
    return trace_of(time, 3.7 + 0.02 * current, current)


def soak() -> Table:
    time = np.arange(300.0)
    return trace_of(time, np.full(300, 2.7), 1e-5 + 1e-3 * np.exp(-time / 20))


def open_terminals() -> Table:
    time = np.arange(300) * 60.0
    return trace_of(time, 2.7 * np.exp(-time / 1e6), np.zeros(300))


def rests() -> Table:
    """Nine seconds at 1 A and three at rest, ten times over."""
    time = np.arange(120.0)
    current = np.where(time % 12 < 9, -1.0, 0.0)
    given = np.cumsum(-current) / 100
    return trace_of(time, 4.0 - given + 0.05 * current, current)


def curve() -> Table:
    """The rests of a cell by tenths of its charge, 4 V full and 3 V empty."""
    tenths = np.arange(11.0)
    full = 1 - tenths / 10
    return trace_of(3600 * tenths, 3.0 + full, np.zeros(11), state_of_charge=full)


def trip() -> Table:
    time = np.arange(200) * 0.05
    carries = time < 6.0
    return trace_of(time, np.where(carries, 0.8, 12.0), np.where(carries, 8.0, 0.2))


def holding() -> Table:
    """1 A, 2 A and 3 A for a while each; it trips at 3 A."""
    time = np.arange(300.0)
    level = 1.0 + time // 100
    return trace_of(time, 0.1 * level, np.where(time > 250, 0.1, level), level)


def pulse() -> Table:
    """10 V behind 1 Ω into 4 Ω and 5 µH: 1 µs of time constant, 50 µs long."""
    time = np.arange(-20, 600) * 0.1e-6
    since, after = np.maximum(time, 0.0), np.maximum(time - 50e-6, 0.0)
    current = 2.0 * (1 - np.exp(-since / 1e-6)) * np.exp(-after / 1e-6)
    slope = np.gradient(current, time)
    level = np.where((time >= 0) & (time < 50e-6), 10.0, 0.0)
    return trace_of(time, 4.0 * current + 5e-6 * slope, current, level)


def resistor() -> Table:
    return trace_of(np.arange(40.0), np.full(40, 0.5), np.full(40, 0.1))


def panel() -> Table:
    """8 A, 1e-9 A, 1.5 V, 0.2 Ω, 1 kΩ, through the voltage across the junction."""
    junction = np.linspace(-2.0, 34.5, 500)
    out = 8.0 - 1e-9 * np.expm1(junction / 1.5) - junction / 1e3
    voltage = junction - 0.2 * out
    return trace_of(np.arange(500) * 0.1, voltage, -out, voltage.copy())


def panel_downward() -> Table:
    up = panel()
    columns = {name: column[::-1].copy() for name, column in up.columns.items()}
    return Table("trace", columns | {"time": up.columns["time"]})


def dark() -> Table:
    """A junction with 1 MΩ beside it, within 20 mV of 0 V."""
    voltage = np.linspace(-0.02, 0.02, 81)
    return trace_of(np.arange(81.0), voltage, voltage / 1e6)


def forward() -> Table:
    """1e-9 A, ideality 1.5 at 25 °C, 0.2 Ω, from 1 µA to 1 A."""
    current = np.geomspace(1e-6, 1.0, 200)
    voltage = 1.5 * 0.0256925791 * np.log1p(current / 1e-9) + 0.2 * current
    return trace_of(np.arange(200.0), voltage, current)


def suppressor() -> Table:
    """A while at 10 V and 10 nA, then up to 20 A: 12 V and 50 mΩ."""
    current = np.concatenate((np.full(100, 1e-8), np.geomspace(1e-3, 20.0, 200)))
    voltage = np.concatenate((np.full(100, 10.0), 12.0 + 0.05 * current[100:]))
    return trace_of(np.arange(300.0), voltage, current)


def laser() -> Table:
    """Threshold 20 mA, 0.8 W/A, rolls over near 100 mA; seen by `light`."""
    drive = np.arange(0.0, 120e-3, 0.2e-3)
    over = drive - 20e-3
    light = 0.4 * (over + np.sqrt(over**2 + 1e-6)) - 6.0 * np.maximum(drive - 35e-3, 0.0) ** 2
    return trace_of(np.arange(len(drive)) * 0.1, 1.8 + 4.0 * drive, drive, light=light)


def photodiode() -> Table:
    return trace_of(np.arange(50.0), np.full(50, -5.0), np.full(50, -1e-6))


def reversals() -> Table:
    """1 mΩ at 0.1 A with 2 µV that drift by 0.3 µV a step."""
    step = np.arange(40)
    current = np.where(step % 2, -0.1, 0.1)
    return trace_of(step * 1.0, 1e-3 * current + 2e-6 + 0.3e-6 * step, current)


def alternation() -> Table:
    """100 GΩ at ±500 V, twenty seconds each way, with 100 pA that drift."""
    time = np.arange(160.0)
    voltage = np.where(time // 20 % 2, -500.0, 500.0)
    return trace_of(time, voltage, voltage / 1e11 + 100e-12 - 1e-13 * time, voltage.copy())


def _all() -> dict[str, Example]:
    made: dict[str, Example] = {}

    def add(trace: Callable[[], Table] | tuple[Callable[[], Table], ...], **calls: object) -> None:
        traces = trace if isinstance(trace, tuple) else (trace,)
        for name, others in calls.items():
            assert isinstance(others, dict)
            made[name] = Example(tuple(each() for each in traces), others)

    voltage, current = {"column": "voltage"}, {"column": "current"}
    add(
        settling,
        mean=voltage,
        spread=voltage,
        minimum=voltage,
        maximum=voltage | {"part": (1.0, 9.0)},
        value_at=voltage | {"moment": 2.03},
        slope=voltage,
        line_fit={"y": "voltage", "x": "current", "between": (0.2, 0.8)},
        integral=voltage,
        energy={},
        charge={},
        crossing_time=voltage | {"level": 2.5},
        settling_time=voltage | {"band": 0.01},
        time_constant=voltage,
        two_time_constants=current,
        without_offset=voltage | {"offset": 0.1},
        without_drift=current | {"before": 0.01, "after": 0.02},
    )
    add(
        noise,
        noise_density=voltage | {"band": (0.5, 4.0)},
        allan_deviation=current | {"averaging": 1.0},
    )
    add(resistor, mean_resistance={})
    span = {"between": (2.16, 1.08)}
    add(discharge, capacitance=span, capacitance_by_energy=span, internal_resistance=span)
    add(
        discharge,
        step_resistance={"delay": 1.0},
        capacity={"cutoff": 1.0},
        state_of_charge={"capacity": 50.0, "start": 0.9},
        incremental_capacity={"step": 0.01},
        state_of_health={"first_capacity": 30.0},
    )
    add((charge, discharge), coulombic_efficiency={}, energy_efficiency={})
    add(two_steps, two_step_resistance={})
    add(soak, leakage_current={})
    add(open_terminals, self_discharge_rate={})
    add(rests, open_circuit_curve={"capacity": 100.0})
    add(curve, state_of_charge_by_voltage={"rested": 3.5})
    corrections = {
        "irradiance": 800.0, "temperature": 318.15, "series_resistance": 0.2,
        "curve_correction": 0.002,
    }  # fmt: skip
    add(
        panel,
        solar_curve={},
        solar_efficiency={"area": 2.0, "irradiance": 800.0},
        solar_resistances={},
        single_diode_fit={"temperature": 298.15, "in_series": 60.0},
        translated_by_procedure_1=corrections
        | {"current_coefficient": 0.005, "voltage_coefficient": -0.13},
        translated_by_procedure_2=corrections
        | {
            "current_coefficient": 5e-4,
            "voltage_coefficient": -0.0033,
            "irradiance_correction": 0.06,
        },
    )
    add((panel, panel_downward), direction_difference={})
    add(forward, diode_fit={"temperature": 298.15})
    add(
        suppressor,
        standoff_leakage={"standoff": 10.0},
        breakdown_voltage={"test_current": 1e-3},
        clamping_voltage={"peak_current": 10.0},
        dynamic_resistance={"between": (5.0, 15.0)},
    )
    add(
        pulse,
        pulse_energy={},
        pulse_flatness=current | {"early": (20e-6, 25e-6), "late": (40e-6, 45e-6)},
        delivered_share=current | {"level": 2.0},
        rise_time=current,
        apparent_inductance={},
    )
    add(trip, trip_time={}, trip_energy={}, i_squared_t={})
    add(holding, hold_current={})
    add((resistor, resistor), resistance_drift={})
    columns = {"current": "current", "light": "light"}
    line = columns | {"between": (24e-3, 34e-3)}
    add(
        laser, threshold_current=line, slope_efficiency=line, largest_kink=line,
        roll_over_current=columns,
    )  # fmt: skip
    add(photodiode, responsivity={"light": 2e-6}, dark_current={})
    add(dark, shunt_resistance={})
    add(reversals, reversal_resistance={})
    add(alternation, alternating_resistance={})
    add(
        (),
        quantum_efficiency={"responsivity": 0.4, "wavelength": 650e-9},
        johnson_noise={"resistance": 1e6, "temperature": 300.0},
        shot_noise={"current": 1e-9},
    )
    return made


EXAMPLES: Mapping[str, Example] = _all()
