"""Readings that a simulated channel foresees are those that it then takes, to the bit."""

from __future__ import annotations

import random

import numpy as np
import pytest

from drivers.channel import Acquisition, Capture, Reading, Setpoint
from drivers.figures import Rectangle
from drivers.simulated.circuits.flow import Integers
from drivers.simulated.instruments.instrument import SimulatedChannel
from tests.drivers.simulated_bench import on_part

CAPACITOR = """
model = "supercapacitor"
capacitance = "0.4 F"
series_resistance = "30 mohm"
slow_branches = [ { resistance = "2 ohm", capacitance = "0.2 F" } ]
leakage_resistance = "500 ohm"
"""
DIODE = """
model = "diode"
saturation_current = "3 nA"
series_resistance = "0.2 ohm"
"""
WARM = DIODE + 'heating = { heat_capacity = "20 mJ/K", thermal_resistance = "72 K/W" }\n'
COIL = 'model = "coil"\nresistance = "3 ohm"\ninductance = "50 mH"\n'
PARTS = {"capacitor": CAPACITOR, "diode": DIODE, "warm diode": WARM, "coil": COIL}


def charged(part: str, seed: int) -> tuple[SimulatedChannel, SimulatedChannel]:
    """The same instrument twice, in the same state, after the same steps."""
    found = []
    for _ in range(2):
        dice = random.Random(seed)
        channel, _, _ = on_part(PARTS[part], seed=seed, ideal=dice.random() < 0.2)
        ranges = dice.choice([(5.0, 5.0), (None, None), (5.0, 0.05)])
        channel.configure(Acquisition(*ranges, dice.choice([2e-4, 3e-3, 0.02]), None))
        channel.program(
            Setpoint("voltage", dice.choice([0.7, 1.5]), -1.0, dice.choice([0.04, 1.0]))
        )
        channel.switch(True)
        for _ in range(dice.randint(0, 5)):
            channel.measure()
        channel.poll()
        found.append(channel)
    return found[0], found[1]


@pytest.mark.parametrize("part", PARTS)
def test_what_is_foreseen_is_what_is_measured(part: str) -> None:
    foreseen = 0
    for seed in range(30):
        one, many = charged(part, seed)
        clock, dice = many._clock, random.Random(seed)
        singly = one._clock
        for _ in range(4):
            gap_ns = dice.choice([20_000_000, 33_333_333, 100_000_000])
            begins_ns = clock.now_ns + gap_ns * np.arange(1, dice.choice([5, 60, 300]))
            block = many.peek_many(begins_ns)
            # Looking spends nothing, however often.
            again = many.peek_many(begins_ns)
            for first, second in zip(block, again, strict=True):
                np.testing.assert_array_equal(first, second)
            count = len(block.time)
            foreseen += count
            taken = dice.randint(1, count) if count else 0
            if taken:
                many.take(taken)
            for k, begin_ns in enumerate(begins_ns[: taken + 1].tolist()):
                singly.now_ns = begin_ns
                expected = one.measure()
                if k < taken:
                    found = Reading(
                        float(block.time[k]), float(block.voltage[k]), float(block.current[k]),
                        block.limited, block.voltage_range, block.current_range,
                    )  # fmt: skip
                    assert repr(found) == repr(expected)
                    assert int(block.ends_ns[k]) == singly.now_ns
                else:
                    # What comes after a block goes on from where it ended.
                    clock.now_ns = begin_ns
                    assert repr(many.measure()) == repr(expected)
            assert [e.kind for e in one.poll()] == [e.kind for e in many.poll()]
    assert foreseen > 500


