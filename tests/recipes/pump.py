"""The recipe on an air pump: a motor, a vessel that fills and leaks, a sensor of its pressure.

The equations of the part's own page, written anew: Boyle's law for the vessel, isothermal
compression for the torque, copper that warms. scipy goes from one level to the next as the recipe
sets them.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Mapping
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.integrate import solve_ivp
from scipy.optimize import brentq

from tests.recipes.jobs import Bias, Instrument, Job, bench_of, part_of

Floats = NDArray[np.float64]
NAME = "pump-against-pressure"
PUMP, BENCH = part_of(NAME, "pump"), bench_of(NAME)
MOTOR, PATH, SENSOR = PUMP.motor, PUMP.motor.heating, PUMP.sensor
METER = BENCH.specifications["vessel"]
AIR_PA, AIR_K, LEADS_OHM = PUMP.ambient_pressure, 294.15, 2 * 0.025
COPPER_PER_K = 0.00393
"""At 20 °C (IEC 60028, from memory)."""
PA_PER_V = SENSOR.full_pressure / (SENSOR.full - SENSOR.zero)
DRIVES, RISE_PA, WATCH_S = (3.0, 4.5, 6.0), 30e3, 60.0

WINDOW_S, SKEW_S, CONTACT_S, LINE_S = 0.02, METER.skew, 0.005, 0.3e-3
SENSOR_S = 2 * WINDOW_S + SKEW_S
"""The meter takes its voltage, waits for its skew, and takes its current."""
ROW_S = WINDOW_S + SENSOR_S
"""A row is the motor's current, then the pressure; it has the time of the former."""


class Course:
    """The pump from one switch to the next, and the time (s) since the run began.

    The state is current (A), speed (rad/s), pressure and what the sensor has felt of it (Pa over
    the air's), the winding's temperature (K), and the two integrals over time that means take: of
    the current and of what was felt.
    """

    def __init__(self) -> None:
        self.state: Floats = np.array([0.0, 0.0, 0.0, 0.0, AIR_K, 0.0, 0.0])
        self.now, self.is_open = 0.0, True

    def go(self, seconds: float, volts: float | None) -> Any:
        """Go on at the source's voltage, or with the motor open: the state at times on the way."""
        out = PUMP.leak + (PUMP.valve.passes if self.is_open else 0.0)

        def rates(_: float, y: Floats) -> list[float]:
            current, speed, pressure, felt, kelvin, _, _ = y
            way = math.tanh(speed / 0.1)
            share = 1 - PUMP.dead_volume * pressure / AIR_PA
            stroke = PUMP.displacement / math.tau * share * way
            torque = stroke * AIR_PA * math.log1p(pressure / AIR_PA)
            torque += MOTOR.viscous_friction * speed + MOTOR.friction_torque * way
            ohm = MOTOR.resistance * (1 + COPPER_PER_K * (kelvin - 293.15))
            across = 0.0
            if volts is not None:
                across = volts - (ohm + LEADS_OHM) * current - MOTOR.constant * speed
            warming = ohm * current**2 - (kelvin - AIR_K) / PATH.thermal_resistance
            return [
                across / MOTOR.inductance,
                (MOTOR.constant * current - torque) / MOTOR.inertia,
                (stroke * speed - out * pressure) * AIR_PA / PUMP.volume,
                (pressure - felt) / SENSOR.lag,
                warming / PATH.heat_capacity, current, felt,
            ]  # fmt: skip

        begin = self.state.copy()
        begin[5:] = 0.0
        if volts is None:
            begin[0] = 0.0
        done = solve_ivp(
            rates, (0.0, seconds), begin, "LSODA", dense_output=True, rtol=1e-10,
            atol=[1e-11, 1e-8, 1e-5, 1e-5, 1e-8, 1e-12, 1e-6],
        )  # fmt: skip
        self.state = done.y[:, -1]
        self.now += seconds
        return done.sol


