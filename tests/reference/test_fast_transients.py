"""Trip, clamp and inductive rise in captures at 400 kHz and ten times as fast.

Each part's own transient is compared with its closed form or with ngspice at both rates, and the
samples that both rates have in common with each other: the solver's steps know no sampling.
"""

from __future__ import annotations

import math
from importlib import resources
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest

from drivers.bench import open_simulated, read_bench
from drivers.channel import Acquisition, Capture, Pulse, Setpoint
from drivers.clock import VirtualClock
from drivers.simulated.instruments.instrument import SimulatedChannel
from tests.reference.test_ngspice import _ngspice_is_there, curves

__all__ = ["_ngspice_is_there"]

Array = npt.NDArray[np.float64]
Waves = tuple[Array, Array, Array]
RATES_HZ = (400e3, 4e6)
BEFORE_S = 100.125e-6


def bench(folder: Path, leads: str, part: str) -> tuple[SimulatedChannel, VirtualClock]:
    """The part on an instrument like the demo's that samples at 4 MHz, too."""
    shipped = resources.files("drivers") / "specifications" / "demo-source-measure.toml"
    known = shipped.read_text("utf-8")
    for before, after in (('"400 kHz"', '"4 MHz"'), ('"2.5 us"', '"250 ns"')):
        assert before in known
        known = known.replace(before, after)
    (folder / "fast.toml").write_text(known, "utf-8")
    text = f"""line_frequency = "50 Hz"
[channels.smu]
specification = "fast.toml"
part = "it"
leads = {{ {leads} }}
[parts.it]
{part}
"""
    file, problems = read_bench(folder / "ridge.bench.toml", text)
    assert file is not None, [p.message for p in problems]
    opened = open_simulated(file, ideal=True)
    channel, clock = opened.channels["smu"], opened.clock
    assert isinstance(channel, SimulatedChannel)
    assert isinstance(clock, VirtualClock)
    return channel, clock


def captured(
    channel: SimulatedChannel, clock: VirtualClock, volts: float, width_s: float, rate_hz: float
) -> tuple[Array, Array, Array]:
    """Times after a pulse's beginning (s), voltages and currents, from 100 µs before it on.

    From 0 V, in the ranges of pulses. No sample of either rate falls on one of its edges.
    """
    channel.configure(Acquisition(None, 12.0, 10e-6, None))
    channel.program(Setpoint("voltage", 0.0, -4.5, 4.5))
    channel.switch(True)
    clock.wait_until(1.0)
    count = round((BEFORE_S + 1.2 * width_s) * rate_hz)
    channel.begin_capture(Capture(rate_hz, count))
    clock.wait_until(1.0 + BEFORE_S)
    channel.pulse(Pulse(volts, -12.0, 12.0, width_s))
    waveform = channel.end_capture()
    assert waveform is not None
    assert (waveform.rate_hz, len(waveform.current)) == (rate_hz, count)
    times = np.arange(count) / rate_hz - BEFORE_S
    return times, np.array(waveform.voltage), np.array(waveform.current)


def both(folder: Path, leads: str, part: str, volts: float, width_s: float) -> list[Waves]:
    """The same pulse at both rates: what they have in common is the same to the bit."""
    slow, fast = (
        captured(*bench(folder, leads, part), volts, width_s, rate_hz) for rate_hz in RATES_HZ
    )
    for few, many in zip(slow[1:], fast[1:], strict=True):
        assert many[::10].tolist() == few.tolist()
    return [slow, fast]


def test_inductive_rise(tmp_path: Path) -> None:
    """16 V on 4 Ω through 20 m of wire, 20 µH: i = V/R·(1 − exp(−t·R/L)), and down again.

    At 400 kHz the time constant of 4.9 µs has two samples, at 4 MHz twenty.
    """
    leads = 'per_lead_resistance = "50 mohm", loop_inductance = "19.9 uH"'
    part = 'model = "resistor"\nresistance = "4 ohm"\ninductance = "0.1 uH"\n'
    tau_s = 20e-6 / 4.1
    for rate_hz, waves in zip(RATES_HZ, both(tmp_path, leads, part, 16.0, 200e-6), strict=True):
        times, volts, amperes = waves
        on, after = (times > 0) & (times < 200e-6), times > 200e-6
        expected = np.zeros(len(times))
        expected[on] = 16 / 4.1 * -np.expm1(-times[on] / tau_s)
        reached = 16 / 4.1 * -math.expm1(-200e-6 / tau_s)
        expected[after] = reached * np.exp(-(times[after] - 200e-6) / tau_s)
        np.testing.assert_allclose(amperes, expected, rtol=0, atol=1e-8 * 4)
        np.testing.assert_allclose(volts[on], 16.0, rtol=1e-12)
        assert np.sum(on & (times < 4 * tau_s)) == math.floor(4 * tau_s * rate_hz)


