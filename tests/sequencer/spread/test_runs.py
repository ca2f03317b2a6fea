"""What the runs of a spread come to, beside plain dry runs and closed forms."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest

from drivers.bench import BenchFile, read_bench
from grammar.quantity import CURRENT, POWER, VOLTAGE
from sequencer import api
from sequencer.record import open_record
from sequencer.spread import runs
from sequencer.spread.dealing import spread
from sequencer.spread.kept import KeptStream
from sequencer.spread.runs import NOT_SIMULATED, Key, Ran
from sequencer.spread.summary import Summary, summed_up
from sequencer.spread.work import Work, prepare
from tests.sequencer.spread.benches import BENCH, RECIPE, work


def summary_of(given: Work, count: int) -> Summary:
    return summed_up(prepare(given).checked, given.seed, spread(given, range(count + 1)))


def bench_of(text: str) -> BenchFile:
    file, _ = read_bench(Path("shunt.bench.toml"), text)
    assert file is not None
    return file


def left(ran: Ran, name: str) -> float:
    (found,) = [margin.left for margin in ran.margins if margin.name == name]
    assert found is not None
    return found


def test_run_0_is_the_plain_dry_run(tmp_path: Path) -> None:
    """To the bit: results, verdicts and the margins of the ratings."""
    plain = api.dry_run(
        api.load(RECIPE), bench_of(BENCH), seed=3, store=tmp_path / "s", tell=lambda words: None
    )
    (ran,) = spread(work(), [0])
    assert ran.outcome == plain.ending.outcome.word == "finished"
    assert dict(ran.values) == {(r.name, "", ""): r.value for r in plain.results if r.name}
    assert [verdict for _, verdict in ran.verdicts] == ["met"]
    with open_record(plain.store) as store:
        for guard in store.run(plain.id).guards():
            if guard.quantity:
                assert left(ran, guard.name) == guard.margin


def test_a_drawn_run_is_the_dry_run_of_that_bench(tmp_path: Path) -> None:
    """The bench with the value drawn written into it, and ideal instruments."""
    (ran,) = spread(work(ideal=True), [5])
    ((name, ohms),) = ran.parameters
    assert name == "parts.shunt.resistance"
    assert ohms != 100.0
    bench = bench_of(BENCH.replace("100 ohm ± 10 %", f"{ohms!r} ohm"))
    plain = api.dry_run(
        api.load(RECIPE), bench, ideal=True, store=tmp_path / "s", tell=lambda words: None
    )
    assert dict(ran.values) == {(r.name, "", ""): r.value for r in plain.results if r.name}
    assert dict(ran.values)["R", "", ""] == pytest.approx(ohms, rel=1e-12)


@pytest.mark.parametrize("step", ["every 20 ms for 800 ms:", "repeat 40 times:"])
def test_margins_of_the_recipes_own_guards(step: str, tmp_path: Path) -> None:
    """The distance of each comparison's sides at every reading, by what a plain run has on record.

    A loop on a grid takes its ticks many at a time, the other one does not.
    """
    recipe = RECIPE.replace("every 20 ms for 800 ms:", step)
    plain = api.dry_run(
        api.load(recipe), bench_of(BENCH), seed=3, store=tmp_path / "s", tell=lambda words: None
    )
    with open_record(plain.store) as store:
        columns = store.run(plain.id).columns("smu")
    # What is read without anything programmed is judged by nobody.
    volts, amperes = columns["voltage"], columns["current"]
    judged = np.flatnonzero(columns["level"] != 0.0)
    volts, amperes = volts[judged], amperes[judged]
    (ran,) = spread(work(recipe), [0])
    assert left(ran, "smu.current < 10.5 mA") == np.min(10.5e-3 - amperes)
    assert left(ran, "smu.voltage in -1 V to 4 V") == np.min(np.minimum(volts + 1, 4 - volts))
    assert left(ran, "smu.power <= 50 mW") == np.min(50e-3 - volts * amperes)
    dimensions = {margin.name: margin.dimension for margin in ran.margins}
    assert dimensions["smu.current < 10.5 mA"] == CURRENT
    assert dimensions["smu.voltage in -1 V to 4 V"] == VOLTAGE
    assert dimensions["smu.power <= 50 mW"] == POWER
    # Of two of which one has to hold neither has a margin.
    assert dimensions["smu.voltage < 4 V or smu.current < 1 mA"] is None


def test_statistics_of_a_resistor() -> None:
    """R is rectangular from 90 to 110 ohm: its mean, deviation and ends by closed form.

    The guard of 10.5 mA trips where 1 V / R is above it, which is below 95.24 ohm: in 26.2 % of
    runs. Of 300 runs the deviations are 0.33 ohm for the mean, 2.5 % for the share (4 of them).
    """
    recipe = RECIPE.replace("guard smu.current < 10.5 mA", "guard smu.current < 20 mA")
    found = summary_of(work(recipe), 300)
    assert found.outcomes == {"finished": 300}
    (current, resistance) = found.results
    assert resistance.key == ("R", "", "")
    assert (resistance.spread.values, resistance.unit) == (300, "ohm")
    spread_of = resistance.spread
    assert spread_of.mean == pytest.approx(100.0, abs=1.4)
    assert spread_of.deviation == pytest.approx(20 / 12**0.5, rel=0.1)
    assert spread_of.low == pytest.approx(90.5, abs=0.5)
    assert spread_of.high == pytest.approx(109.5, abs=0.5)
    assert spread_of.nominal == pytest.approx(100.0, rel=2e-3)
    assert spread_of.driver is not None
    assert spread_of.driver.name == "parts.shunt.resistance"
    assert spread_of.driver.share > 0.99
    (expected,) = found.expectations
    assert expected.met / 300 == pytest.approx(0.5, abs=0.12)
    guard = next(g for g in found.guards if g.name == "smu.current < 20 mA")
    assert guard.least == pytest.approx(20e-3 - 1 / 90, rel=0.01)
    assert guard.run == max(range(1, 301), key=lambda k: _current(found.runs[k]))
    assert guard.driver is not None
    assert guard.driver.name == "parts.shunt.resistance"
    assert current.spread.most == _current(found.runs[guard.run])
    # The voltage's margin hangs on the instrument alone: on what it sources.
    voltage = next(g for g in found.guards if g.name == "shunt voltage")
    assert voltage.driver is not None
    assert voltage.driver.name.startswith("smu: ")


def _current(ran: Ran) -> float:
    value = dict(ran.values)["I", "", ""]
    assert value is not None
    return value


def test_trips_and_what_is_left_then() -> None:
    found = summary_of(work(), 200)
    guard = next(g for g in found.guards if g.name == "smu.current < 10.5 mA")
    below = [r for r in found.runs[1:] if dict(r.parameters)["parts.shunt.resistance"] < 95.2]
    assert guard.trips == pytest.approx(len(below), abs=2)
    assert found.outcomes == {"finished": 200 - guard.trips, "tripped": guard.trips}
    assert guard.least is not None
    assert guard.least < 0
    assert found.exit_code == 3
    assert all(ran.guard == guard.name for ran in found.runs if ran.outcome == "tripped")


def test_nothing_stands_out_where_all_is_alike() -> None:
    found = summary_of(work(bench=BENCH.replace(" ± 10 %", ""), ideal=True), 30)
    (_, resistance) = found.results
    assert resistance.spread.deviation == pytest.approx(0.0, abs=1e-9)
    assert resistance.spread.driver is None


def test_without_tolerances_the_instruments_errors_drive() -> None:
    """Nothing but gain and offset of the ranges in use can drive the mean of 40 readings."""
    found = summary_of(work(bench=BENCH.replace(" ± 10 %", "")), 200)
    for result in found.results:
        assert result.spread.driver is not None
        assert result.spread.driver.name.startswith("smu: ")
        assert "50 mA range" in result.spread.driver.name or "5 V" in result.spread.driver.name


def test_a_bench_that_can_not_be_put_together_names_what_was_drawn() -> None:
    bench = """\
