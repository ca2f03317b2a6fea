"""Key figures, model fit and translation of solar curves against pvlib (BSD-3) and IEC 60891.

pvlib's curves are asked of it by Newton's method on the diode's voltage: its Lambert-W answer is
off by 5e-8 A. Its precise curves (source distribution, tests/data/precise_iv_curves) are not in the
installed package; one row of each of its two sets stands here.
"""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import numpy as np
import pvlib
import pytest
from numpy.typing import NDArray
from pvlib.ivtools.sde import fit_sandia_simple
from pvlib.ivtools.utils import astm_e1036
from pvlib.singlediode import bishop88_i_from_v, bishop88_mpp, bishop88_v_from_i

from sequencer.analysis import (
    single_diode_fit,
    solar_curve,
    solar_resistances,
    translated_by_procedure_1,
    translated_by_procedure_2,
)
from sequencer.analysis.calculations.physics import VOLTS_PER_KELVIN
from sequencer.analysis.calculations.single_diode import SingleDiode
from sequencer.analysis.calculations.translation import procedure_1, procedure_2
from tests.reference.precise_curves import PRECISE

Floats = NDArray[np.float64]
Five = tuple[float, float, float, float, float]
"""Photocurrent, saturation current, series and shunt resistance, n N k T/q, in pvlib's order."""

NEWTON: dict[str, Any] = {
    "breakdown_voltage": -1e9,
    "method": "newton",
    "method_kwargs": {"tol": 1e-13, "maxiter": 500},
}
ROOM_K = 298.15
FORTY_DIGITS: Five = (8.0, 5e-10, 0.2, 1000.0, 1.61864)


def key_figures(five: Five) -> tuple[float, float, float, float]:
    """I_sc, V_oc, P_mp, V_mp by pvlib."""
    _, strongest_V, power = bishop88_mpp(*five, **NEWTON)
    short = bishop88_i_from_v(0.0, *five, **NEWTON)
    open_V = bishop88_v_from_i(0.0, *five, **NEWTON)
    return float(short), float(open_V), float(power), float(strongest_V)


def swept(five: Five, points: int, low: float = -0.01, high: float = 1.03) -> tuple[Floats, ...]:
    """Time, voltage and current into the part, from below 0 V to beyond open circuit."""
    _, open_V, _, _ = key_figures(five)
    voltage = np.linspace(low * open_V, high * open_V, points)
    current = -np.asarray(bishop88_i_from_v(voltage, *five, **NEWTON))
    return np.arange(float(points)), voltage, current


def figures(curve: tuple[Floats, ...]) -> tuple[float, float, float, float]:
    found = solar_curve(*curve).values
    return (
        found["short_circuit_current"], found["open_circuit_voltage"], found["maximum_power"],
        found["maximum_power_voltage"],
    )  # fmt: skip


def module_rows() -> list[Five]:
    """Every hundredth module of pvlib's library: its parameters at 25 °C, by row number."""
    path = Path(pvlib.__file__).parent / "data" / "sam-library-cec-modules-2019-03-05.csv"
    head, _, _, *lines = path.read_text("utf-8").splitlines()
    names = head.split(",")
    # A name with a comma in it is quoted, and only the first column holds names.
    wanted = [names.index(n) - len(names) for n in ("I_L_ref", "I_o_ref", "R_s", "R_sh_ref",
                                                    "a_ref")]  # fmt: skip
    rows = [tuple(float(line.split(",")[k]) for k in wanted) for line in lines[::100]]
    return [(a, b, c, d, e) for a, b, c, d, e in rows]


MODULES = module_rows()


@pytest.mark.parametrize(("given", "expected"), PRECISE)
def test_key_figures_of_the_precise_curves(given: Any, expected: tuple[float, ...]) -> None:
    *four, ideality, cells = given
    five: Any = (*four, ideality * cells * VOLTS_PER_KELVIN * ROOM_K)
    short, open_V, power, strongest_V = figures(swept(five, 301))
    wanted_short, wanted_open, wanted_current, wanted_V, wanted_power = expected
    assert short == pytest.approx(wanted_short, rel=2e-7)
    assert open_V == pytest.approx(wanted_open, rel=1e-5)
    # The methods' own bias, as it stands beside their constants.
    assert power == pytest.approx(wanted_power, rel=1e-4)
    assert strongest_V == pytest.approx(wanted_V, rel=1e-3)
    assert power / strongest_V == pytest.approx(wanted_current, rel=1e-3)


