"""Recipes on what only conducts: a joint, an insulator, a resistor in a pulse, a fuse."""

from __future__ import annotations

import functools
import math
from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray
from scipy import constants
from scipy.integrate import solve_ivp

from tests.recipes.jobs import (
    Bias,
    Instrument,
    Job,
    part_of,
)

Floats = NDArray[np.float64]


def slopes(driven: Floats, answers: Floats) -> tuple[Floats, Floats, Floats]:
    """Two-point and three-point slopes of stays at alternating levels, and what doesn't turn.

    The stays are at even times; the offset is that of the three-point slopes.
    """
    a, d = answers, driven
    two = (a[::2] - a[1::2]) / (d[::2] - d[1::2])
    three = (a[:-2] - 2 * a[1:-1] + a[2:]) / (d[:-2] - 2 * d[1:-1] + d[2:])
    offsets = (a[:-2] + 2 * a[1:-1] + a[2:]) / 4 - three * (d[:-2] + 2 * d[1:-1] + d[2:]) / 4
    return two, three, offsets


JOINT = part_of("measure-joints", "joint")
JOINT_OHM = JOINT.resistance * (1 + JOINT.temperature_coefficient * 1.0)  # at 21 °C, from 20 °C


@functools.cache
def joints(
    read_v_gain: float = 0.0, read_v_offset: float = 0.0, read_i_gain: float = 0.0,
    source_i: float = 0.0,
) -> Mapping[str, float]:  # fmt: skip
    """Thirty readings of 0.8 s, 1.3 s apart, at each of four joints; the drift is a sine.

    The spots of the metal are warmer than the rest by u²/(8·L·T), 0.7 mK here, of which two thirds
    count (R. Holm, from memory), L Lorenz' number.
    """
    lorenz = math.pi**2 / 3 * (constants.k / constants.e) ** 2
    u = JOINT_OHM * 0.09
    spots = 2 / 3 * JOINT.temperature_coefficient * u**2 / (8 * lorenz * 294.15)
    ohm = JOINT_OHM + JOINT.resistance * spots
    found = {}
    for joint in range(4):
        # Two looks, a push and a third look of 0.8 s each are over when the first joint begins; a
        # joint takes thirty readings, a look, and twice the contact's 5 ms.
        times = 4.915 + joint * (30 * 1.3 + 0.81) + 1.3 * np.arange(30)
        levels = (0.09 + source_i) * (1 - 2 * (np.arange(30) % 2))
        thermal = 1.2e-6 + JOINT.thermal_voltage
        moves = JOINT.drift * np.sin(2 * math.pi * times / JOINT.drift_period)
        volts = (ohm * levels + thermal + moves) * (1 + read_v_gain) + read_v_offset
        two, three, offset = slopes(levels * (1 + read_i_gain), volts)
        key = f"[{joint + 1}]"
        found["R.two_point" + key] = float(np.mean(two))
        found["R.three_point" + key] = float(np.mean(three))
        found["R.thermal_voltage" + key] = float(np.mean(offset))
    return found


POST = part_of("measure-insulator", "post")
POST_OHM = POST.resistance / (1 - POST.voltage_coefficient * 30.0)


def soak_branches() -> list[tuple[float, float]]:
    """Resistance (ohm) and time constant (s) of what soaks: two branches a decade of time."""
    soak = POST.absorption
    span = math.log(soak.longest / soak.shortest)
    count = round(2 * span / math.log(10))
    farad = soak.share * POST.capacitance / count
    times = [soak.shortest * math.exp(span * (k + 0.5) / count) for k in range(count)]
    return [(t / farad, t) for t in times]


