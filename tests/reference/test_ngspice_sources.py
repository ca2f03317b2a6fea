"""Cells and solar panels against ngspice, with parameters drawn from a seed."""

from __future__ import annotations

import random
import re
from pathlib import Path

import numpy as np
import pytest
from scipy.interpolate import PchipInterpolator

from drivers.channel import Acquisition, Setpoint
from drivers.simulated.parts.lit_junction import VOLTS_PER_KELVIN, LitJunction
from drivers.simulated.parts.open_circuit import CHEMISTRIES
from tests.reference.test_cell import sensed
from tests.reference.test_ngspice import NETLISTS, _ngspice_is_there, curves, spice

__all__ = ["_ngspice_is_there"]

pytestmark = pytest.mark.ngspice


def drawn(seed: int) -> tuple[dict[str, float], LitJunction]:
    """The figures of a panel as they stand in the decks, and its law here."""
    draw = random.Random(seed)
    figures = {
        "photo": draw.uniform(0.5, 9), "saturation": 10 ** draw.uniform(-11, -8),
        "slope": draw.uniform(0.9, 1.9), "series": draw.uniform(0.05, 0.5),
        "shunt": 10 ** draw.uniform(1.5, 3.5),
    }  # fmt: skip
    law = LitJunction(
        figures["photo"], figures["saturation"], figures["slope"], figures["series"],
        1 / figures["shunt"],
    )  # fmt: skip
    return figures, law


def deck(name: str, figures: dict[str, float]) -> str:
    """A deck with other figures in the place of its own."""
    text = (NETLISTS / name).read_text("utf-8")
    for before, after in (
        ("Iph 0 d 8", f"Iph 0 d {figures['photo']!r}"),
        ("5e-10*(exp(V(d)/1.61864)-1)",
         f"{figures['saturation']!r}*(exp(V(d)/{figures['slope']!r})-1)"),
        ("Rsh d 0 1000", f"Rsh d 0 {figures['shunt']!r}"),
        ("Rs  d o 0.2", f"Rs  d o {figures['series']!r}"),
    ):  # fmt: skip
        assert before in text
        text = text.replace(before, after)
    return text


OWN = {"photo": 8.0, "saturation": 5e-10, "slope": 1.61864, "series": 0.2, "shunt": 1000.0}


def printed(text: str) -> list[tuple[float, float]]:
    """Pairs of voltage and current, in the order in which a deck printed them."""
    found = re.findall(r"^[vi]\(\w+\)(?:/\S+)? = ([-+0-9.eE]+)", text, re.MULTILINE)
    values = [float(value) for value in found]
    return list(zip(values[::2], values[1::2], strict=True))


@pytest.mark.parametrize("seed", [None, 1, 2, 3])
def test_panel_curve(seed: int | None, tmp_path: Path) -> None:
    """`pv.cir`, the current at nine voltages, with its own figures and with others."""
    figures, law = (
        (OWN, LitJunction(8.0, 5e-10, 1.61864, 0.2, 1e-3)) if seed is None else drawn(seed)
    )
    text = deck("pv.cir", figures)
    highest = law.voltage_at(0.0)
    voltages = [share * highest for share in (0, 0.2, 0.5, 0.7, 0.8, 0.85, 0.9, 0.95, 1.01)]
    text = re.sub(r"foreach v .*", "foreach v " + " ".join(map(repr, voltages)), text)
    points = printed(spice(text, tmp_path))
    assert len(points) == 9
    for (voltage, current), level in zip(points, voltages, strict=True):
        assert voltage == pytest.approx(level, rel=1e-9, abs=1e-9)
        # The deck prints what flows into its source: what the panel gives.
        assert -law.current_through(level, 0.0) == pytest.approx(current, rel=1e-6, abs=1e-8)


@pytest.mark.parametrize("seed", [None, 4, 5, 6])
def test_panel_into_loads(seed: int | None, tmp_path: Path) -> None:
    """`pvload.cir`, five resistances across the panel."""
    figures, law = (
        (OWN, LitJunction(8.0, 5e-10, 1.61864, 0.2, 1e-3)) if seed is None else drawn(seed)
    )
    points = printed(spice(deck("pvload.cir", figures), tmp_path))
    assert len(points) == 5
    for (voltage, current), load in zip(points, (1, 4, 4.1898, 5, 20), strict=True):
        assert -law.current_through(0.0, load) == pytest.approx(current, rel=1e-6)
        assert law.voltage_at(-current) == pytest.approx(voltage, rel=1e-4)