@pytest.mark.ngspice
def test_clamp(tmp_path: Path) -> None:
    """A suppressor of 12 V in a pulse of 20 V through leads that ring with its capacitance.

    They charge it within 5 µs, it clamps, and it swings about 0 V when the pulse is over: to 1e-4
    of the largest current.
    """
    leads = 'per_lead_resistance = "1 ohm", loop_inductance = "20 uH"'
    part = """model = "suppressor"
direction = "one"
saturation_current = "10e-15 A"
breakdown = { voltage = "12 V", current = "1 mA" }
series_resistance = "50 mohm"
capacitance = "200 nF"
"""
    deck = """clamp
V1 s 0 pwl(0 0 1n 20 100u 20 100.001u 0)
R1 s a 2
L1 a k 20u ic=0
D1 0 k dz
.model dz D(IS=1e-14 N=1 RS=0.05 BV=12 IBV=1m NBV=1 CJO=200n M=0 TT=0 TNOM=25)
.options temp=25 tnom=25 reltol=1e-7 abstol=1e-12 vntol=1e-9 gmin=1e-18
.control
set numdgt=14
set wr_singlescale
tran 5n 125u 0 5n uic
wrdata out i(l1)
.endc
.end
"""
    time, current = curves(deck, tmp_path).T
    assert time[-1] > 124e-6
    largest = current.max()
    for times, _, amperes in both(tmp_path, leads, part, 20.0, 100e-6):
        # The deck's edges are half up at 0.5 ns.
        expected = np.interp(times + 0.5e-9, time, current, left=0.0)
        np.testing.assert_allclose(amperes, expected, rtol=0, atol=1e-4 * largest)
        rings = (times > 100e-6) & (amperes < -0.05 * largest)
        assert np.sum(rings) > 2


@pytest.mark.ngspice
def test_trip(tmp_path: Path) -> None:
    """A small fuse trips within a pulse of 4 ms: its resistance is up by decades within 0.2 ms.

    The deck has the part's own equations as expressions: to 1e-4 of the largest current.
    """
    part = """model = "resettable fuse"
resistance = "2 ohm"
switching_temperature = "120 °C"
switching_width = "20 K"
decades = 4
heating = { heat_capacity = "2 mJ/K", thermal_resistance = "110 K/W" }
"""
    x = "min(max((v(t)-97)/20,0),1)"
    lift = f"exp({4 * math.log(10)!r}*({x})**3*(10-15*({x})+6*({x})**2))"
    deck = f"""fuse
V1 s 0 pwl(0 0 1n 18 1 18)
R1 s a 1
Bf a 0 I = v(a)/(2*{lift})
Bp 0 t I = v(a)*(v(s)-v(a))
C1 t 0 2m ic=0
R2 t 0 110
.options reltol=1e-8 abstol=1e-14 vntol=1e-12
.control
set numdgt=14
set wr_singlescale
tran 0.5u 4m 0 0.5u uic
let current = v(s)-v(a)
wrdata out current
.endc
.end
"""
    time, current = curves(deck, tmp_path).T
    assert time[-1] > 3.99e-3
    largest = current.max()
    for times, _, amperes in both(tmp_path, 'per_lead_resistance = "0.5 ohm"', part, 18.0, 4e-3):
        on = (times > 0) & (times < 4e-3)
        expected = np.interp(times[on] + 0.5e-9, time, current)
        np.testing.assert_allclose(amperes[on], expected, rtol=0, atol=1e-4 * largest)
        assert amperes[on][0] == pytest.approx(6.0, rel=1e-6, abs=0)
        assert amperes[on][-1] < 0.3
        falls = (amperes[on] < 0.9 * largest) & (amperes[on] > 0.1 * largest)
        assert np.sum(falls) > 20
