"""A source whose current moves at its slew rate, on an inductance: L·di/dt, or a limit that holds.

Closed forms of a coil with a resistance in series: v = R·i + L·di/dt.
"""

from __future__ import annotations

import math
import re
from importlib import resources
from pathlib import Path

import pytest

from drivers.bench import open_simulated, read_bench
from drivers.channel import Acquisition, Setpoint
from drivers.simulated.circuits.approach import Arrival, Manners
from drivers.simulated.circuits.circuit import Source
from drivers.simulated.circuits.dynamic import Dynamics
from drivers.simulated.circuits.dynamic_port import DynamicPort
from drivers.simulated.parts.ohmic import Ohmic
from drivers.simulated.parts.stateless import Stateless
from tests.drivers.parts.driving import at

OHMS, HENRIES, SLEW = 2.0, 10e-3, 100.0


def driven(level: float, limit: float) -> DynamicPort:
    """A coil on a current source that moves at its slew rate, its voltage limited either way."""
    (port,) = Dynamics(Stateless(lambda _: Ohmic(OHMS), (HENRIES,)), "coil").ports
    source = Source((100.0, level, -100.0), (-limit, limit), 2, 0.0, 0.0)
    port.connect(source, 0, Arrival(Manners(current_slew=SLEW), closing=True))
    return port


def test_a_current_that_moves_takes_its_voltage() -> None:
    """To 0.5 A at 100 A/s, 5 ms: 1 V across the inductance on the way, none after it."""
    port = driven(0.5, 10.0)
    for moment in (1e-4, 1e-3, 4.9e-3):
        voltage, current = at(port, moment)
        assert current == pytest.approx(SLEW * moment, rel=1e-9)
        assert voltage == pytest.approx(OHMS * SLEW * moment + HENRIES * SLEW, rel=1e-9)
    assert at(port, 6e-3) == pytest.approx((OHMS * 0.5, 0.5), rel=1e-9)
    assert port.stretch == 2


def test_a_limit_that_can_t_bring_it_takes_control() -> None:
    """At most 0.7 V: i = V/R·(1 − exp(−t·R/L)) lags behind, and meets 0.2 A at −L/R·ln(1 − R·i/V).

    Only then is the level in control, and only once.
    """
    port = driven(0.2, 0.7)
    met_s = -HENRIES / OHMS * math.log(1 - OHMS * 0.2 / 0.7)
    for moment in (1e-4, 1e-3, 0.999 * met_s):
        voltage, current = at(port, moment)
        assert current == pytest.approx(0.35 * -math.expm1(-moment * OHMS / HENRIES), rel=1e-9)
        assert voltage == pytest.approx(0.7, rel=1e-12)
    assert at(port, 1.001 * met_s) == pytest.approx((OHMS * 0.2, 0.2), rel=1e-9)
    (change,) = [change for change in port.changes if change.stretch == 2]
    assert change.time_s == pytest.approx(met_s, rel=1e-9)


def test_an_instrument_that_slews_drives_a_coil(tmp_path: Path) -> None:
    """As a person meets it: 20 mA through a motor that stands, behind a limit of 50 mV."""
    own = (resources.files("drivers") / "specifications" / "demo-source-measure.toml").read_text()
    own = re.sub(r"^(slew|turn_on) .*\n", "", own, flags=re.MULTILINE)
    own = 'slew = { voltage = "0.5 V/us", current = "2 A/us" }\n' + own
    (tmp_path / "own.toml").write_text(own, encoding="utf-8")
    text = (
        'line_frequency = "50 Hz"\n[channels.smu]\nspecification = "own.toml"\npart = "coil"\n'
        '[parts.coil]\nmodel = "coil"\nresistance = "1 ohm"\ninductance = "1 mH"\n'
    )
    file, problems = read_bench(tmp_path / "ridge.bench.toml", text)
    assert file is not None, [problem.message for problem in problems]
    smu = open_simulated(file).channels["smu"]
    smu.configure(Acquisition(0.5, 0.05))
    smu.program(Setpoint("current", 0.02, -0.05, 0.05))
    smu.switch(True)
    smu.measure()
    reading = smu.measure()
    assert reading.current == pytest.approx(0.02, abs=1e-4)
    assert reading.voltage == pytest.approx(0.02, abs=5e-4)