@functools.cache
def insulator(
    source_v: float = 0.0, read_v_gain: float = 0.0, read_v_offset: float = 0.0,
    read_i_gain: float = 0.0, read_i_offset: float = 0.0, sensor: float = 0.0,
) -> Mapping[str, float]:  # fmt: skip
    """Eight stays of 60 s at ±30 V, the last 29 s of each count; then one more.

    At the start of each, the limit of 4 nA takes the part's capacitance and the guarded cable's
    from one polarity to the other; the last reading and the two of the meters follow the 60 s.
    What is off by the instrument is three times as much when it is cold, and falls with a fifth of
    40 min as its time constant: it doesn't drift evenly, and so doesn't fall out.
    """
    # The reading in which the polarity turns is none of a stay, which so begins a second later.
    rows = np.arange(31, 61) * 1.0
    volts, flows = [], []
    branches = soak_branches()
    held, before = [0.0] * len(branches), 0.0
    stay_s = 60 + 0.2 + 2 * 0.041
    for stay in range(8):
        level = (30.0 + source_v) * (1 - 2 * (stay % 2))
        rise_s = abs(level - before) * (POST.capacitance + 60e-12 / 1000) / 4e-9
        flow = np.full(len(rows), level / POST_OHM)
        for k, (ohm, tau) in enumerate(branches):
            # v' = s on the way, u' = (v − u)/τ: u lags by what v rose in τ, and that dies away.
            lag = (level - before) / rise_s * tau
            risen = level - lag + (held[k] - before + lag) * math.exp(-rise_s / tau)
            left = (level - risen) * np.exp(-(rows + 0.1 - rise_s) / tau)
            flow += left / ohm
            held[k] = level - (level - risen) * math.exp(-(stay_s - rise_s) / tau)
        before = level
        # The part's own, less what a shield lets in: a hundredth of 30 pA.
        flow += POST.offset_current - 0.3e-12
        cold = 1 + 2 * np.exp(-5 * (0.6 + stay_s * stay + rows) / 2400)
        volts.append(float(np.mean(level + cold * (level * read_v_gain + read_v_offset))))
        flows.append(float(np.mean(flow + cold * (flow * read_i_gain + read_i_offset))))
    two, three, offset = slopes(np.array(volts), np.array(flows))
    R, T = 1 / float(np.mean(three)), 295.15 + sensor
    return {
        "T": T, "R.two_point": 1 / float(np.mean(two)), "R.three_point": R,
        "R.offset_current": float(np.mean(offset)),
        "floor": math.sqrt(4 * constants.k * T / R),
    }  # fmt: skip


SAMPLE_S = 2.5e-6


def passes(times: Floats, values: Floats, level: float) -> float:
    """When values that begin below a level first reach it, on the line between two of them."""
    k = int(np.argmax(values >= level))
    share = (level - values[k - 1]) / (values[k] - values[k - 1])
    return float(times[k - 1] + share * (times[k] - times[k - 1]))


@functools.cache
def pulse_resistor(
    source_v: float = 0.0, read_v: float = 0.0, read_i: float = 0.0, ohms_v: float = 0.0,
    ohms_i: float = 0.0, slowness: float = 0.0,
) -> Mapping[str, float]:  # fmt: skip
    """30 V on 4.7 Ω for 1 ms, sampled every 2.5 µs from 100 µs before it passes 1 V.

    A source takes its time (s for each volt) to the level and back. The limit that goes with 0 V is
    500 mA, and gives way by 5 mA until the level is there: the current falls to it at once.
    """
    ohm = part_of("pulse-resistor", "film").resistance
    R = (0.05 * ohm + ohms_v) / (0.05 + ohms_i)
    volts, width = 30.0 + source_v, 1e-3
    times = SAMPLE_S * np.arange(600)
    since = times - 100e-6 + 1.0 * slowness
    # An edge of its own at the very moment of a sample is that sample's, but for rounding.
    rising = np.where(since > -1e-12, volts, 0.0)
    falling = np.where(since - width > -1e-12, 0.0, volts)
    if slowness:
        rising = np.clip(since / slowness, 0.0, volts)
        falling = np.clip(volts - (since - width) / slowness, 0.0, volts)
        falling = np.where(since > width, np.minimum(falling, 0.505 * ohm), falling)
    true = np.minimum(rising, falling)
    flow = true / ohm + read_i
    E = float(np.trapezoid((true + read_v) * flow, dx=SAMPLE_S))
    top = float(flow.max())
    t_10, t_90 = passes(times, flow, 0.1 * top), passes(times, flow, 0.9 * top)
    return {
        "R_0": R, "R_1": R, "drift": 0.0, "E": E, "share": E / (900.0 / R * width), "top": top,
        "t_10": t_10, "t_90": t_90, "rise": t_90 - t_10, "L": (t_90 - t_10) * R / math.log(9),
    }  # fmt: skip