@pytest.mark.parametrize("seed", [7, 8])
def test_the_capacitance_of_a_panel(seed: int, tmp_path: Path) -> None:
    """From open circuit a current is drawn: the voltage comes down as its capacitance empties.

    To 1e-4 of the voltage at open circuit.
    """
    draw = random.Random(seed)
    photo, saturation = draw.uniform(0.5, 1.5), 10 ** draw.uniform(-10, -8)
    cells, shunt, farads = draw.randint(30, 36), draw.uniform(50, 500), draw.uniform(5e-4, 1e-3)
    slope = cells * VOLTS_PER_KELVIN * 298.15
    taken = draw.uniform(0.6, 0.95) * photo
    channel, clock = sensed(f"""model = "solar module"
photocurrent = "{photo!r} A"
saturation_current = "{saturation!r} A"
series_resistance = "0.3 ohm"
shunt_resistance = "{shunt!r} ohm"
cells = {cells}
capacitance = "{farads!r} F"
[conditions]
temperature = "25 °C"
irradiance = "1000 W/m^2"
""")
    channel.configure(Acquisition(32.0, 5.0, 10e-6, None, remote_sense=True))
    rested = channel.measure().voltage
    text = f"""module
Iph 0 d {photo!r}
Bd d 0 I = {saturation!r}*(exp(V(d)/{slope!r})-1)
Rsh d 0 {shunt!r}
C1 d 0 {farads!r} ic={rested!r}
Rs d o 0.3
Il o 0 pwl(0 0 0.9995m 0 1.0005m {taken!r})
.options reltol=1e-8 abstol=1e-13 vntol=1e-11 gmin=1e-20
.control
set numdgt=14
set wr_singlescale
tran 20u 60m 0 20u uic
wrdata out V(o)
.endc
.end
"""
    time, terminal = curves(text, tmp_path).T
    assert time[-1] >= 0.0599
    channel.program(Setpoint("current", -taken, 0.0, 32.0))
    channel.switch(True)
    start = clock.now()
    for moment in np.linspace(1e-3, 55e-3, 40):
        clock.wait_until(start + moment - 5e-6)
        # The deck draws its current from 1 ms on.
        expected = np.interp(moment + 1e-3, time, terminal)
        assert channel.measure().voltage == pytest.approx(expected, abs=1e-4 * rested)
    assert terminal[-1] < 0.95 * rested


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_discharge_and_rest(seed: int, tmp_path: Path) -> None:
    """A pulse of discharge and the rest after it: ngspice with the cubics of scipy's curve.

    The charge is the voltage of a capacitor that is as large as the capacity, and passes from one
    cubic to the next. Agreement is asked to 1e-4 of the drop, which is smaller than the voltage.
    """
    draw = random.Random(seed)
    chemistry = ["lithium-ion", "iron phosphate", "lead-acid"][seed % 3]
    capacity, resistance = draw.uniform(700, 2000), draw.uniform(0.01, 0.1)
    branches = [
        (draw.uniform(0.01, 0.05), draw.uniform(0.5, 3)),
        (draw.uniform(0.01, 0.05), draw.uniform(10, 40)),
    ]
    charge, current = 0.5 + draw.uniform(0.002, 0.01), draw.uniform(0.5, 2.0)
    part = f"""model = "cell"
chemistry = "{chemistry}"
capacity = "{capacity!r} C"
series_resistance = "{resistance!r} ohm"
branches = [ {{ resistance = "{branches[0][0]!r} ohm", time_constant = "{branches[0][1]!r} s" }},
             {{ resistance = "{branches[1][0]!r} ohm", time_constant = "{branches[1][1]!r} s" }} ]
initial = {{ charge = {charge!r} }}
"""
    judge = PchipInterpolator(*zip(*CHEMISTRIES[chemistry], strict=True))
    knots = judge.x.tolist()
    place = knots.index(0.5)
    above, below = (
        "((({!r}*x+{!r})*x+{!r})*x+{!r})".format(*map(float, judge.c[:, index])).replace(
            "x", f"(V(q)-{knots[index]!r})"
        )
        for index in (place, place - 1)
    )
    # It gets no further than the next point: one change of cubics.
    assert 30 * current / capacity < charge - knots[place - 1]
    deck = f"""cell
Cq q 0 1 ic={charge!r}
Bq 0 q I = I(Vt)/{capacity!r}
R1 b1 0 {branches[0][0]!r}
C1 b1 0 {branches[0][1] / branches[0][0]!r} ic=0
B1 0 b1 I = I(Vt)
R2 b2 0 {branches[1][0]!r}
C2 b2 0 {branches[1][1] / branches[1][0]!r} ic=0
B2 0 b2 I = I(Vt)
Bu u 0 V = V(b1) + V(b2) + ((V(q) > 0.5) ? {above} : {below})
R0 u c {resistance!r}
Vt t c 0
It t 0 pwl(0 0 4.9995m 0 5.0005m {current!r} 30.0045 {current!r} 30.0055 0)
.options reltol=1e-7 abstol=1e-12 vntol=1e-10 chgtol=1e-12
.control
set numdgt=14
set wr_singlescale
tran 5m 60 0 5m uic
wrdata out V(t)
.endc
.end
"""
    time, terminal = curves(deck, tmp_path).T
    assert time[-1] >= 59.999
    channel, clock = sensed(part)
    rested = channel.measure().voltage
    assert rested == pytest.approx(float(judge(charge)), abs=1e-12)
    channel.program(Setpoint("current", -current, 1.5, 4.5))
    channel.switch(True)
    start = clock.now()
    drop = current * (resistance + sum(r for r, _ in branches))
    for moment in [*np.linspace(0.5, 29.5, 30), *np.linspace(30.5, 54.5, 25)]:
        if moment > 30 and clock.now() < start + 30:
            clock.wait_until(start + 30)
            channel.program(Setpoint("current", 0.0, 1.5, 4.5))
        clock.wait_until(start + moment - 5e-6)
        # The deck's current begins 5 ms after its beginning.
        expected = np.interp(moment + 5e-3, time, terminal)
        assert channel.measure().voltage == pytest.approx(expected, abs=1e-4 * drop)
