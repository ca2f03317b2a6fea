"""The decks of `netlists`, each with other parameters drawn from a seed, and the same parts here.

What a deck measures is met to 1e-4 of itself. The panel's decks have theirs in
`test_ngspice_sources.py`, the surge into a clamp in `test_suppressor.py`.
"""

from __future__ import annotations

import random
from collections.abc import Mapping
from pathlib import Path

import pytest

from drivers.channel import Acquisition, Setpoint
from drivers.clock import VirtualClock
from drivers.simulated.circuits.dynamic_port import DynamicPort
from drivers.simulated.circuits.leads import Leads
from drivers.simulated.conditions import Conditions
from drivers.simulated.instruments.instrument import SimulatedChannel
from drivers.simulated.parts.junction import Junction, Knee
from drivers.simulated.wiring import Wiring, circuits_of
from tests.drivers.parts.driving import at, holding
from tests.drivers.parts.examples import part_of
from tests.reference import test_suppressor
from tests.reference.test_ngspice import LEAD, NETLISTS, _ngspice_is_there, bank, measured, spice
from tests.reference.test_resettable_fuse import tripped_after
from tests.reference.test_resistor import energy_until

__all__ = ["_ngspice_is_there"]

pytestmark = pytest.mark.ngspice

SEEDS = [1, 2, 3]


def deck(name: str, changes: Mapping[str, str]) -> str:
    """A deck with pieces of it written otherwise; each of them has to be there."""
    text = (NETLISTS / name).read_text("utf-8")
    for before, after in changes.items():
        assert before in text, before
        text = text.replace(before, after)
    return text


def drawn_bank(seed: int) -> tuple[float, float, float, float, float]:
    """C, R_s, those of the slow branch, and the leak."""
    draw = random.Random(seed)
    return (
        draw.uniform(6, 14), draw.uniform(0.005, 0.05), draw.uniform(2, 12), draw.uniform(0.8, 4),
        10 ** draw.uniform(2, 4.5),
    )  # fmt: skip


def sensed(
    part: tuple[float, float, float, float, float], begins: float
) -> tuple[SimulatedChannel, VirtualClock]:
    farads, series, slow, branch, leak = part
    channel, clock = bank(farads, series, [(slow, branch)], leak, [begins, begins])
    channel.configure(Acquisition(5.0, 5.0, 10e-6, None, remote_sense=True))
    return channel, clock


def discharged_to(
    part: tuple[float, float, float, float, float], begins: float, volts: float
) -> float:
    """When a discharge by 1 A comes to a voltage (s): there the limit takes over."""
    channel, clock = sensed(part, begins)
    channel.program(Setpoint("current", -1.0, volts, 2.8))
    channel.switch(True)
    start = clock.now()
    clock.wait_until(start + 60)
    *_, limit = channel.poll()
    assert (limit.kind, limit.exact) == ("limit", True)
    return limit.time - start


@pytest.mark.parametrize("seed", SEEDS)
def test_discharge(seed: int, tmp_path: Path) -> None:
    """`supercap_disch.cir`: from rest, 1 A."""
    farads, series, slow, branch, leak = part = drawn_bank(seed)
    begins = 2.5 + seed / 20
    changes = {
        "Resr t a 10m": f"Resr t a {series!r}",
        "C1 a 0 10 ic=2.69999703": f"C1 a 0 {farads!r} ic={begins!r}",
        "R2 a b 5": f"R2 a b {slow!r}",
        "C2 b 0 2 ic=2.69999703": f"C2 b 0 {branch!r} ic={begins!r}",
        "Rlk a 0 10k": f"Rlk a 0 {leak!r}",
        "tran 1m 20 0 1m": "tran 1m 50 0 1m",
    }
    printed = measured(spice(deck("supercap_disch.cir", changes), tmp_path))
    channel, clock = sensed(part, begins)
    channel.program(Setpoint("current", -1.0, 0.0, 2.8))
    channel.switch(True)
    start = clock.now()
    for name, moment in (("v10ms", 0.01), ("v1s", 1.0), ("v5s", 5.0)):
        clock.wait_until(start + moment - 5e-6)
        assert channel.measure().voltage == pytest.approx(printed[name], rel=1e-5, abs=0)
    for name, volts in (("t80", 2.16), ("t40", 1.08)):
        assert discharged_to(part, begins, volts) == pytest.approx(printed[name], rel=1e-5, abs=0)


