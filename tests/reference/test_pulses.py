"""A train of pulses and its capture against ngspice: the limit takes over and lets go again.

ngspice steps through time with an error of its own and its edges last 10 ns; curves are compared to
1e-4 of their full size, away from the edges.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from drivers.channel import Acquisition, Capture, Pulse, Setpoint
from tests.drivers.simulated_bench import on_part
from tests.reference.test_ngspice import CLOSES, _ngspice_is_there, curves

__all__ = ["_ngspice_is_there"]

pytestmark = pytest.mark.ngspice

PART = """model = "supercapacitor"
capacitance = "100 mF"
series_resistance = "20 mohm"
slow_branches = [ { resistance = "500 mohm", capacitance = "50 mF" } ]
leakage_resistance = "100 ohm"
initial = { voltage = "1 V" }"""

# Pulses of 5 ms to 1.5 V at 8 A, each 100 ms, from 1 V at 0.5 A, the first one
# 10 ms after the contact has closed. The leads have 1 mohm together.
DECK = f"""pulses
{CLOSES}
Resr t a 20m
C0 a 0 100m ic=1
R1 a b 500m
C1 b 0 50m ic=1
Rlk a 0 100
Vlev l 0 pulse(1 1.5 15m 10n 10n 4.99999m 100m)
Vlim m 0 pulse(0.5 8 15m 10n 10n 4.99999m 100m)
B1 0 t I = (V(c) < 0.5) ? 0 : max(-V(m), min(V(m), (V(l) - V(t))/1m))
.options reltol=1e-6 abstol=1e-12 vntol=1e-9
.control
set numdgt=14
set wr_singlescale
tran 5u 0.405 0 5u uic
let current = (V(t) - V(a))/20m
wrdata out V(t) current
.endc
.end
"""


def test_a_train_of_pulses(tmp_path: Path) -> None:
    time, terminal, current = curves(DECK, tmp_path).T
    channel, clock, _ = on_part(PART, leads="0.5 mohm", ideal=True)
    channel.configure(Acquisition(5.0, 12.0, 100e-6, None))
    channel.program(Setpoint("voltage", 1.0, -0.5, 0.5))
    channel.switch(True)
    start = clock.now()
    channel.begin_capture(Capture(20e3, 7900))
    readings = []
    for k in range(4):
        clock.wait_until(start + 10e-3 + k * 100e-3)
        readings.append(channel.pulse(Pulse(1.5, -8.0, 8.0, 5e-3)))
    waveform = channel.end_capture()
    assert waveform is not None
    t = np.arange(7900) / 20e3
    phase = (t - 10e-3) % 100e-3
    clear = (
        (t > 20e-6) & (np.minimum(phase, 100e-3 - phase) > 20e-6) & (np.abs(phase - 5e-3) > 20e-6)
    )
    seen = np.array(waveform.current)
    amperes, volts = np.interp(start + t, time, current), np.interp(start + t, time, terminal)
    np.testing.assert_allclose(seen[clear], amperes[clear], rtol=0, atol=8e-4)
    part = np.array(waveform.voltage) - 1e-3 * seen
    np.testing.assert_allclose(part[clear], volts[clear], rtol=0, atol=1.5e-4)
    inside = clear & (phase < 5e-3)
    limited = np.array(waveform.limited)[inside]
    assert 0.1 < limited.mean() < 0.9
    for k, reading in enumerate(readings):
        moment = start + 10e-3 + k * 100e-3 + 5e-3 - 50e-6
        assert reading.current == pytest.approx(np.interp(moment, time, current), abs=8e-4)