FUSE = part_of("trip-resettable-fuse", "fuse")


class Fuse:
    """A resettable fuse on a supply with a limit: its temperature above 22 °C (K), and its rise r.

    R = R_0·r·10^(D·s(x)) with the smooth step s, heat C·dT/dt = p − T/R_th, and r on its way to
    the raised value where it is tripped, else back to 1, as the part's own page has it.
    """

    def __init__(self) -> None:
        self.state: Floats = np.array([0.0, 1.0])

    def ohms(self, state: Floats) -> Floats:
        """Resistance (ohm) at states of shape (2,) or (2, n)."""
        x = np.clip(
            (state[0] + 295.15 - FUSE.switching_temperature) / FUSE.switching_width, 0.0, 1.0
        )
        step = x**3 * (10 - 15 * x + 6 * x**2)
        found: Floats = FUSE.resistance * state[1] * 10 ** (FUSE.decades * step)
        return found

    def flow(self, state: Floats, supply: float, limit: float) -> Floats:
        """The current (A): the limit, or what the supply drives."""
        return np.minimum(limit, supply / self.ohms(state))

    def run(
        self, supply: float, limit: float, seconds: float, at: Sequence[float] | Floats = ()
    ) -> Floats:
        """Go on for a time (s), and the states at times on the way, shape (2, n)."""

        def rates(_: float, state: Floats) -> list[float]:
            ohm, flow = self.ohms(state), self.flow(state, supply, limit)
            untripped = FUSE.resistance * state[1] / ohm
            raised = (1 - untripped) * (FUSE.raised - state[1]) / FUSE.raising_time
            lost = state[0] / FUSE.heating.thermal_resistance
            return [
                (flow**2 * ohm - lost) / FUSE.heating.heat_capacity,
                raised + untripped * (1 - state[1]) / FUSE.relaxation_time,
            ]

        done = solve_ivp(
            rates, (0.0, seconds), self.state, "LSODA", dense_output=True, rtol=1e-10, atol=1e-11
        )
        self.state = done.y[:, -1]
        found: Floats = done.sol(np.asarray(at, float)) if len(at) else np.zeros((2, 0))
        return found


