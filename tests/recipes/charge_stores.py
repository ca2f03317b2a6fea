"""Recipes on capacitors: charge, hold, discharge, leave alone.

Each is worked out by the eigenvalues of the bench's own network, moved as the recipe moves it:
 the current is at its limit until the voltage is there, then the voltage is held.

Before its first `on` a part that stores gets a push of 1 % of its rated current, 505 ms long; the
contact closes 5 ms after the command; a look of one aperture follows, then the first reading. A
reading stands for the middle of its aperture.
"""

from __future__ import annotations

import functools
from collections.abc import Mapping
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from tests.recipes.bank import Bank
from tests.recipes.jobs import (
    SIGMAS,
    Bias,
    Instrument,
    Job,
    part_of,
)

Floats = NDArray[np.float64]

PUSH_S, CONTACT_S = 0.505, 0.005


def bank_of(name: str, part: str, leads: float = 0.0) -> Bank:
    """The capacitor of a bench, settled at its voltage."""
    model = part_of(name, part)
    branches = [(branch.resistance, branch.capacitance) for branch in model.slow_branches]
    return Bank(
        model.series_resistance, model.capacitance, branches, model.leakage_resistance,
        model.initial.voltage, leads,
    )  # fmt: skip


class Phase(NamedTuple):
    """Readings at even steps: times from its start (s), true voltage (V) and current (A)."""

    times: Floats
    voltage: Floats
    current: Floats


def charge_up(
    bank: Bank, volts: float, amperes: float, first: float, step: float, until: float
) -> Phase:
    """Charge at a limit up to a voltage, read from `first` on until a current is reached (A).

    The bank is left at the last reading; four wires: its voltage is what is held.
    """
    turns = bank.until(volts, amperes, 1e4)
    times = first + step * np.arange(int(turns / step) + 200)
    before = times[times < turns]
    rising = bank.voltages(amperes, before) if len(before) else np.zeros(0)
    bank.drive(amperes, turns)
    after = times[len(before) :] - turns
    flows = bank.currents(volts, after)
    while flows[-1] > until:
        times = np.append(times, times[-1] + step * np.arange(1, len(times)))
        after = times[len(before) :] - turns
        flows = bank.currents(volts, after)
    count = int(np.argmax(flows <= until)) + 1
    bank.hold(volts, float(after[count - 1]))
    held = volts - bank.lost_in_leads(flows[:count])
    return Phase(
        times[: len(before) + count],
        np.concatenate((rising, held)),
        np.concatenate((np.full(len(before), amperes), flows[:count])),
    )


def draw_down(bank: Bank, amperes: float, first: float, step: float, until: float) -> Phase:
    """Draw a current (A, above zero), read from `first` on until a voltage is reached."""
    count = int(np.ceil((bank.until(until, -amperes, 1e4) - first) / step)) + 1
    times = first + step * np.arange(count)
    falling = bank.voltages(-amperes, times)
    bank.drive(-amperes, float(times[count - 1]))
    return Phase(times[:count], falling[:count], np.full(count, -amperes))


def counted(values: Floats, times: Floats) -> float:
    """What a counter makes of readings from the first to the last: the mean of two for the time."""
    return float(np.trapezoid(values, times))


@functools.cache
def load_and_watch(
    source_i: float = 0.0, read_i: float = 0.0, read_v: float = 0.0
) -> Mapping[str, float]:
    """1 A from 2.5 V down until 1.205 V are read; a crossing on the line between two readings."""
    bank = bank_of("load-and-watch", "bank")
    bank.drive(0.022, PUSH_S)
    bank.drive(0.0, CONTACT_S)
    load, last = 1.0 + source_i, 1.205 - read_v
    phase = draw_down(bank, load, 0.03, 0.2, last)
    (high, low), (at, _) = phase.voltage[-2:], phase.times[-2:]
    t = at + 0.2 * (high - last) / (high - low) - phase.times[0]
    flow = -phase.current - read_i
    E = counted(flow * (phase.voltage + read_v), phase.times)
    return {"t": t, "Q": counted(flow, phase.times), "E": E, "P": E / t}


