"""Solar cells and modules against pvlib (BSD-3), and curves shipped with it, worked out elsewhere.

pvlib's own answers are asked of it by Newton's method on the diode's voltage (bishop88), whose
reverse breakdown is put out of the way: its Lambert-W answer loses digits at large shunts, and a
bracketed root fails where there is none.
"""

from __future__ import annotations

import math
import random
from typing import Any

import pytest
from pvlib import pvsystem, temperature
from pvlib.singlediode import bishop88_i_from_v, bishop88_v_from_i
from scipy.optimize import brentq

from drivers.channel import Acquisition, Setpoint
from drivers.simulated.conditions import Conditions, Profile
from drivers.simulated.parts.lit_junction import VOLTS_PER_KELVIN, LitJunction
from drivers.simulated.parts.solar import SolarCell, SolarModule
from tests.drivers.simulated_bench import on_part
from tests.reference.precise_curves import PRECISE

NEWTON = {
    "breakdown_voltage": -1e9,
    "method": "newton",
    "method_kwargs": {"tol": 1e-13, "maxiter": 500},
}


def still(celsius: float = 25.0, irradiance: float = 1000.0) -> Conditions:
    return Conditions(
        temperature=Profile.constant(273.15 + celsius), irradiance=Profile.constant(irradiance)
    )


def lit(module: SolarModule, conditions: Conditions) -> LitJunction:
    law = module.physics(conditions)
    assert isinstance(law, LitJunction)
    return law


def module(
    photo: float, saturation: float, series: float, shunt: float, ideality: float, cells: int,
    **more: Any,
) -> SolarModule:  # fmt: skip
    entry = {
        "model": "solar module",
        "photocurrent": f"{photo!r} A",
        "saturation_current": f"{saturation!r} A",
        "series_resistance": f"{series!r} ohm",
        "ideality": ideality,
        "cells": cells,
        **more,
    }
    if math.isfinite(shunt):
        entry["shunt_resistance"] = f"{shunt!r} ohm"
    return SolarModule.model_validate(entry)


def strongest(law: LitJunction) -> tuple[float, float]:
    """Voltage and current (given) at maximum power: where d(v·i)/du is 0, by scipy."""

    def slope(u: float) -> float:
        current, conductance = law.through(u)
        voltage = u + law.series_resistance * current
        return current * (1 + law.series_resistance * conductance) + voltage * conductance

    u = float(brentq(slope, 0.0, law.voltage_at(0.0), xtol=1e-14, rtol=1e-14))
    current = law.through(u)[0]
    return u + law.series_resistance * current, -current


@pytest.mark.parametrize(("figures", "expected"), PRECISE)
def test_precise_curves(figures: Any, expected: tuple[float, ...]) -> None:
    law = lit(module(*figures), still())
    voltage, current = strongest(law)
    found = (-law.current_through(0.0, 0.0), law.voltage_at(0.0), current, voltage,
             voltage * current)  # fmt: skip
    # Their k·T/q is from an older CODATA: 2e-7 of the voltages and of the power are between them.
    for value, wanted, tolerance in zip(found, expected, (1e-10, 2e-5, 1e-6, 2e-5, 2e-5),
                                        strict=True):  # fmt: skip
        assert value == pytest.approx(wanted, abs=tolerance)


def test_forty_digits() -> None:
    """Iph 8 A, I0 0.5 nA, 0.2 ohm, 1 kohm, a 1.61864 V: computed with 40 digits."""
    law = LitJunction(8.0, 5e-10, 1.61864, 0.2, 1e-3)
    voltage, current = strongest(law)
    assert -law.current_through(0.0, 0.0) == pytest.approx(7.998400319, abs=5.1e-10)
    assert law.voltage_at(0.0) == pytest.approx(38.023618364, abs=5.1e-10)
    assert (voltage, current) == pytest.approx((31.686189153, 7.562723888), abs=5.1e-10)
    assert voltage * current == pytest.approx(239.633899624, abs=5.1e-10)
    for ohms, amperes in ((1, 7.990411320), (4, 7.718304034), (4.1898, 7.562710594),
                          (5, 6.731705324), (20, 1.861029546)):  # fmt: skip
        assert -law.current_through(0.0, ohms) == pytest.approx(amperes, abs=5.1e-10)
    # By the netlist `pv.cir`.
    for volts, amperes in ((20.0, 7.978093029), (30.0, 7.821232284), (35.0, 5.529110825)):
        assert -law.current_through(volts, 0.0) == pytest.approx(amperes, abs=5.1e-10)