@functools.cache
def fuse(
    source_v: float = 0.0, source_i_gain: float = 0.0, source_i_offset: float = 0.0,
    read_i_gain: float = 0.0, read_i_offset: float = 0.0, read_v: float = 0.0,
    ohms_v: float = 0.0, ohms_i: float = 0.0, sensor: float = 0.0,
) -> Mapping[str, float]:  # fmt: skip
    """Carried, tripped three times, left alone: the heat equation, at the recipe's own moments.

    A reading of 200 µs follows a look as long, 5 ms after the command. The energy to trip is that
    of the readings every 10 ms, of which the last before the fall holds until the trip. A source is
    at its limit within 0.3 µs, as at 5 V/µs to 1.2 V, and the 5 mA that this gives way by are gone
    in 50 µs: to a trip of 2 s neither counts.
    """
    part = Fuse()
    nodes, weights = np.polynomial.legendre.leggauss(5)

    def limit(amperes: float) -> float:
        return amperes * (1 + source_i_gain) + source_i_offset

    def read(true: Floats) -> Floats:
        return true * (1 + read_i_gain) + read_i_offset

    def four_wire() -> float:
        return (0.1 * float(part.ohms(part.state)) + ohms_v) / (0.1 + ohms_i)

    supply = 12.0 + source_v
    found = {"T": 295.15 + sensor, "R_0": four_wire()}
    part.run(1.0, 0.1, 0.62)
    part.run(supply, limit(0.5), 900.0464)
    part.run(supply, 0.0, 900.005)
    for asked in (1.5, 2.0, 2.5):
        key, most = f"[{asked:g}]", limit(asked)
        rows = 3e-4 + 0.01 * np.arange(3000)
        begin = part.state
        # Each is a mean over its 200 µs, in which a fuse that trips moves.
        within = (rows[:, np.newaxis] + 1e-4 * nodes).ravel()
        states = part.run(supply, most, float(within[-1]), within)
        flows = part.flow(states, supply, most)
        i = read(flows.reshape(-1, 5) @ weights / 2)
        v = (flows * part.ohms(states)).reshape(-1, 5) @ weights / 2 + read_v
        last = int(np.argmax(i <= 0.5 * asked))
        assert last, f"it carries {asked} A"
        fallen = int(np.argmax(i < 0.5 * i[0]))
        share = (i[fallen - 1] - 0.5 * i[0]) / (i[fallen - 1] - i[fallen])
        t = rows[fallen - 1] + 0.01 * share - rows[0]
        power = (i * v)[:fallen]
        found["t" + key] = float(t)
        found["E" + key] = float(np.trapezoid(power, dx=0.01) + 0.01 * share * power[-1])
        found["let_through" + key] = float(np.trapezoid(i[: last + 1] ** 2, dx=0.01))
        part.state = begin
        looks = float(rows[last]) + 2e-4 + np.arange(61)
        states = part.run(supply, most, float(looks[-1]) + 0.0051, looks[30:])
        i, v = read(part.flow(states, supply, most)), np.full(31, supply + read_v)
        found["R_t" + key] = float(np.mean(v) / np.mean(i))
        found["P_t" + key] = float(np.mean(i * v))
        part.run(supply, 0.0, 900.005 if asked < 2.5 else 3600.005)
    part.run(1.0, 0.1, 0.42)
    found["R_1"] = four_wire()
    return found


COARSE, FINE = Instrument("measure-joints"), Instrument("measure-insulator")
METER = Instrument("measure-insulator", "box")
KELVIN_PER_VOLT = 125.0 / 10.0
SAMPLE_A = COARSE.noise("A", 12.0, 1 / 8000)
COLD = 2.0
"""The meter's errors when it is cold; it warms in 25 min."""