line_frequency = "50 Hz"
[channels.smu]
specification = "demo-source-measure"
part = "shunt"
[parts.shunt]
model = "supercapacitor"
capacitance = "1 F"
series_resistance = "1 ohm"
bears_voltage = "2.8 V ± 0.4 V"
puncture_voltage = "3.3 V ± 0.4 V"
"""
    recipe = """\
recipe "Ridge weather station, a capacitor"
channel smu: source, measure, measure open
part shunt is capacitor on smu:
    voltage 0 V to 2 V
    current within 10 mA
steps:
    setup smu: aperture = 1 PLC
    measure smu into readings
results:
    V = mean(readings, voltage) "Voltage"
"""
    found = summary_of(work(recipe, bench), 60)
    bad = {ran.number for ran in found.bad}
    crossed = {
        ran.number
        for ran in found.runs
        if dict(ran.parameters)["parts.shunt.puncture_voltage"]
        <= dict(ran.parameters)["parts.shunt.bears_voltage"]
    }
    assert bad == crossed
    assert bad
    ran = found.bad[0]
    assert ran.outcome == NOT_SIMULATED
    assert "parts.shunt.bears_voltage = " in ran.reason
    assert found.outcomes[NOT_SIMULATED] == len(bad)
    assert found.exit_code == 4
    (voltage,) = found.results
    assert voltage.spread.values == 60 - len(bad)


def test_rows_have_spreads_of_their_own() -> None:
    recipe = (
        RECIPE.replace("current < 10.5 mA", "current < 20 mA")
        .replace(
            "    every 20 ms for 800 ms:\n        measure smu into readings\n",
            "    for turn in 1 to 2:\n        measure smu into readings with turn\n",
        )
        .replace(
            'I = mean(readings, current) as mA "Current"\n'
            '    R = mean(readings, voltage) / I as ohm "Resistance"\n'
            "    expect R in 100 ohm ± 5 %\n",
            'I = mean(readings, current) for each turn as mA "Current"\n',
        )
    )
    found = summary_of(work(recipe), 5)
    assert [result.key for result in found.results] == [
        ("I", "turn = 1", ""),
        ("I", "turn = 2", ""),
    ]
    assert all(result.spread.values == 5 for result in found.results)


def test_runs_side_by_side_hold_no_more_rows_than_they_may(monkeypatch: pytest.MonkeyPatch) -> None:
    """What a run comes to hangs on it alone, however many wait for their values beside it."""
    waiting, most = 0, 0
    go, come = runs._Run.go, runs._Run.come_to_its_values

    def went(run: runs._Run) -> None:
        nonlocal waiting, most
        go(run)
        assert run.kept.rows > 40
        waiting += 1
        most = max(most, waiting)

    def came(run: runs._Run) -> None:
        nonlocal waiting
        come(run)
        assert run.kept.rows == 0
        waiting -= 1

    monkeypatch.setattr(runs._Run, "go", went)
    monkeypatch.setattr(runs._Run, "come_to_its_values", came)
    recipe = RECIPE.replace("guard smu.current < 10.5 mA", "guard smu.current < 20 mA")
    given, numbers = work(recipe), range(12)
    free = runs.run_abreast(prepare(given), numbers)
    assert (most, waiting) == (12, 0)
    most = 0
    monkeypatch.setattr(runs, "_MOST_ROWS", 100)
    assert runs.run_abreast(prepare(given), numbers) == free
    assert (most, waiting) == (3, 0)
    assert [run for number in numbers for run in runs.run_abreast(prepare(given), [number])] == free


def test_the_values_of_a_kept_column() -> None:
    stream = KeptStream()
    stream.append((1.0, 5.0))
    stream.extend((np.array([2.0, 3.0, 2.0, 9.0]), 40.0), 3)
    stream.append((4.0, 0.5))
    assert stream.rows == 5
    assert stream.different(0) == {1.0, 2.0, 3.0, 4.0}
    assert stream.different(1) == {5.0, 40.0, 0.5}
    assert stream.column(0).tolist() == [1.0, 2.0, 3.0, 2.0, 4.0]
    assert stream.column(1).tolist() == [5.0, 40.0, 40.0, 40.0, 0.5]
    stream.append((6.0, 7.0))
    assert stream.column(0).tolist() == [1.0, 2.0, 3.0, 2.0, 4.0, 6.0]
    stream.extend((8.0, 9.0), 1)
    assert stream.column(0).tolist() == [1.0, 2.0, 3.0, 2.0, 4.0, 6.0, 8.0]
    assert stream.column(1).tolist() == [5.0, 40.0, 40.0, 40.0, 0.5, 7.0, 9.0]
    stream.forget()
    stream.append((1.0, 2.0))
    assert stream.column(1).tolist() == [2.0]


def test_what_drives_a_result_that_some_runs_have_no_value_of() -> None:
    """Those that trip before the last level have none there; a trace is no value of any run."""
    levels = (
        RECIPE.split("steps:")[0]
        + """steps:
    setup smu: aperture = 1 PLC
    source smu voltage 0.2 V, limit 20 mA
    output smu on
    for V in values(0.5 V, 1 V):
        source smu voltage V, limit 20 mA
        measure smu into c
