"""Channels that read sensors, in whole dry runs: what they read, guard, record and leave behind."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest

from drivers.bench import open_bench, open_simulated, read_bench
from drivers.bench_file import BenchFile
from drivers.channel import Acquisition
from drivers.sensed_channel import SensedChannel
from drivers.simulated.served.serve import Server
from sequencer.engine.ending import Outcome
from sequencer.record.export import export_run
from sequencer.record.rows import CHANNEL_COLUMNS
from sequencer.report.following import Following
from sequencer.report.words import reading
from tests.sequencer.engine.bench_of import Ran, dry
from tests.sequencer.manual.session import Session

HEATER = """
[channels.smu]
specification = "demo-source-measure"
part = "heater"
[parts.heater]
model = "resistor"
resistance = "24 ohm"
"""
SKIN = """
[channels.skin]
specification = "demo-source-measure"
part = "ambient"
sensor = { kind = "platinum", resistance = "100 ohm", wires = WIRES }
leads = { per_lead_resistance = "0.5 ohm" }
"""
WARMING = """
[conditions]
temperature = [{ at = "0 s", value = "21 °C" }, { at = "100 s", value = "31 °C" }]
"""
HEAT = """recipe "Warm the shelter"
channel smu: source, measure
channel skin: measure temperature
part heater is resistor on smu:
    voltage within 13 V
    current within 1 A
    temperature up to 26 °C by skin
steps:
    source smu voltage 12 V, limit 0.9 A
    output smu on
    every 1 s for 80 s:
        measure smu, skin into log
results:
    warmest = maximum(log, skin.temperature)
"""
READ = """recipe "Read the air"
channel air: measure QUANTITY
steps:
    every 1 s for 5 s:
        measure air into log
results:
    found = mean(log, QUANTITY)
"""


def bench(*tables: str) -> BenchFile:
    text = 'line_frequency = "50 Hz"\n' + "\n".join(tables)
    file, problems = read_bench(Path("test.bench.toml"), text)
    assert file is not None, [p.message for p in problems]
    return file


def skin(wires: int = 4) -> str:
    return SKIN.replace("WIRES", str(wires))


def air(sensor: str, specification: str = "demo-source-measure") -> str:
    return (
        f'[channels.air]\nspecification = "{specification}"\npart = "ambient"\n'
        f"sensor = {{ {sensor} }}\n"
    )


def result(ran: Ran, name: str) -> float:
    (row,) = [row for row in ran.record.results() if row.name == name]
    assert row.value is not None, row
    return row.value


@pytest.mark.parametrize(
    ("sensor", "quantity", "condition", "value"),
    [
        ('kind = "platinum", resistance = "1 kohm", wires = 2', "temperature", '"-11 °C"', 262.15),
        (
            'kind = "thermistor", resistance = "10 kohm", beta = "3950 K"',
            "temperature",
            '"36.6 °C"',
            309.75,
        ),
        (
            'kind = "thermocouple", type = "K", reference = "0 °C"',
            "temperature",
            '"-40 °C"',
            233.15,
        ),
        (
            'kind = "linear", quantity = "pressure", signals = ["4 mA", "20 mA"], '
            'values = ["800 hPa", "1100 hPa"]',
            "pressure",
            '"950 hPa"',
            95e3,
        ),
        (
            'kind = "linear", quantity = "speed", signals = ["0 V", "10 V"], '
            'values = ["0 rpm", "3000 rpm"]',
            "speed",
            '"1500 rpm"',
            25.0,
        ),
        (
            'kind = "table", quantity = "humidity", '
            'signals = ["50 kohm", "5 kohm"], values = ["20 %", "90 %"]',
            "humidity",
            '"41 %"',
            0.41,
        ),
        (
            'kind = "photodiode", responsivity = "0.4 A/W", area = "7.5 mm^2"',
            "irradiance",
            '"812 W/m^2"',
            812.0,
        ),
        ('kind = "photodiode", sensitivity = "10 nA/lx"', "illuminance", '"35 lx"', 35.0),
    ],
)
def test_what_surrounds_the_bench_is_what_is_read(
    tmp_path: Path, sensor: str, quantity: str, condition: str, value: float
) -> None:
    """An ideal instrument reads the condition back, to a millionth."""
    file = bench(air(sensor), f"[conditions]\n{quantity} = {condition}\n")
    ran = dry(READ.replace("QUANTITY", quantity), tmp_path, file)
    assert ran.finished.ending.outcome is Outcome.FINISHED
    assert result(ran, "found") == pytest.approx(value, rel=1e-6)


@pytest.mark.parametrize("wires", [2, 3, 4])
def test_leads_are_taken_off_as_they_are_wired(tmp_path: Path, wires: int) -> None:
    """Half an ohm in each lead would be 2.6 K on two wires and 1.3 K on three."""
    file = bench(skin(wires), '[conditions]\ntemperature = "23 °C"\n')
    ran = dry(READ.replace("QUANTITY", "temperature").replace("air", "skin"), tmp_path, file)
    assert result(ran, "found") == pytest.approx(296.15, abs=1e-6)
    channel = open_simulated(file, ideal=True).channels["skin"]
    channel.configure(Acquisition(None, None))
    taken = channel.measure()
    ohms = taken.voltage / taken.current
    expected = 108.9580 + {2: 1.0, 3: 0.5, 4: 0.0}[wires]  # IEC 60751 at 23 °C: 108.9580 ohm
    assert ohms == pytest.approx(expected, abs=1e-3)


def test_a_rating_is_watched_and_trips(tmp_path: Path) -> None:
    """It rises by 0.1 K a second from 21 °C: past 26 °C, and the error of the sensor, at 53.5 s."""
    ran = dry(HEAT, tmp_path, bench(HEATER, skin(), WARMING))
    assert ran.finished.ending.outcome is Outcome.TRIPPED
    assert "heater temperature by skin" in ran.finished.ending.reason
    assert "is above the rating of 26 °C" in ran.finished.ending.reason
    assert ran.outputs_off
    # Class B: 0.3 K + 0.005·|t| of what is read.
    *_, before, last = (t - 273.15 for t in ran.column("log", "skin.temperature"))
    assert before - (0.3 + 0.005 * before) < 26 < last - (0.3 + 0.005 * last)
    guards = {g.name: g for g in ran.record.guards()}
    assert guards["heater temperature by skin"].tripped
    assert "heater temperature" not in guards


def test_a_rating_that_holds_says_what_was_left(tmp_path: Path) -> None:
    ran = dry(HEAT.replace("26 °C", "30 °C"), tmp_path, bench(HEATER, skin(), WARMING))
    assert ran.finished.ending.outcome is Outcome.FINISHED
    (guard,) = [g for g in ran.record.guards() if g.quantity == "temperature"]
    warmest = max(ran.column("log", "skin.temperature"))
    assert guard.margin == pytest.approx(303.15 - warmest, abs=0.01)
    assert result(ran, "warmest") == warmest


@pytest.mark.parametrize("celsius", [-10, 60])
def test_a_sensor_past_its_span_trips(tmp_path: Path, celsius: int) -> None:
    """What can't be seen can't be guarded: that it may be colder than it can read hides it, too."""
    loop = air(
        'kind = "linear", quantity = "temperature", signals = ["4 mA", "20 mA"], '
        'values = ["0 °C", "50 °C"]'
    )
    file = bench(HEATER, loop, f'[conditions]\ntemperature = "{celsius} °C"\n')
    ran = dry(HEAT.replace("skin", "air"), tmp_path, file)
    assert ran.finished.ending.outcome is Outcome.TRIPPED
    assert "heater temperature by air: over range" in ran.finished.ending.reason
    assert ran.outputs_off


def test_a_guard_and_a_condition_see_the_value(tmp_path: Path) -> None:
    """`until` ends it at 24 °C; the guard, which would have tripped at 25 °C, held."""
    recipe = """recipe "Wait for warmth"