@pytest.mark.parametrize(("given", "expected"), PRECISE)
def test_the_fit_recovers_the_precise_curves_parameters(given: Any, expected: Any) -> None:
    *four, ideality, cells = given
    five: Any = (*four, ideality * cells * VOLTS_PER_KELVIN * ROOM_K)
    found = single_diode_fit(*swept(five, 100), ROOM_K, cells).values
    assert found["ideality"] == pytest.approx(ideality, rel=1e-9)
    names = ("photocurrent", "saturation_current", "series_resistance", "shunt_resistance")
    assert [found[name] for name in names] == pytest.approx(four, rel=1e-8)


def test_five_parameters_of_300_noise_free_points() -> None:
    """pvlib asks 5e-5 of its own fits on such curves; from short circuit to open circuit."""
    curve = swept(FORTY_DIGITS, 300, 0.0, 1.0)
    found = single_diode_fit(*curve, ROOM_K)
    values = found.values
    five = (
        values["photocurrent"], values["saturation_current"], values["series_resistance"],
        values["shunt_resistance"], values["ideality"] * VOLTS_PER_KELVIN * ROOM_K,
    )  # fmt: skip
    assert five == pytest.approx(FORTY_DIGITS, rel=5e-5)
    assert five == pytest.approx(FORTY_DIGITS, rel=1e-9)  # what it really reaches
    # pvlib's own explicit fit of the same points lies within some percent of it.
    simple = fit_sandia_simple(curve[1], -curve[2])
    assert (simple[0], simple[2], simple[4]) == pytest.approx((five[0], five[2], five[4]), rel=0.03)


@pytest.mark.parametrize(("points", "of_open"), [(61, 3e-4), (101, 3e-5), (301, 3e-6)])
def test_key_figures_over_a_module_library(points: int, of_open: float) -> None:
    """Every hundredth of 21,535 modules: what the regressions leave, by number of points."""
    for row, five in enumerate(MODULES):
        expected = key_figures(five)
        short, open_V, power, strongest_V = figures(swept(five, points))
        assert short == pytest.approx(expected[0], rel=1e-6), row
        assert open_V == pytest.approx(expected[1], rel=of_open), row
        assert power == pytest.approx(expected[2], rel=5e-5), row
        assert strongest_V == pytest.approx(expected[3], rel=5e-4), row


def test_maximum_power_is_not_biased_as_a_quartic_over_the_standard_window_is() -> None:
    """pvlib's astm_e1036 has the standard's windows and order; noise-free curves, exact judge."""
    quartic, here = [], []
    for five in MODULES:
        time, voltage, current = swept(five, 101)
        exact = key_figures(five)[2]
        quartic.append(astm_e1036(voltage, -current)["pmp"] / exact - 1)
        here.append(figures((time, voltage, current))[2] / exact - 1)
    assert np.max(np.abs(quartic)) > 1e-3
    assert np.max(np.abs(here)) < 5e-5
    assert abs(np.mean(here)) < 1e-5


def test_the_fit_over_a_module_library() -> None:
    """The parameters that made the curves, from 101 points of each."""
    for row, five in enumerate(MODULES[::4]):
        found = single_diode_fit(*swept(five, 101), ROOM_K).values
        again = (
            found["photocurrent"], found["saturation_current"], found["series_resistance"],
            found["shunt_resistance"], found["ideality"] * VOLTS_PER_KELVIN * ROOM_K,
        )  # fmt: skip
        assert again == pytest.approx(five, rel=1e-6), row


def test_the_model_to_forty_digits() -> None:
    """Computed with 40 digits; at 20, 30 and 35 V by ngspice (`pv.cir`), to its seven digits."""
    photo, saturation, series, shunt, slope = FORTY_DIGITS
    model = SingleDiode(photo, saturation, series, 1 / shunt, slope)
    found = model.current(np.array([0.0, 38.023618364, 31.686189153, 20.0, 30.0, 35.0]))
    assert found[:3] == pytest.approx([7.998400319, 0.0, 7.562723888], abs=2e-9)
    assert found[3:] == pytest.approx([7.978093029, 7.821232284, 5.529110825], rel=1e-7)
    for ohms, amperes in ((1, 7.990411320), (4, 7.718304034), (4.1898, 7.562710594),
                          (5, 6.731705324), (20, 1.861029546)):  # fmt: skip
        assert model.current(np.array([ohms * amperes]))[0] == pytest.approx(amperes, abs=1e-8)


