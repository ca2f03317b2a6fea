"""The simulated bench against the circuit simulator ngspice, on the same circuits.

The parameters are drawn from a seed. ngspice steps through time with an error of its own; its
curves and the exact ones are compared to 1e-4 of their full size, its printed figures to 2e-6.
"""

from __future__ import annotations

import os
import random
import re
import shutil
import subprocess
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest

from drivers.bench import open_simulated, read_bench
from drivers.channel import Acquisition, Setpoint
from drivers.clock import VirtualClock
from drivers.simulated.instruments.instrument import SimulatedChannel
from drivers.simulated.parts.junction import Junction

NETLISTS = Path(__file__).parent / "netlists"
LEAD = 0.0005

# The instrument's contact closes 5 ms after it is asked to; the decks wait as long.
CLOSES = "Vc c 0 pwl(0 0 4.999999m 0 5.000001m 1)"

pytestmark = pytest.mark.ngspice


@pytest.fixture(autouse=True)
def _ngspice_is_there() -> None:
    if shutil.which("ngspice") is None:
        if os.environ.get("FUSEWIRE_REQUIRE_NGSPICE") == "1":
            pytest.fail("ngspice is required here and isn't installed")
        pytest.skip("ngspice isn't installed")


def spice(deck: str, folder: Path) -> str:
    """Run a deck; what it printed."""
    path = folder / "deck.cir"
    path.write_text(deck, "utf-8")
    done = subprocess.run(
        ["ngspice", "-b", str(path)],
        cwd=folder,
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )
    return done.stdout


def curves(deck: str, folder: Path) -> npt.NDArray[np.float64]:
    """Run a deck that writes `out` (time first, then each vector)."""
    printed = spice(deck, folder)
    # Releases differ in whether they add an ending to the name.
    written = list(folder.glob("out*"))
    assert written, printed
    return np.loadtxt(written[0])


def measured(printed: str) -> dict[str, float]:
    found = re.findall(r"^(\w+)\s*=\s*([-+0-9.eE]+)", printed, re.MULTILINE)
    return {name: float(value) for name, value in found}


def bank(
    capacitance: float,
    series: float,
    branches: list[tuple[float, float]],
    leak: float,
    initial: list[float],
) -> tuple[SimulatedChannel, VirtualClock]:
    slow = ", ".join(
        f'{{ resistance = "{r!r} ohm", capacitance = "{c!r} F" }}' for r, c in branches
    )
    voltages = ", ".join(f'"{v!r} V"' for v in initial)
    text = f"""
line_frequency = "50 Hz"
[channels.smu]
specification = "demo-source-measure"
part = "bank"
leads = {{ per_lead_resistance = "{LEAD!r} ohm" }}
[parts.bank]
model = "supercapacitor"
capacitance = "{capacitance!r} F"
series_resistance = "{series!r} ohm"
slow_branches = [ {slow} ]
leakage_resistance = "{leak!r} ohm"
initial = {{ voltages = [ {voltages} ] }}
"""
    file, problems = read_bench(Path("b.bench.toml"), text)
    assert file is not None, [p.message for p in problems]
    opened = open_simulated(file, ideal=True)
    channel, clock = opened.channels["smu"], opened.clock
    assert isinstance(channel, SimulatedChannel)
    assert isinstance(clock, VirtualClock)
    channel.configure(Acquisition(5.0, 5.0, 10e-6, None))
    return channel, clock


def netlist(
    capacitance: float,
    series: float,
    branches: list[tuple[float, float]],
    leak: float,
    initial: list[float],
) -> str:
    lines = [f"Resr t a {series!r}", f"C0 a 0 {capacitance!r} ic={initial[0]!r}"]
    for k, (resistance, size) in enumerate(branches, start=1):
        lines += [f"R{k} a b{k} {resistance!r}", f"C{k} b{k} 0 {size!r} ic={initial[k]!r}"]
    return "\n".join([*lines, f"Rlk a 0 {leak!r}"])


def drawn(seed: int) -> tuple[float, float, list[tuple[float, float]], float, list[float]]:
    """A bank of one to three slow branches that differ by more than the simulator's error."""
    draw = random.Random(seed)
    branches = [(draw.uniform(0.5, 20), draw.uniform(0.5, 5)) for _ in range(1 + seed % 3)]
    initial = [draw.uniform(0, 1.5) for _ in range(1 + len(branches))]
    capacitance = draw.uniform(3, 15)
    return capacitance, draw.uniform(0.005, 0.05), branches, 10 ** draw.uniform(1.5, 4), initial


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_charge_and_hold(seed: int, tmp_path: Path) -> None:
    part = drawn(seed)
    deck = f"""charge
{netlist(*part)}
{CLOSES}
B1 0 t I = (V(c) < 0.5) ? 0 : max(-1, min(1, (2.5 - V(t))/{2 * LEAD!r}))
.options reltol=1e-6 abstol=1e-12 vntol=1e-9
.control
set numdgt=14
set wr_singlescale
tran 5m 60 0 5m uic
let current = (V(t) - V(a))/{part[1]!r}
wrdata out V(t) V(a) current
.endc
.end
"""
    time, terminal, _, current = curves(deck, tmp_path).T
    assert time[-1] >= 59.999
    channel, clock = bank(*part)
    channel.program(Setpoint("voltage", 2.5, -1.0, 1.0))
    channel.switch(True)
    seen_limit, seen_level = 0, 0
    for moment in np.linspace(0.5, 59.5, 60):
        clock.wait_until(moment - 5e-6)
        reading = channel.measure()
        part_voltage = reading.voltage - 2 * LEAD * reading.current
        assert reading.current == pytest.approx(np.interp(moment, time, current), abs=1e-4)
        assert part_voltage == pytest.approx(np.interp(moment, time, terminal), abs=2e-4)
        seen_limit += reading.limited == 1.0
        seen_level += reading.limited == 0.0
    assert seen_limit > 0
    assert seen_level > 0