def means(of: Any, place: int, begin: Floats | float = 0.0) -> Any:
    """Means over readings that begin then, of what `Course.go` gave, by its integral over time."""
    return (of(begin + WINDOW_S)[place] - of(begin)[place]) / WINDOW_S


class Said(NamedTuple):
    """How the meter and its sensor put a pressure (Pa over the air's): as an absolute one (Pa)."""

    gain: float
    offset: float
    settling: float

    def of(self, felt: Any, moment: Any) -> Any:
        """What is said at a time (s) since the run began.

        The meter's errors are larger while it is cold, and so never quite the same: the excess
        falls to e^-5 in its stated time.
        """
        warm_up = METER.warm_up
        cold = 1 + (warm_up.factor - 1) * np.exp(-5 * np.asarray(moment) / warm_up.time)
        volts = SENSOR.zero + (AIR_PA + felt) / PA_PER_V
        return ((volts + cold * (volts * self.gain + self.offset)) - SENSOR.zero) * PA_PER_V

    def air(self, moment: float) -> float:
        """The first reading of all, 10 ms after the meter's wait: its range still settles."""
        left = self.settling * math.exp(-WINDOW_S / 2 / METER.range_settling.decay)
        return float(self.of(0.0, moment)) + left * PA_PER_V


AS_IT_IS = Said(0.0, 0.0, 0.0)


class Drive(NamedTuple):
    """One drive's readings: currents (A) while it starts and fills, pressures (Pa) to its watch.

    `filled` goes with `currents`; `passed` is when (s) the pressure itself passes, from the first
    row's time.
    """

    starting: Floats
    currents: Floats
    filled: Floats
    watched: Floats
    passed: float


@functools.cache
def drives(
    source_gain: float = 0.0, source_offset: float = 0.0, said: Said = AS_IT_IS
) -> tuple[Drive, ...]:
    """The three drives, one after the other.

    A ramp is of ten levels of 100 ms, on whose last one the next line begins after its reading.
    While it fills a row is taken each 200 ms, to the first at which the pressure is there. The
    output stays on at 0 V for 50 ms before it goes off.
    """

    def sourced(volts: float) -> float:
        return volts * (1 + source_gain) + source_offset

    course, found = Course(), []
    course.go(METER.range_settling.wait, None)
    air = said.air(course.now + WINDOW_S / 2)
    course.go(SENSOR_S, None)
    for drive in DRIVES:
        course.is_open = False
        course.go(LINE_S + SENSOR_S, None)
        if drive == DRIVES[0]:
            # A look at the open terminals, and a push of 20 mA: the motor creeps.
            course.go(WINDOW_S + CONTACT_S, None)
            course.go(0.5, 0.02 * (MOTOR.resistance + LEADS_OHM))
            course.go(CONTACT_S, None)
        course.go(CONTACT_S, None)
        course.go(WINDOW_S + 0.1, sourced(0.0))
        starting = []
        for step in range(1, 11):
            way = course.go(0.1 if step < 10 else ROW_S, sourced(drive * step / 10))
            starting.append(float(means(way, 5)))
        begun, longest = course.now, 16.0
        way = course.go(longest, sourced(drive))
        rows = np.arange(0.0, longest - 1.0, 0.2)
        at = rows + WINDOW_S
        filled = said.of(means(way, 6, at), begun + at + WINDOW_S / 2)
        last = int(np.argmax(filled >= air + RISE_PA))
        assert last, f"it doesn't get so far at {drive} V"
        passes = float(brentq(lambda s, of=way: of(s)[2] - RISE_PA, 0.0, longest))
        rows = rows[: last + 1]
        course.state, course.now = way(rows[-1] + ROW_S), begun + float(rows[-1]) + ROW_S
        course.go(0.1, sourced(drive))
        for step in range(9, 0, -1):
            course.go(0.1, sourced(drive * step / 10))
        course.go(WINDOW_S + 0.05 + CONTACT_S, sourced(0.0))
        ticks, begun = np.arange(WATCH_S + 1), course.now
        open_way = course.go(WATCH_S + SENSOR_S, None)
        watched = said.of(means(open_way, 6, ticks), begun + ticks + WINDOW_S / 2)
        course.is_open = True
        course.go(LINE_S + 20.0, None)
        filled = filled[: last + 1] - air
        found.append(
            Drive(np.array(starting), means(way, 5, rows), filled, watched, passes - WINDOW_S / 2)
        )
    return tuple(found)


