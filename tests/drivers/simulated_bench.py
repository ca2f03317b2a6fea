"""A bench of simulated instruments for the tests of this folder: what it holds is all here."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from drivers.bench import Bench, open_simulated, read_bench
from drivers.channel import Acquisition, Setpoint
from drivers.clock import VirtualClock
from drivers.simulated.instruments.instrument import SimulatedChannel

BENCH = """
title = "Ridge station workshop"
line_frequency = "50 Hz"

[channels.smu]
specification = "demo-source-measure"
part = "load"
leads = { per_lead_resistance = "50 mohm" }

[channels.second]
specification = "demo-symmetric-source"
part = "other"

[channels.third]
specification = "demo-source-measure"
part = "bank"

[parts.load]
model = "resistor"
resistance = "100 ohm"

[parts.other]
model = "resistor"
resistance = "10 ohm"

[parts.bank]
model = "supercapacitor"
capacitance = "10 F"
series_resistance = "10 mohm"
leakage_resistance = "10 kohm"
initial = { voltage = "2 V" }
"""

FIXED = Acquisition(5.0, 0.05)


def channels(
    *names: str, seed: int = 0, ideal: bool = False
) -> tuple[list[SimulatedChannel], VirtualClock]:
    file, problems = read_bench(Path("workshop.bench.toml"), BENCH)
    assert file is not None, [p.message for p in problems]
    opened = open_simulated(file, channels=names, seed=seed, ideal=ideal)
    assert isinstance(opened.clock, VirtualClock)
    found = []
    for name in names:
        channel = opened.channels[name]
        assert isinstance(channel, SimulatedChannel)
        found.append(channel)
    return found, opened.clock


def on_part(
    part: str, specification: str = "demo-source-measure", leads: str = "0 ohm", **how: Any
) -> tuple[SimulatedChannel, VirtualClock, Bench]:
    """A channel on a part given as its lines of the bench file; `how` goes to `open_simulated`."""
    text = f"""
line_frequency = "50 Hz"
[channels.smu]
specification = "{specification}"
part = "part"
leads = {{ per_lead_resistance = "{leads}" }}
[parts.part]
{part}
"""
    file, problems = read_bench(Path("workshop.bench.toml"), text)
    assert file is not None, [p.message for p in problems]
    opened = open_simulated(file, **how)
    channel, clock = opened.channels["smu"], opened.clock
    assert isinstance(channel, SimulatedChannel)
    assert isinstance(clock, VirtualClock)
    return channel, clock, opened


def sourcing(seed: int = 0, ideal: bool = False) -> tuple[SimulatedChannel, VirtualClock]:
    """3 V on 100 ohm through two leads of 50 mohm."""
    (channel,), clock = channels("smu", seed=seed, ideal=ideal)
    channel.configure(FIXED)
    channel.program(Setpoint("voltage", 3.0, -0.05, 0.05))
    channel.switch(True)
    return channel, clock