@pytest.mark.parametrize("seed", SEEDS)
def test_charge_hold_and_discharge(seed: int, tmp_path: Path) -> None:
    """`supercap_cccv.cir`, held until 400 s: its source's milliohm is that of two leads here.

    Its current is a difference of two voltages over the series resistance.
    """
    farads, series, slow, branch, leak = drawn_bank(10 + seed)
    changes = {
        **{time: str(int(time) - 1400) for time in ("1799", "1800", "1801", "1805", "1830")},
        "Resr t  a 10m": f"Resr t a {series!r}",
        "C1   a  0 10 ": f"C1 a 0 {farads!r} ",
        "R2   a  b 5": f"R2 a b {slow!r}",
        "C2   b  0 2 ": f"C2 b 0 {branch!r} ",
        "Rlk  a  0 10k": f"Rlk a 0 {leak!r}",
        "(V(t)-V(a))/10m": f"(V(t)-V(a))/{series!r}",
        "reltol=1e-8": "reltol=1e-9",
    }
    text = deck("supercap_cccv.cir", changes)
    printed = measured(spice(text, tmp_path))
    channel, clock = bank(farads, series, [(slow, branch)], leak, [0.0, 0.0])
    channel.configure(Acquisition(5.0, 5.0, 10e-6, None))
    channel.program(Setpoint("voltage", 2.7, -1.0, 1.0))
    channel.switch(True)
    start = clock.now()
    for name, moment in (("i60", 60.0), ("i300", 300.0), ("i399", 399.0)):
        clock.wait_until(start + moment - 5e-6)
        found = channel.measure().current
        assert found == pytest.approx(printed[name], rel=1e-4, abs=0), name
    _, level = channel.poll()
    # The deck's: once it has fallen by a thousandth, which is 1 ms of the falling exponential.
    assert level.time - start == pytest.approx(printed["tcv"], rel=1e-4, abs=0)
    clock.wait_until(start + 400.0)
    channel.program(Setpoint("current", -1.0, 0.0, 2.8))
    for name, moment in (("v10ms", 0.01), ("v100ms", 0.1), ("v1s", 1.0), ("v5s", 5.0)):
        clock.wait_until(start + 400.0 + moment - 5e-6)
        reading = channel.measure()
        found = reading.voltage - 2 * LEAD * reading.current
        assert found == pytest.approx(printed[name], rel=1e-5, abs=0)


@pytest.mark.parametrize("seed", SEEDS)
def test_trip(seed: int, tmp_path: Path) -> None:
    """`ptc.cir`: the time until the fuse is as warm as it switches at."""
    draw = random.Random(20 + seed)
    capacity, loss = draw.uniform(0.1, 1.0), draw.uniform(30, 90)
    ohms, rises = draw.uniform(0.05, 0.5), draw.uniform(60, 110)
    amperes = draw.uniform(1.3, 2.5) * (rises / loss / ohms) ** 0.5
    changes = {
        "Cth th 0 0.5": f"Cth th 0 {capacity!r}",
        "Rth th 0 50": f"Rth th 0 {loss!r}",
        "8*8*0.1": f"{amperes!r}*{amperes!r}*{ohms!r}",
        "v(th)=100": f"v(th)={rises!r}",
        "tran 1m 15 0 1m": "tran 1m 90 0 2m",
    }
    trips_s = measured(spice(deck("ptc.cir", changes), tmp_path))["ttrip"]
    part = f"""
[parts.fuse]
model = "resettable fuse"
resistance = "{ohms!r} ohm"
switching_temperature = "{23 + rises!r} °C"
switching_width = "20 K"
heating = {{ heat_capacity = "{capacity!r} J/K", thermal_resistance = "{loss!r} K/W" }}
"""
    assert tripped_after(part, amperes, trips_s, ohms) == pytest.approx(trips_s, rel=1e-5, abs=0)