@pytest.mark.parametrize(
    "five",
    [*MODULES[::20], (8.0, 5e-10, 0.2, math.inf, 1.61864), (8.0, 0.05, 0.2, 100.0, 4.0)],
)
def test_the_model_against_pvlib(five: Five) -> None:
    """Also far below 0 V and far beyond open circuit, and without a shunt."""
    photo, saturation, series, shunt, slope = five
    _, open_V, _, _ = key_figures(five)
    voltage = np.linspace(-0.5 * open_V, 1.2 * open_V, 50)
    expected = np.asarray(bishop88_i_from_v(voltage, *five, **NEWTON))
    found = SingleDiode(photo, saturation, series, 1 / shunt, slope).current(voltage)
    assert found == pytest.approx(expected, rel=1e-9, abs=1e-10 * photo)


def test_slopes_at_the_axes_are_those_of_the_model() -> None:
    """−dV/dI at open circuit and at short circuit by pvlib's bishop88, whose gradients it gives."""
    five = FORTY_DIGITS
    gradients = pvlib.singlediode.bishop88
    photo, saturation, series, shunt, slope = five
    expected = []
    for voltage, current in ((key_figures(five)[1], 0.0), (0.0, key_figures(five)[0])):
        *_, by_current_voltage, _, _ = gradients(
            voltage + series * current, photo, saturation, series, shunt, slope, gradients=True
        )
        expected.append(-1 / by_current_voltage)
    found = solar_resistances(*swept(five, 1001)).values
    assert found["series_resistance"] == pytest.approx(expected[0], rel=1e-3)
    assert found["shunt_resistance"] == pytest.approx(expected[1], rel=1e-3)


def test_procedure_1() -> None:
    """800 to 1000 W/m², 45 to 25 °C, one point: computed from the formula of IEC 60891:2009."""
    voltage, current = procedure_1(
        np.array([30.0]), np.array([7.0]), 1000 / 800, 25.0 - 45.0, 7.6, 0.005, -0.13, 0.3, 0.002
    )
    assert (current[0], voltage[0]) == pytest.approx((8.8, 32.412), rel=1e-12)


def test_procedure_2() -> None:
    voltage, current = procedure_2(
        np.array([30.0]), np.array([7.0]), 1000 / 800, 25.0 - 45.0, 36.0, 5e-4, -0.0033, 0.3, 0.002,
        0.06,
    )  # fmt: skip
    assert (current[0], voltage[0]) == pytest.approx((8.6625, 32.705740), rel=2e-8)


@pytest.mark.parametrize("light", [500.0, 800.0, 1100.0])
def test_a_translated_curve_is_pvlib_s_at_the_new_light(light: float) -> None:
    """Without a shunt procedure 1 is exact over the light, R_s given: the diode's voltage stays."""
    photo, saturation, series, _, slope = FORTY_DIGITS
    without = (photo * light / 1000, saturation, series, math.inf, slope)
    full: Five = (photo, saturation, series, math.inf, slope)
    time, voltage, current = swept(without, 201)
    moved = translated_by_procedure_1(
        time, voltage, current, light, ROOM_K, 0.0, 0.0, series, 0.0
    ).columns
    expected = np.asarray(bishop88_i_from_v(moved["voltage"], *full, **NEWTON))
    assert -moved["current"] == pytest.approx(expected, abs=1e-6)


def test_a_curve_translated_by_procedure_2_scales_its_current_and_shifts_its_voltage() -> None:
    time, voltage, current = swept(FORTY_DIGITS, 201)
    moved = translated_by_procedure_2(
        time, voltage, current, 800.0, 318.15, 5e-4, -0.0033, 0.3, 0.002, 0.06
    ).columns
    open_V = key_figures(FORTY_DIGITS)[1]
    expected = procedure_2(
        voltage, -current, 1.25, -20.0, open_V, 5e-4, -0.0033, 0.3, 0.002, 0.06
    )  # fmt: skip
    assert moved["voltage"] == pytest.approx(expected[0], rel=1e-5)
    assert -moved["current"] == pytest.approx(expected[1], rel=1e-12)
