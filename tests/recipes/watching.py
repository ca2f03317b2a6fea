"""Recipes that set and log: a supply, the charge that a thing draws, light through a night."""

from __future__ import annotations

import functools
from collections.abc import Mapping

import numpy as np

from tests.recipes.jobs import (
    Instrument,
    Job,
    bench_of,
    part_of,
)

LEADS_OHM = 0.06


@functools.cache
def supply(source_v: float = 0.0, read_v: float = 0.0, read_i: float = 0.0) -> Mapping[str, float]:
    """Ohm's law: 12 V at the instrument on 24 Ω behind two leads of 30 mΩ, for an hour."""
    volts = 12.0 + source_v
    amperes = volts / (part_of("supply-and-watch", "heater").resistance + LEADS_OHM)
    seen, flow = volts + read_v, amperes + read_i
    return {
        "U": seen, "I": flow, "I_most": flow, "P": seen * flow, "E": seen * flow * 3600.0,
    }  # fmt: skip


@functools.cache
def count(
    source_v: float = 0.0, read_v: float = 0.0, gain: float = 0.0, offset: float = 0.0
) -> Mapping[str, float]:
    """Ohm's law: 5 V on 500 Ω behind two leads of 30 mΩ, for a day; the zero falls out."""
    volts = 5.0 + source_v
    flow = volts / (part_of("count-charge", "logger").resistance + LEADS_OHM) * (1 + gain)
    return {
        "I_before": offset, "I_after": offset, "I": flow, "I_most": flow,
        "Q": flow * 86400.0, "E": flow * 86400.0 * (volts + read_v),
    }  # fmt: skip


@functools.cache
def light(gain: float = 0.0, offset: float = 0.0) -> Mapping[str, float]:
    """Responsivity × area × irradiance, on straight lines between the bench's points of time.

    A reading of 200 ms each second, from 34.715 s on: thirty seconds of wait, twenty readings of
    200 ms, two looks and contacts of 5 ms have gone before. In the dark a shielded cable lets in a
    hundredth of 30 pA, which the instrument sees as −0.3 pA.
    """
    eye, profile = part_of("watch-light", "eye"), bench_of("watch-light").conditions.irradiance
    times = 34.715 + np.arange(43201.0)
    light_w = np.interp(times, profile.times_s, profile.values) * eye.area
    flow = eye.responsivity * light_w * (1 + gain)
    dark = -0.3e-12 + offset
    return {
        "I_before": dark, "I_after": dark, "brightest": flow.max() / 8e-9,
        "darkest": flow.min() / 8e-9, "Q": float(np.trapezoid(flow, times)),
    }  # fmt: skip


SMU = Instrument("supply-and-watch")
COLD_ROOM = Instrument("watch-light", grown=1 + 0.10 * (23 - 12 - 5))
"""At 12 °C readings are off by 10 % more for each kelvin below 18 °C."""

HUNDRED_MA, EYE = SMU.measures("A", 0.5), COLD_ROOM.measures("A", 5e-3)
ZERO_NOISE = SMU.noise("A", 0.5, 20)
EYE_NOISE = COLD_ROOM.noise("A", 5e-3, 10) + 5e-9  # half a digit is rounded

JOBS = [
    Job(
        "supply-and-watch",
        supply,
        {
            "source_v": SMU.sources("V", 40.0).at(12.0),
            "read_v": SMU.measures("V", 40.0).at(12.0),
            "read_i": SMU.measures("A", 5.0).at(0.5),
        },
        scatter={
            "U": SMU.noise("V", 40.0),
            "I_most": SMU.noise("A", 5.0),
            "I": SMU.noise("A", 5.0),
            "P": 12 * SMU.noise("A", 5.0),
            "E": 3600 * 12 * SMU.noise("A", 5.0),
        },
        seeds=(0, 1, 2, 3),
    ),
    Job(
        "count-charge",
        count,
        {
            "source_v": SMU.sources("V", 40.0).at(5.0),
            "read_v": SMU.measures("V", 40.0).at(5.0),
            "gain": HUNDRED_MA.share,
            "offset": HUNDRED_MA.plus,
        },
        # The zeros are means of twenty readings; what drifts between them by chance remains.
        scatter={
            "I_before": ZERO_NOISE,
            "I_after": ZERO_NOISE,
            "I": ZERO_NOISE,
            "I_most": ZERO_NOISE,
            "Q": ZERO_NOISE * 86400,
            "E": ZERO_NOISE * 86400 * 5,
        },
    ),
    Job(
        "watch-light",
        light,
        {"gain": EYE.share, "offset": EYE.plus},
        scatter={
            "I_before": EYE_NOISE,
            "I_after": EYE_NOISE,
            "brightest": EYE_NOISE / 8e-9,
            "darkest": EYE_NOISE / 8e-9,
            "Q": EYE_NOISE * 43200,
        },
        near={
            # 0.3 pA, of which the eye's shunt takes next to nothing.
            "I_before": (1e-18, "rounding"),
            "I_after": (1e-18, "rounding"),
        },
    ),
]