@pytest.mark.parametrize("seed", SEEDS)
def test_pulse_through_long_leads(seed: int, tmp_path: Path) -> None:
    """`rl.cir`: the leads are leads here, the part is behind them; the edge lasts 1 ns there."""
    draw = random.Random(30 + seed)
    volts, source, lead = draw.uniform(5, 20), draw.uniform(0.5, 2), draw.uniform(0.005, 0.05)
    henries, ohms, own = draw.uniform(5e-7, 3e-6), draw.uniform(0.05, 0.5), draw.uniform(1e-8, 1e-7)
    final = volts / (source + 2 * lead + ohms)
    changes = {
        "pwl(0 0 1n 10 1m 10 1.000001m 0)": f"pwl(0 0 1n {volts!r} 1m {volts!r} 1.000001m 0)",
        "Rs s a 1": f"Rs s a {source!r}",
        "Rl1 a b 10m": f"Rl1 a b {lead!r}",
        "Ll1 b p 1u": f"Ll1 b p {henries!r}",
        "Rd p q 0.1": f"Rd p q {ohms!r}",
        "Ld q m 20n": f"Ld q m {own!r}",
        "Rl2 m n 10m": f"Rl2 m n {lead!r}",
        "Ll2 n 0 1u": f"Ll2 n 0 {henries!r}",
        "i*i*0.1": f"i*i*{ohms!r}",
        "i=8.919642857": f"i={0.999 * final!r}",
    }
    printed = measured(spice(deck("rl.cir", changes), tmp_path))
    part = part_of(
        f'[parts.film]\nmodel = "resistor"\nresistance = "{ohms!r} ohm"\ninductance = "{own!r} H"\n'
    )

    def begun() -> DynamicPort:
        (port,) = circuits_of(
            part.physics(Conditions()), "film", [Wiring(Leads(inductance=2 * henries))]
        )
        assert isinstance(port, DynamicPort)
        port.connect(holding(volts, 1e3, source + 2 * lead), 0)
        return port

    port = begun()
    for name, moment in (("i1u", 1e-6), ("i5u", 5e-6), ("i500u", 500e-6)):
        assert at(port, moment)[1] == pytest.approx(printed[name], rel=1e-5, abs=0)
    found = at(begun(), printed["t999"] - 0.5e-9)[1]
    assert found == pytest.approx(0.999 * final, rel=1e-6, abs=0)
    spent = energy_until(begun(), 1e-3, ohms)
    assert spent == pytest.approx(printed["i2t"], rel=1e-5, abs=0)


@pytest.mark.parametrize("seed", SEEDS)
def test_clamp(seed: int, tmp_path: Path) -> None:
    """`tvs.cir`: other junctions at its fifteen currents, in the breakdown and forward."""
    saturation, ideality, series, volts, amperes, softness = part = test_suppressor.drawn(seed)
    text = deck("tvs.cir", {})
    begin, end = text.index(".model"), text.index(".options")
    text = text[:begin] + test_suppressor.model(part) + "\n" + text[end:]
    printed = [
        float(line.split("=")[1])
        for line in spice(text, tmp_path).splitlines()
        if line.startswith("v(k) =")
    ]
    thermal = 0.0256925791
    law = Junction(
        saturation, ideality * thermal, series, Knee(volts, amperes, softness * thermal),
        polarity=-1.0,
    )  # fmt: skip
    assert len(printed) == len(test_suppressor.CURRENTS)
    for current, found in zip(test_suppressor.CURRENTS, printed, strict=True):
        assert law.voltage_at(current) == pytest.approx(found, rel=1e-5, abs=0)