@functools.cache
def pump(
    source_gain: float = 0.0, source_offset: float = 0.0, read_v_gain: float = 0.0,
    read_v_offset: float = 0.0, read_i_gain: float = 0.0, read_i_offset: float = 0.0,
    meter_gain: float = 0.0, meter_offset: float = 0.0, settling: float = 0.0,
) -> Mapping[str, float]:  # fmt: skip
    """The results of the three drives; the time to fill is between the last two rows.

    All errors at their limits at once move it by 32 ms at the most, and the next row is further
    away than that: none puts the end off by a row.
    """
    found = {}
    said = Said(meter_gain, meter_offset, settling)
    for drive, one in zip(DRIVES, drives(source_gain, source_offset, said), strict=True):
        flows = one.currents * (1 + read_i_gain) + read_i_offset
        true = drive * (1 + source_gain) + source_offset
        volts = true * (1 + read_v_gain) + read_v_offset
        # How far the last row but one stayed below, and how far the last one came above.
        before, after = RISE_PA - one.filled[-2], one.filled[-1] - RISE_PA
        results = {
            "t": 0.2 * (len(flows) - 2 + before / (before + after)),
            "I": np.mean(flows),
            "I_start": one.starting.max() * (1 + read_i_gain) + read_i_offset,
            "E": np.trapezoid(flows * volts, dx=0.2),
            "leak": -np.polyfit(np.arange(5.0, WATCH_S + 1), one.watched[5:], 1)[0],
        }
        found |= {f"{name}[{drive:g}]": float(value) for name, value in results.items()}
    return found


SMU, VESSEL = Instrument(NAME), Instrument(NAME, "vessel")
VOLTS, READ_V, READ_I = SMU.sources("V", 40.0), SMU.measures("V", 40.0), SMU.measures("A", 5.0)
# Half a digit is rounded: 10 µV, and 10 µA.
PA_NOISE = PA_PER_V * (VESSEL.noise("V", 12.0) + 5e-6)
A_NOISE = SMU.noise("A", 5.0) + 5e-6
LEAK = PUMP.leak * AIR_PA / PUMP.volume * RISE_PA

JOBS = [
    Job(
        NAME,
        pump,
        {
            "source_gain": VOLTS.share,
            "source_offset": VOLTS.plus,
            "read_v_gain": READ_V.share,
            "read_v_offset": READ_V.plus,
            "read_i_gain": READ_I.share,
            "read_i_offset": READ_I.plus,
            "meter_gain": VESSEL.measures("V", 12.0).share,
            "meter_offset": VESSEL.measures("V", 12.0).plus,
            "settling": METER.range_settling.error * 12.0,
        },
        scatter={
            f"{name}[{drive:g}]": share
            for drive, took in zip(DRIVES, (11.4, 7.1, 5.1), strict=True)
            for name, share in (
                # Two readings: of the air, and where it passes. A slope of 55 s, whose white noise
                # falls out over its 56 readings: what drifts in that time is left.
                ("t", 2 * PA_NOISE * took / RISE_PA),
                ("leak", 2 * PA_NOISE / 55.0),
                ("I", A_NOISE),
                ("I_start", A_NOISE),
                ("E", A_NOISE * drive * took + SMU.noise("V", 40.0) * 0.28 * took),
            )
        },
        biases={
            "t[3]": Bias(
                drives()[0].passed,
                -1.58e-3,
                "the sensor is read 20 ms after the current whose time a row has, and lags by 2 ms",
            ),
            "leak[3]": Bias(LEAK, 2.17e-2, "it pushes on while it comes to rest"),
            "leak[6]": Bias(LEAK, 0.102, "the same, the faster it was"),
        },
        seeds=(0,),
    ),
]
