"""The main job against closed forms: a recipe charges, holds and discharges a two-branch network.

The part is that of the netlists `supercap_cccv.cir` and `supercap_disch.cir` beside this file: 10 F
with 10 mohm in series, a slow branch of 2 F behind 5 ohm, 10 kohm of leakage. Expected values are
those of the closed form of that network (matrix exponential, computed twice by independent means;
an ideal 2.7 V source with a 1 A limit). ngspice itself judges the same part in `test_ngspice.py`.
Capacitance: IEC 62391-1 as quoted by public sources (the standard's own text was not at hand),
C = I (t2 - t1)/(U1 - U2) between 80 % and 40 % of the rated voltage.
"""

from __future__ import annotations

import numpy as np
import pytest

from tests.sequencer.engine.bench_of import CAPACITOR, Ran, bench_file, dry

RECIPE = """recipe "Charge, hold, discharge"
channel smu: source, sink, measure, measure open, two-sided limit
part bank is capacitor on smu, not pushed:
    voltage -0.05 V to 2.8 V
    current within 1.2 A
    energy up to 1 kJ
steps:
    setup smu: aperture = 2 ms
{steps}
results:
{results}
"""

CHARGE = RECIPE.format(
    steps="""    source smu voltage 2.7 V, limit 1 A
    output smu on
    every 10 ms for 400 s:
        measure smu into charging""",
    results="    E = energy(charging)",
)
DISCHARGE = RECIPE.format(
    steps="""    source smu voltage 0 V, limit 1 A
    output smu on
    every 10 ms until smu.voltage <= 0.1 V, at most 1 min:
        measure smu into discharge""",
    results="""    C = capacitance(discharge, 80 % * 2.7 V to 40 % * 2.7 V)
    C_line = capacitance(discharge, 2.16 V to 1.08 V) as F
    expect C in 11.386404 F ± 1 ppm""",
)
SETTLED = CAPACITOR + "initial = { voltages = [2.69999703, 2.69999703] }\n"


@pytest.fixture(scope="module")
def charged(tmp_path_factory: pytest.TempPathFactory) -> Ran:
    return dry(CHARGE, tmp_path_factory.mktemp("charge"))


@pytest.fixture(scope="module")
def discharged(tmp_path_factory: pytest.TempPathFactory) -> Ran:
    part = SETTLED.replace("[2.69999703, 2.69999703]", '["2.69999703 V", "2.69999703 V"]')
    return dry(DISCHARGE, tmp_path_factory.mktemp("discharge"), bench_file(part))


def after_on(ran: Ran, trace: str) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Time since the source was in charge (s), voltage, current, of a trace."""
    columns = ran.record.trace(trace).columns
    (control,) = [e for e in ran.record.events() if e.kind == "limit"]
    return columns["time"] - control.time, columns["smu.voltage"], columns["smu.current"]


def test_the_end_of_constant_current_is_the_recorded_event(charged: Ran) -> None:
    limit, level = [e for e in charged.record.events() if e.kind in ("limit", "level")]
    assert level.exact
    assert level.time - limit.time == pytest.approx(30.6599682, rel=1e-6)


@pytest.mark.parametrize(
    ("moment", "current"), [(60.0, 9.138300e-3), (300.0, 0.269999730e-3), (390.0, 0.269999730e-3)]
)
def test_the_current_while_held(charged: Ran, moment: float, current: float) -> None:
    # The closed form speaks of a moment, a reading of its aperture's middle: at these times the
    # current bends too little for the mean over 2 ms to differ by 1e-9.
    time, _, amperes = after_on(charged, "charging")
    assert np.interp(moment, time, amperes) == pytest.approx(current, rel=1e-6)


@pytest.mark.parametrize(("moment", "volts"), [(0.010, 2.688997), (1.0, 2.590932), (5.0, 2.210548)])
def test_the_voltage_while_discharging(discharged: Ran, moment: float, volts: float) -> None:
    time, voltage, _ = after_on(discharged, "discharge")
    # 10 ms lies before the trace's first reading; the voltage is a straight line there.
    line = np.polyfit(time[:3], voltage[:3], 1)
    seen = np.interp(moment, time, voltage) if moment > time[0] else np.polyval(line, moment)
    assert seen == pytest.approx(volts, rel=1e-6)


def test_the_times_of_80_and_40_percent(discharged: Ran) -> None:
    time, voltage, _ = after_on(discharged, "discharge")
    assert np.interp(-2.16, -voltage, time) == pytest.approx(5.54820451, rel=1e-6)
    assert np.interp(-1.08, -voltage, time) == pytest.approx(17.84552042, rel=1e-6)


def test_capacitance_by_the_80_40_line_is_11_386404_not_10(discharged: Ran) -> None:
    results = {r.name: r for r in discharged.finished.results if r.name}
    assert results["C"].value == pytest.approx(11.38640362, rel=1e-6)
    assert "IEC 62391-1" in results["C"].method
    (expectation,) = [r for r in discharged.finished.results if r.text.startswith("C in")]
    assert expectation.verdict == "met"
    assert "uncertainty not stated" in expectation.method


def test_energy_that_went_in_is_what_is_stored_and_lost(charged: Ran) -> None:
    # Both branches at 2.7 V hold 43.74 J; the rest became heat in 10 mohm, 5 ohm and 10 kohm. The
    # closed form of those losses is the network's own energy balance: source minus stored.
    (result,) = [r for r in charged.finished.results if r.name == "E"]
    assert result.value is not None
    assert 43.74 < result.value < 43.74 * 1.1