channel skin: measure temperature
guard skin.temperature < 25 °C "too warm"
steps:
    every 1 s until skin.temperature >= 24 °C, at most 60 s:
        measure skin into log
    let reached = skin.temperature
    note "at {reached}"
"""
    file = bench(skin(), WARMING)
    ran = dry(recipe, tmp_path, file)
    assert ran.finished.ending.outcome is Outcome.FINISHED
    assert ran.record.notes()[-1].text == "at 24.001 °C"
    tripping = recipe.replace(">= 24", ">= 26")
    (tmp_path / "second").mkdir()
    ran = dry(tripping, tmp_path / "second", file)
    assert ran.finished.ending.outcome is Outcome.TRIPPED


def test_a_reference_junction_is_read_by_another_channel(tmp_path: Path) -> None:
    """Both lie in the shelter: the junction's own readings go on record, one for each."""
    hot = air('kind = "thermocouple", type = "T", reference = "skin"')
    recipe = READ.replace("QUANTITY", "temperature").replace(
        "steps:", "channel skin: measure temperature\nsteps:"
    )
    ran = dry(recipe, tmp_path, bench(hot, skin(), WARMING))
    assert ran.finished.ending.outcome is Outcome.FINISHED
    times = ran.column("log", "time")
    expected = [294.15 + 0.1 * time for time in times]
    assert ran.column("log", "air.temperature") == pytest.approx(expected, abs=5e-3)
    columns = ran.record.columns("skin")
    assert len(columns["time"]) == len(times)
    assert set(columns["trace"]) == {-1.0}


def test_finally_reads_once_more_and_leaves_all_off(tmp_path: Path) -> None:
    recipe = READ.replace("QUANTITY", "temperature").replace("air", "skin")
    recipe = recipe.replace("results:", "finally:\n    measure skin into last\nresults:")
    ran = dry(recipe, tmp_path, bench(skin(), WARMING))
    assert ran.finished.ending.outcome is Outcome.FINISHED
    assert ran.column("last", "skin.temperature") == pytest.approx([294.65], abs=0.02)
    assert ran.outputs_off