@functools.cache
def characterise(
    source_v: float = 0.0, source_i: float = 0.0, read_i_gain: float = 0.0,
    read_i_offset: float = 0.0, read_v_gain: float = 0.0, read_v_offset: float = 0.0,
) -> Mapping[str, float]:  # fmt: skip
    """Emptied, charged, held and discharged at 3 A; C and R by the line from 2.16 V to 1.08 V."""
    bank = bank_of("characterise-supercapacitor", "bank")
    bank.drive(0.042, PUSH_S)
    bank.drive(0.0, CONTACT_S)

    def volts(true: Floats) -> Floats:
        return true * (1 + read_v_gain) + read_v_offset

    def amperes(true: Floats) -> Floats:
        return true * (1 + read_i_gain) + read_i_offset

    def as_true(read: float) -> float:
        return (read - read_v_offset) / (1 + read_v_gain)

    draw_down(bank, 3.0 + source_i, 0.03, 0.2, as_true(0.02))
    bank.drive(-3.0 - source_i, 0.01)
    full = 2.7 + source_v
    until = (0.15 - read_i_offset) / (1 + read_i_gain)
    charging = charge_up(bank, full, 3.0 + source_i, 0.01, 0.2, until)
    bank.hold(full, 0.02)
    # The channel is read between the rows, too, as its energy rating wants it: so nearly exactly.
    times = np.linspace(0.0, 1800.0, 36001)
    soaking = bank.currents(full, times)
    bank.hold(full, 1800.02)
    rest = float(volts(np.array(full)))
    bank.hold(full, 0.01)
    # The reading at rest is 20 ms before the first one under current, the start between the two.
    discharging = draw_down(bank, 3.0 + source_i, 0.01, 0.1, as_true(0.1))
    seen, flows = volts(discharging.voltage), amperes(discharging.current)
    inside = (seen < 2.16) & (seen > 1.08)
    _, at_start = np.polyfit(discharging.times[inside], seen[inside], 1)
    ends = np.interp([-2.16, -1.08], -seen, discharging.times)
    flow = float(np.mean(flows))
    power = flows * seen
    # A level that changes has no mean of two readings: each stands for its own side of it.
    given = counted(power, discharging.times) + 0.01 * power[0]
    given += 0.01 * float(amperes(np.array(bank.leak_at(full)))) * rest
    taken = counted(amperes(charging.current) * volts(charging.voltage), charging.times)
    taken += counted(amperes(soaking) * rest, times)
    return {
        "C": -flow * (ends[1] - ends[0]) / 1.08,
        "R": (at_start - rest) / flow,
        "efficiency": -given / taken,
    }


@functools.cache
def soak(
    source_v: float = 0.0, read_i_gain: float = 0.0, read_i_offset: float = 0.0,
    read_v_gain: float = 0.0, drift_v: float = 0.0,
) -> Mapping[str, float]:  # fmt: skip
    """Charged at 1 A, held for three days, left open for one."""
    bank = bank_of("soak-supercapacitor", "bank")
    bank.drive(0.011, PUSH_S)
    bank.drive(0.0, CONTACT_S)
    full = 2.7 + source_v
    until = (0.05 - read_i_offset) / (1 + read_i_gain)
    charge_up(bank, full, 1.0, 0.3, 1.0, until)
    bank.hold(full, 0.1)
    bank.hold(full, CONTACT_S)
    bank.drive(0.0, CONTACT_S)
    # The limit of 40 mA is in control for some seconds, until the main capacitance is back.
    turns = bank.until(full, 0.04, 100.0)
    bank.drive(0.04, turns)
    times = 0.3 + 60.0 * np.arange(1, 4321)
    flows = bank.currents(full, times - turns) * (1 + read_i_gain) + read_i_offset
    hours = (times - 0.3) / 3600
    bank.hold(full, float(times[-1]) - turns + 0.1 + CONTACT_S)
    looks = 600.0 * np.arange(145)
    left = bank.voltages(0.0, looks + 0.1) * (1 + read_v_gain)
    second = looks >= 43200.0
    fall = -float(np.polyfit(looks[second], left[second], 1)[0])

    def mean(after: float, before: float) -> float:
        return float(np.mean(flows[(hours >= after - 1e-9) & (hours <= before + 1e-9)]))

    return {
        "I_1": mean(5 / 6, 1.0), "I_24": mean(23.0, 24.0), "I_end": mean(71.0, 72.0),
        "fall": fall + drift_v / 43200.0,
    }  # fmt: skip


@functools.cache
def hold_between(
    source_v: float = 0.0, source_i: float = 0.0, read_v: float = 0.0, read_i: float = 0.0
) -> Mapping[str, float]:
    """A day of looks a minute apart, each a decision; two wires of 20 mΩ."""
    bank = bank_of("hold-between-voltages", "reserve", leads=0.04)
    upper, rate = 2.5 + source_v, 1.0 + source_i
    bank.drive(0.0, 0.045)
    bank.drive(0.011, PUSH_S)
    bank.drive(0.0, CONTACT_S)
    first = charge_up(bank, upper, rate, 0.03, 0.2, 0.05 - read_i)
    now = 0.555 + float(first.times[-1])
    bank.hold(upper, 0.015)
    bank.drive(0.0, 10.01)
    now += 10.025
    begun, seen, top_ups, put_in, drawn = now, [], 0, 0.0, 0.0
    for tick in range(1441):
        bank.drive(0.0, begun + 60.0 * tick - now)
        now = begun + 60.0 * tick
        seen.append(bank.terminal() + read_v)
        if seen[-1] > 2.3:
            continue
        bank.drive(0.0, 0.015)
        top = charge_up(bank, upper, rate, 0.03, 0.2, 0.05 - read_i)
        bank.hold(upper, 0.015)
        flows = top.current + read_i
        inside = counted(flows, top.times)
        # From one top-up's last reading to the next one's first: 15 ms, and 30 ms of its first.
        drawn += inside + (0.03 * flows[0] + put_in if top_ups else 0.0)
        put_in = 0.015 * flows[-1]
        bank.drive(0.0, 10.01)
        now += 0.015 + float(top.times[-1]) + 10.025
        seen.append(bank.terminal() + read_v)
        top_ups += 1
    return {
        "lowest": min(seen), "highest": max(seen), "count": float(top_ups),
        "operations": 2.0 * top_ups + 2, "drawn": drawn / 86400.0,
    }  # fmt: skip