@pytest.mark.parametrize("seed", [4, 5, 6])
def test_discharge_into_a_voltage_limit(seed: int, tmp_path: Path) -> None:
    """-0.5 A until the low voltage limit takes control, which then holds what the branches lift."""
    capacitance, series, branches, leak, _ = drawn(seed)
    initial = [1.6] + [1.6 - 0.1 * k for k in range(1, 1 + len(branches))]
    part = (capacitance, series, branches, leak, initial)
    deck = f"""discharge
{netlist(*part)}
{CLOSES}
B1 0 t I = (V(c) < 0.5) ? 0 : max(-0.5, (0.4 - V(t))/{2 * LEAD!r})
.options reltol=1e-6 abstol=1e-12 vntol=1e-9
.control
set numdgt=14
set wr_singlescale
tran 5m 80 0 5m uic
let current = (V(t) - V(a))/{series!r}
wrdata out V(t) V(a) current
.endc
.end
"""
    time, terminal, _, current = curves(deck, tmp_path).T
    assert time[-1] >= 79.999
    channel, clock = bank(*part)
    channel.program(Setpoint("current", -0.5, 0.4, 2.7))
    channel.switch(True)
    kinds = []
    for moment in np.linspace(0.5, 79.5, 80):
        clock.wait_until(moment - 5e-6)
        reading = channel.measure()
        part_voltage = reading.voltage - 2 * LEAD * reading.current
        assert reading.current == pytest.approx(np.interp(moment, time, current), abs=1e-4)
        assert part_voltage == pytest.approx(np.interp(moment, time, terminal), abs=2e-4)
        kinds += [event.kind for event in channel.poll()]
    assert kinds == ["limit"]


def test_the_discharge_deck_as_written(tmp_path: Path) -> None:
    """`supercap_disch.cir` as it stands, by the figures that ngspice prints."""
    printed = measured(spice((NETLISTS / "supercap_disch.cir").read_text("utf-8"), tmp_path))
    channel, clock = bank(10.0, 0.01, [(5.0, 2.0)], 1e4, [2.69999703, 2.69999703])
    channel.program(Setpoint("current", -1.0, 0.0, 2.8))
    channel.switch(True)
    start = clock.now()
    for name, moment in (("v10ms", 0.01), ("v1s", 1.0), ("v5s", 5.0)):
        clock.wait_until(start + moment - 5e-6)
        reading = channel.measure()
        part_voltage = reading.voltage - 2 * LEAD * reading.current
        assert part_voltage == pytest.approx(printed[name], rel=2e-6)


def test_the_charge_deck_as_written(tmp_path: Path) -> None:
    """`supercap_cccv.cir` as it stands: its source has the resistance of the two leads here."""
    deck = (NETLISTS / "supercap_cccv.cir").read_text("utf-8")
    deck = deck.replace("tran 2m 1830 0 5m uic", "tran 2m 310 0 5m uic")
    printed = measured(spice(deck, tmp_path))
    channel, clock = bank(10.0, 0.01, [(5.0, 2.0)], 1e4, [0.0, 0.0])
    channel.program(Setpoint("voltage", 2.7, -1.0, 1.0))
    channel.switch(True)
    start = clock.now()
    for name, moment in (("i60", 60.0), ("i300", 300.0)):
        clock.wait_until(start + moment - 5e-6)
        # Its current is a difference of two voltages of 2.7 V over 10 milliohm: 1e-4 of it is what
        # its own error leaves, as listed beside the deck.
        assert channel.measure().current == pytest.approx(printed[name], rel=1e-4)


def test_diode_with_series_resistance(tmp_path: Path) -> None:
    """A DC sweep through 10 ohm; ngspice's constants are those of CODATA 2014, 1e-6 away."""
    draw = random.Random(7)
    saturation, ideality, series = (
        10 ** draw.uniform(-13, -9),
        draw.uniform(1, 2),
        draw.uniform(0, 2),
    )
    deck = f"""diode
V1 s 0 0
R1 s d 10
D1 d 0 part
.model part d(is={saturation!r} n={ideality!r} rs={series!r})
.options temp=25 tnom=25 reltol=1e-9 abstol=1e-15 vntol=1e-12 gmin=1e-16
.control
set numdgt=14
set wr_singlescale
dc V1 0.1 5 0.1
let current = -i(V1)
wrdata out current
.endc
.end
"""
    voltages, currents = curves(deck, tmp_path).T
    junction = Junction(saturation, ideality * 0.0256925791, series)
    assert len(voltages) == 50
    for voltage, current in zip(voltages, currents, strict=True):
        assert junction.current_through(voltage, 10.0) == pytest.approx(current, rel=1e-4)