@pytest.mark.parametrize("seed", range(40))
def test_against_pvlib(seed: int) -> None:
    """Random parameters, irradiance and temperature: De Soto's translation and the curve."""
    draw = random.Random(seed)
    photo, saturation = draw.uniform(0.1, 10), 10 ** draw.uniform(-11, -7)
    series = draw.choice([0.0, 10 ** draw.uniform(-2, 0.3)])
    shunt = math.inf if seed % 4 == 0 else 10 ** draw.uniform(1, 6)
    ideality, cells, alpha = (
        draw.uniform(0.9, 1.6),
        draw.randint(1, 140),
        photo * draw.uniform(0, 2e-3),
    )
    gap, per_kelvin = draw.uniform(1.0, 1.7), draw.uniform(-5e-4, 0)
    part = module(
        photo, saturation, series, shunt, ideality, cells,
        current_per_kelvin=f"{alpha!r} A/K", band_gap=f"{gap!r} V",
        band_gap_per_kelvin=f"{100 * per_kelvin!r} %/K",
    )  # fmt: skip
    irradiance, celsius = draw.uniform(20, 1100), draw.uniform(-20, 80)
    slope = ideality * cells * VOLTS_PER_KELVIN * 298.15
    five = pvsystem.calcparams_desoto(
        irradiance, celsius, alpha, slope, photo, saturation, shunt, series, gap, per_kelvin
    )
    law = lit(part, still(celsius, irradiance))
    open_v = float(bishop88_v_from_i(0.0, *five, **NEWTON))
    assert law.voltage_at(0.0) == pytest.approx(open_v, rel=1e-9)
    for share in (-0.1, 0.0, 0.3, 0.7, 0.9, 0.97, 1.0, 1.02):
        expected = -float(bishop88_i_from_v(share * open_v, *five, **NEWTON))
        found = law.current_through(share * open_v, 0.0)
        assert found == pytest.approx(expected, rel=1e-6, abs=1e-9 * photo)


def test_through_the_instrument() -> None:
    """What a person reads at three levels, at 640 W/m² and 41 °C, is pvlib's current."""
    text = """model = "solar module"
photocurrent = "1 A"
saturation_current = "0.5 nA"
series_resistance = "0.1 ohm"
shunt_resistance = "300 ohm"
ideality = 1.01
cells = 60
[conditions]
temperature = "41 °C"
irradiance = "640 W/m^2"
"""
    channel, _, _ = on_part(text, ideal=True)
    channel.configure(Acquisition(32.0, 1.0, remote_sense=True))
    slope = 1.01 * 60 * VOLTS_PER_KELVIN * 298.15
    five = pvsystem.calcparams_desoto(640.0, 41.0, 0.0, slope, 1.0, 0.5e-9, 300.0, 0.1)
    for level in (0.0, 20.0, 29.0):
        channel.program(Setpoint("voltage", level, -1.0, 1.0))
        channel.switch(True)
        expected = -float(bishop88_i_from_v(level, *five, **NEWTON))
        assert channel.measure().current == pytest.approx(expected, rel=1e-6)