results:
    R = mean_resistance(c) for each V
    moved = without_offset(c, current, 1 uA)
"""
    )
    found = summary_of(work(levels), 100)
    assert 0 < found.outcomes["tripped"] < 60
    assert {result.key[0] for result in found.results} == {"R"}
    for result in found.results:
        assert result.spread.driver is not None, result.key
        assert result.spread.driver.name == "parts.shunt.resistance"
        assert result.spread.driver.share > 0.9
    assert min(result.spread.values for result in found.results) < 100


def test_rows_that_some_runs_lack_say_why() -> None:
    """A run without any row has its own reason; one that has others lacks that row."""
    levels = (
        RECIPE.split("guard ")[0]
        + """steps:
    source smu voltage 0.2 V, limit 20 mA
    output smu on
    for k in 1 to 2:
        source smu voltage k * 1 V, limit 30 mA
        measure smu
        if smu.current < 9.7 mA * k + 0.3 mA:
            measure smu into c
results:
    V = mean(c, voltage) for each k
"""
    )
    found = summary_of(work(levels), 40)
    with_k = {result.key[1]: result for result in found.results}
    for result in with_k.values():
        assert 0 < result.spread.values < 40
        assert result.missing is not None
    assert with_k["k = 1"].missing.reason == "no reading was taken into “c”"
    # No run that has the second row lacks the first: 2 V give twice the current, against 11 mA.
    assert with_k["k = 2"].spread.values < with_k["k = 1"].spread.values


def test_a_reason_is_that_of_the_most_and_of_the_first_of_them() -> None:
    def ran(number: int, *missing: tuple[Key, str]) -> Ran:
        values = tuple((key, None) for key, _ in missing)
        return Ran(number, "finished", "", "", (), values=values, missing=missing)

    checked = prepare(work()).checked
    key = ("I", "", "")
    runs = [
        ran(0, (key, "z")), ran(1, (key, "x")), ran(2, (key, "y")), ran(3, (key, "y")),
        Ran(4, "not simulated", "it can't be", "", ()),
        Ran(5, "finished", "", "", (), values=((key, math.inf),)),
    ]  # fmt: skip
    (result,) = summed_up(checked, 0, runs).results
    assert result.missing == ("y", 2)
    (result,) = summed_up(checked, 0, [runs[0], runs[4]]).results
    assert result.missing == ("it can't be", 4)
    (result,) = summed_up(checked, 0, [runs[0], runs[5]]).results
    assert result.missing == ("it is beyond all bounds", 5)
    (result,) = summed_up(checked, 0, [runs[0], Ran(6, "finished", "", "", ())]).results
    assert result.missing == ("it has no such row", 6)