def test_what_was_measured_stays_on_record(tmp_path: Path) -> None:
    ran = dry(HEAT.replace("26 °C", "30 °C"), tmp_path, bench(HEATER, skin(), WARMING))
    stream = ran.record.stream("skin")
    assert stream.columns == (*CHANNEL_COLUMNS, "temperature")
    columns = ran.record.columns("skin")
    assert columns["current"] == pytest.approx(np.full(len(columns["time"]), 1e-3))
    trace = ran.record.trace("log")
    assert "skin.temperature" in trace.columns
    assert "smu.temperature" not in trace.columns
    path = tmp_path / "log.csv"
    export_run(ran.record, path, "csv", "log")
    lines = path.read_text("utf-8-sig").splitlines()
    header = next(line for line in lines if line.startswith("time (s)"))
    assert "skin.temperature (K)" in header
    export_run(ran.record, path, "csv")
    lines = path.read_text("utf-8-sig").splitlines()
    table = lines[next(k for k, line in enumerate(lines) if line.startswith("time (s)")) :]
    assert len(table) > 100
    assert len({line.count(",") for line in table}) == 1


def test_a_profile_that_ends_early_ends_the_run(tmp_path: Path) -> None:
    short = WARMING.replace("100 s", "40 s").replace("}, {", "},\n{")
    file = bench(HEATER, skin(), short)
    ran = dry(HEAT.replace("26 °C", "60 °C"), tmp_path, file)
    assert ran.finished.ending.outcome is Outcome.FAILED
    assert ran.finished.ending.fault == "bench"
    (line,) = (n for n, text in enumerate(file.text.splitlines(), 1) if '"40 s"' in text)
    reason = ran.finished.ending.reason
    assert reason.startswith(f"test.bench.toml:{line}: [conditions] temperature ends at 40 s, ")
    assert reason.endswith(" s. Add a point to it: what it is to be at the end of the run.")
    assert ran.outputs_off
    assert ran.finished.ending.unknown == ()


def test_errors_and_noise_stay_within_what_is_stated(tmp_path: Path) -> None:
    """With seeds of its own each: the truth lies within the error that the channel states."""
    file = bench(skin(), '[conditions]\ntemperature = "23 °C"\n')
    recipe = READ.replace("QUANTITY", "temperature").replace("air", "skin")
    found = []
    for seed in range(10):
        folder = tmp_path / str(seed)
        folder.mkdir()
        ran = dry(recipe, folder, file, ideal=False, seed=seed)
        found.append(result(ran, "found") - 296.15)
    # 100 uV on the 500 mV range, 1 mA and 0.385 ohm/K, and what the current may be off.
    assert 0.001 < max(map(abs, found)) < 0.5
    assert len(set(found)) == 10


def test_the_same_over_a_link(tmp_path: Path) -> None:
    """The instruments are served as they are, and the sensor is read on this side of the link."""
    file = bench(skin(), '[conditions]\ntemperature = "23 °C"\n')
    simulated = open_simulated(file, ideal=True)
    with Server(simulated) as server:
        linked = file.text.replace(
            "[channels.skin]\n",
            f'[channels.skin]\nresource = "{server.resources["skin"]}"\nlibrary = "@py"\n'
            'dialect = "scpi-1999-source-measure"\n',
        )
        again, problems = read_bench(Path("test.bench.toml"), linked)
        assert again is not None, [p.message for p in problems]
        opened = open_bench(again, clock=simulated.clock)
        try:
            channel = opened.channels["skin"]
            assert isinstance(channel, SensedChannel)
            channel.reset()
            channel.configure(Acquisition(40.0, 12.0))
            taken = channel.measure()
            assert channel.value(taken) == pytest.approx(296.15, abs=1e-3)
            assert channel.read_back().output
            channel.switch(False)
            assert not channel.read_back().output
            # The next reading takes the current again.
            assert channel.value(channel.measure()) == pytest.approx(296.15, abs=1e-3)
            channel.switch(False)
            assert math.isfinite(channel.error(taken, (1e-4, 1e-7)))
        finally:
            opened.close()


def test_who_follows_the_run_sees_the_value(tmp_path: Path) -> None:
    ran = dry(HEAT.replace("26 °C", "30 °C"), tmp_path, bench(HEATER, skin(), WARMING))
    looks = {look.channel: look for look in Following(ran.record).look().channels}
    assert reading(looks["skin"]).startswith("temperature 29.0")
    assert reading(looks["smu"]).startswith("0 V, 0 A")


def test_by_hand(tmp_path: Path) -> None:
    """The channel is offered for what its sensor gives, and asks for no part."""
    typed = ["measure skin into log", 'say "It is {skin.temperature}."']
    session = Session(bench(skin(), '[conditions]\ntemperature = "21 °C"\n'), typed, tmp_path)
    assert "channel skin: measure temperature\n" in session.text
    assert not session.found
    assert any(words.startswith("  temperature 21.") for words in session.said)
    assert session.finished is not None
    assert session.finished.ending.outcome is Outcome.FINISHED