SMU = Instrument("load-and-watch")
VOLTS, AMPERES = SMU.measures("V", 5.0), SMU.measures("A", 5.0)
V_NOISE, A_NOISE = SMU.noise("V", 5.0), SMU.noise("A", 5.0)

JOBS = [
    Job(
        "load-and-watch",
        load_and_watch,
        {
            "source_i": SMU.sources("A", 5.0).at(1.0),
            "read_i": AMPERES.at(1.0),
            "read_v": VOLTS.at(2.5),
        },
        # Noise at the crossing, over how fast the voltage falls there; a current's mean has none.
        scatter={"t": V_NOISE * 330 / 1.0, "P": 1.85 * V_NOISE * 330 / 464},
        ticks={
            "Q": (0.2, "the reading that ends it may come 200 ms sooner or later, at 1 A"),
            "E": (0.2 * 1.2, "the same at 1.2 V"),
            "P": (0.2 * 1.2 / 463, "the same, over the time"),
        },
    ),
    Job(
        "characterise-supercapacitor",
        characterise,
        {
            "source_v": SMU.sources("V", 5.0).at(2.7),
            "source_i": SMU.sources("A", 5.0).at(3.0),
            "read_i_gain": AMPERES.share,
            "read_i_offset": AMPERES.plus,
            "read_v_gain": VOLTS.share,
            "read_v_offset": VOLTS.plus,
        },
        # C by two crossings, R by one reading at rest; both of a voltage with its noise.
        scatter={
            "C": 360 * 2 * V_NOISE / 1.08 + 360 * A_NOISE / 3.0,
            "R": 2 * V_NOISE / 3.0 + 6.7e-3 * A_NOISE / 3.0,
        },
        exact={
            "efficiency": (
                1e-5,
                "the hold's 0.7 % of the energy is counted by trapezoids of up to 5 s, too",
            )
        },
        ticks={
            "efficiency": (
                0.2 * 0.4 / 1333 + 0.1 * 0.3 / 1333,
                "the readings that end charge and discharge, of 0.4 W and 0.3 W",
            )
        },
        biases={
            "C": Bias(360.0, -2.1e-4, "330 F and the branch's 30 F, less what leaks and lags"),
            "R": Bias(3.2e-3, 1.08, "3.2 mΩ, and 0.5 Ω·(30/360)² of a slow branch that lags"),
        },
    ),
    Job(
        "soak-supercapacitor",
        soak,
        {
            "source_v": SMU.sources("V", 5.0).at(2.7),
            "read_i_gain": SMU.measures("A", 50e-3).share,
            "read_i_offset": SMU.measures("A", 50e-3).plus,
            "read_v_gain": VOLTS.share,
            # An offset falls out of a slope, its drift within 12 h does not.
            "drift_v": SIGMAS * V_NOISE,
        },
        scatter=dict.fromkeys(("I_1", "I_24", "I_end"), SMU.noise("A", 50e-3, 10)),
        biases={
            "I_1": Bias(2.7 / 5e3, 3.08, "2.7 V over 5 kΩ; 8 F still charge through 400 Ω"),
        },
        seeds=(0,),
    ),
    Job(
        "hold-between-voltages",
        hold_between,
        {
            "source_v": SMU.sources("V", 5.0).at(2.5),
            "source_i": SMU.sources("A", 5.0).at(1.0),
            "read_v": VOLTS.at(2.5),
            "read_i": AMPERES.at(1.0),
        },
        scatter={"lowest": V_NOISE, "highest": V_NOISE},
        ticks={
            "lowest": (2.5 / 480 / 50 * 60, "a look comes a minute sooner or later: 5 mA of 50 F"),
            "highest": (0.2 * 0.05 / 50, "a top-up ends a reading sooner or later, at 50 mA"),
            "count": (1.0, "a top-up more or less"),
            "operations": (2.0, "twice that"),
            "drawn": (50 * 0.2 / 86400, "a top-up by 0.2 V of 50 F more or less in a day"),
        },
    ),
]