JOBS = [
    Job(
        "measure-joints",
        joints,
        {
            "read_v_gain": COARSE.measures("V", 0.5).share,
            "read_v_offset": COARSE.measures("V", 0.5).plus,
            "read_i_gain": COARSE.measures("A", 0.5).share,
            "source_i": COARSE.sources("A", 0.5).at(0.09),
        },
        # The current's own offset falls out of R, as it is the same both ways, and is 0.2 µV of
        # the thermal voltage. The drift goes on through the thirty readings of a joint.
        scatter={
            **{
                f"R.{way}[{joint}]": COARSE.noise("V", 0.5, 40) / 0.09 / math.sqrt(30)
                for way in ("two_point", "three_point")
                for joint in range(1, 5)
            },
            **{f"R.thermal_voltage[{joint}]": COARSE.noise("V", 0.5, 40) for joint in range(1, 5)},
        },
        biases={
            "R.two_point[1]": Bias(JOINT_OHM, -2.7e-5, "half of a step of drift stays"),
            "R.three_point[1]": Bias(JOINT_OHM, 1.78e-6, "the spots are 0.7 mK warmer"),
        },
    ),
    Job(
        "measure-insulator",
        insulator,
        {
            "source_v": FINE.sources("V", 200.0).at(30.0),
            "read_v_gain": FINE.measures("V", 200.0).share,
            "read_v_offset": FINE.measures("V", 200.0).plus,
            "read_i_gain": FINE.measures("A", 25e-9).share,
            "read_i_offset": FINE.measures("A", 25e-9).plus,
            "sensor": COLD * METER.measures("V", 12.0).at(4.96) * KELVIN_PER_VOLT,
        },
        scatter={
            "T": METER.noise("V", 12.0) * KELVIN_PER_VOLT,
            # 31 readings a stay, eight stays, of which drift is the larger part.
            **dict.fromkeys(
                ("R.two_point", "R.three_point"),
                FINE.noise("A", 25e-9, 10 * 31) / 2e-10 / math.sqrt(8) * POST_OHM,
            ),
            "R.offset_current": FINE.noise("A", 25e-9, 10 * 31),
            "floor": 1e-18,
        },
        biases={
            "R.three_point": Bias(POST_OHM, -1.3e-4, "what still soaks after 30 s, as 1/t"),
        },
        without={
            "noise": "it is the instrument's: its density is a draw of chance, and of its rounding"
        },
        seeds=(0,),
        settings={"soak": "1 min"},
    ),
    Job(
        "pulse-resistor",
        pulse_resistor,
        {
            "source_v": COARSE.sources("V", 40.0).at(30.0),
            "read_v": COARSE.measures("V", 40.0).at(30.0),
            "read_i": COARSE.measures("A", 12.0).at(30 / 4.7),
            "ohms_v": COARSE.measures("V", 5.0).at(0.235),
            "ohms_i": COARSE.measures("A", 50e-3).at(50e-3),
        },
        scatter={
            **dict.fromkeys(("R_0", "R_1"), COARSE.noise("V", 5.0, 20) / 0.05),
            "drift": 1.5 * COARSE.noise("V", 5.0, 20) / 0.235,
            "E": COARSE.noise("A", 12.0, 1 / 20) * 30.0 * 1e-3,
            "share": COARSE.noise("A", 12.0, 1 / 20) / 6.4,
            # The largest of 400 samples; where it passes by its noise over its slope there, between
            # 1 V and 13.5 V, and between 26 V and 30 V.
            "top": SAMPLE_A,
            "t_10": 1.1 * SAMPLE_A * 4.7 / 5e6,
            "t_90": 1.9 * SAMPLE_A * 4.7 / 1.6e6,
            "rise": 2.3 * SAMPLE_A * 4.7 / 1.6e6,
            "L": 2.3 * SAMPLE_A * 4.7 / 1.6e6 * 4.7 / math.log(9),
        },
        manners={"slowness": COARSE.slowness("V")},
    ),
    Job(
        "trip-resettable-fuse",
        fuse,
        {
            "source_v": COARSE.sources("V", 40.0).at(12.0),
            "source_i_gain": COARSE.sources("A", 5.0).share,
            "source_i_offset": COARSE.sources("A", 5.0).plus,
            "read_i_gain": COARSE.measures("A", 5.0).share,
            "read_i_offset": COARSE.measures("A", 5.0).plus,
            "read_v": COARSE.measures("V", 40.0).at(12.0),
            "ohms_v": COARSE.measures("V", 0.5).at(0.0573),
            "ohms_i": COARSE.measures("A", 0.5).at(0.1),
            "sensor": COLD * METER.measures("V", 12.0).at(4.96) * KELVIN_PER_VOLT,
        },
        scatter={
            "T": METER.noise("V", 12.0) * KELVIN_PER_VOLT,
            **dict.fromkeys(("R_0", "R_1"), COARSE.noise("V", 0.5, 20) / 0.1),
            **{
                f"{name}[{asked:g}]": share * COARSE.noise("A", 5.0, 30 / 100)
                for asked in (1.5, 2, 2.5)
                for name, share in (("R_t", 147 / 0.0816), ("P_t", 12.0))
            },
        },
        ticks={
            f"{name}[{asked:g}]": (0.01 * rate, "a reading of the fall more or less, 10 ms")
            for asked in (1.5, 2, 2.5)
            for name, rate in (("t", 1.0), ("E", 20.0), ("let_through", asked**2))
        },
        seeds=(0, 1, 2),
    ),
]