@pytest.mark.parametrize("seed", range(6))
def test_shade_and_bypass_diodes(seed: int) -> None:
    """Substrings by pvlib, each with its diode by Shockley's equation, added up at one current.

    The voltage of a substring is that at which its cells and its diode carry the current together,
    found by scipy's brentq.
    """
    draw = random.Random(seed)
    shades = [0.0, draw.uniform(0.1, 0.9), draw.choice([0.0, 0.999, draw.uniform(0, 1)])]
    part = module(
        6.0, 1e-9, 0.3, 150.0, 1.1, 60,
        substrings=[{"shade": shade} for shade in shades],
        bypass_diode={"saturation_current": "1 uA", "ideality": 1.1},
    )  # fmt: skip
    law: Any = part.physics(still(30.0, 900.0))
    thermal = 1.1 * VOLTS_PER_KELVIN * 303.15
    slope = 1.1 * 20 * VOLTS_PER_KELVIN * 298.15

    def across(current: float) -> float:
        total = 0.0
        for shade in shades:
            five = pvsystem.calcparams_desoto(
                900.0 * (1 - shade), 30.0, 0.0, slope, 6.0, 1e-9, 50.0, 0.1
            )

            def excess(v: float, five: Any = five) -> float:
                diode = 1e-6 * math.expm1(-v / thermal)
                return current + float(bishop88_i_from_v(v, *five, **NEWTON)) + diode

            total += float(brentq(excess, -1.0, 25.0, xtol=1e-13))
        return total

    for current in (-5.5, -4.0, -1.0, -0.01, 0.0, 0.5):
        voltage = across(current)
        assert law.voltage_at(current) == pytest.approx(voltage, rel=1e-7, abs=1e-7)
        assert law.current_through(voltage, 0.0) == pytest.approx(current, rel=1e-6, abs=1e-6)
        behind = law.current_through(voltage + 2.5 * current, 2.5)
        assert behind == pytest.approx(current, rel=1e-6, abs=1e-6)


def test_cell_temperature() -> None:
    """A nominal 45 °C at 1000 W/m² in 25 °C: 56.25 °C; Ross's formula as pvlib has it, too."""
    part = module(1.0, 1e-9, 0.1, 100.0, 1.0, 36, nominal_temperature="45 °C")
    assert part.cell_temperature(298.15, 1000.0) == pytest.approx(329.40, abs=1e-9)
    for ambient, irradiance in ((0.0, 300.0), (31.0, 870.0)):
        expected = temperature.ross(irradiance, ambient, noct=45.0)
        found = part.cell_temperature(273.15 + ambient, irradiance)
        assert found - 273.15 == pytest.approx(float(expected), abs=1e-9)
    warm = lit(part, still(25.0, 1000.0))
    as_warm = lit(module(1.0, 1e-9, 0.1, 100.0, 1.0, 36), still(56.25, 1000.0))
    assert warm == pytest.approx(as_warm, rel=1e-12)


def test_dark_curve() -> None:
    """In the dark De Soto's picture has no shunt; with one of its own it has just that."""
    figures = (1.0, 1e-12, 0.1, 100.0, 1.0, 1)
    assert lit(module(*figures), still(25.0, 0.0)).conductance == 0
    part = module(*figures, dark_shunt_resistance="400 ohm")
    assert lit(part, still(25.0, 0.0)).conductance == pytest.approx(1 / 400, rel=1e-14)
    assert lit(part, still(25.0, 1000.0)).conductance == pytest.approx(1 / 100, rel=1e-14)
    dark = lit(part, still(25.0, 0.0))
    # In reverse and far from the knee: Ohm's law and the saturation current.
    assert dark.current_through(-5.0, 0.0) == pytest.approx(-5 / 400.1 - 1e-12, rel=1e-9)


def test_a_cell_is_a_module_of_one() -> None:
    entry = {"photocurrent": "38 mA", "saturation_current": "60 pA", "shunt_resistance": "2 kohm"}
    alone = SolarCell.model_validate({"model": "solar cell", **entry}).physics(still())
    assert alone == lit(module(0.038, 60e-12, 0.0, 2e3, 1.0, 1), still())