def test_nothing_is_foreseen_while_something_is_to_be_told() -> None:
    channel, clock, _ = on_part(CAPACITOR, ideal=True)
    channel.configure(Acquisition(5.0, 5.0, 1e-3, None))
    channel.program(Setpoint("voltage", 2.0, -1.0, 1.0))
    channel.switch(True)
    channel.measure()
    begins_ns = clock.now_ns + 10_000_000 * np.arange(1, 50)
    # The limit has taken control, and nobody has asked yet.
    assert len(channel.peek_many(begins_ns).time) == 0
    assert [event.kind for event in channel.poll()] == ["limit"]
    assert len(channel.peek_many(begins_ns).time) == 49


def test_a_capture_keeps_the_channel_from_being_foreseen() -> None:
    channel, clock, _ = on_part(DIODE, ideal=True)
    channel.configure(Acquisition(5.0, 5.0, 1e-3, None))
    channel.program(Setpoint("voltage", 0.6, -1.0, 1.0))
    channel.switch(True)
    begins_ns = clock.now_ns + 10_000_000 * np.arange(1, 50)
    assert len(channel.peek_many(begins_ns).time) == 49
    channel.begin_capture(Capture(1000.0, 100))
    assert len(channel.peek_many(begins_ns).time) == 0


@pytest.mark.parametrize(
    "ends", [(0.0, 0.8), (-3.0, 4.0), (-30.0, 30.0), (-30.0, 0.0), (0.0, 30.0), (6.0, 36.0)]
)
@pytest.mark.parametrize(
    "instrument",
    ["demo-source-measure", "demo-symmetric-source", "demo-supply", "demo-load", "lopsided"],
)
def test_limits_beside_many_levels_are_those_beside_each(
    instrument: str, ends: tuple[float, float]
) -> None:
    """What an instrument can push and take differs with the sign of its voltage, and with it."""
    lopsided = instrument == "lopsided"
    channel, _, _ = on_part(
        PARTS["diode"], "demo-source-measure" if lopsided else instrument, seed=2
    )
    if lopsided:
        # Far from zero it pushes what it takes, near zero more.
        far = Rectangle(voltage="40 V", current="1.2 A", direction="both")
        near = Rectangle(voltage="5 V", current="12 A", direction="source")
        changed = {"continuous": (far, near)}
        channel.specification = channel.specification.model_copy(update=changed)
    channel.program(Setpoint("voltage", 0.0, -0.1, 0.1))
    channel.switch(True)
    setpoint = Setpoint("voltage", 0.0, -10.0, 10.0)
    levels = np.linspace(*ends, 41).tolist()
    low, high = channel._limits(setpoint, levels)
    each = [channel._beside(setpoint, level) for level in levels]
    found = np.broadcast_to(high, 41), np.broadcast_to(low, 41)
    assert [*zip(*found, strict=True)] == each


def test_levels_follow_one_another_as_their_readings_end() -> None:
    """However long each takes: what was guessed from the first is put right from where it errs."""

    def begins_ns(programmed_ns: Integers) -> Integers:
        return programmed_ns + 1_000_000 + programmed_ns // 1000 % 7 * 1000

    ahead, by_itself = charged("diode", 3)
    levels = [0.01 * k for k in range(40)]
    before = Setpoint("voltage", 0.0, -1.0, 1.0)
    for channel in (ahead, by_itself):
        channel.switch(False)
        channel.configure(Acquisition(5.0, 5.0, 2e-4, None))
        channel.program(before)
        channel.switch(True)
        channel._clock.now_ns = 1_000_000_000  # the turn-on has died away
        channel.measure()
        channel.poll()
    programmed_ns, block = ahead.peek_levels(before, levels, begins_ns)
    assert len(programmed_ns) == len(levels)
    clock = by_itself._clock
    for k, level in enumerate(levels):
        assert clock.now_ns == programmed_ns[k]
        by_itself.program(before._replace(level=level))
        clock.now_ns = int(begins_ns(np.array([clock.now_ns]))[0])
        reading = by_itself.measure()
        assert (reading.voltage, reading.current) == (block.voltage[k], block.current[k])
        assert clock.now_ns == block.ends_ns[k]
    assert len({int(n) for n in np.diff(programmed_ns)}) == 3
