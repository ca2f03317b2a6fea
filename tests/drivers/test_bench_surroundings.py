"""What a bench file says of sensors, conditions and joined terminals; what bad ones are told."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from drivers.bench import BenchFile, open_simulated, read_bench
from drivers.bench_wiring import Joined
from drivers.channel import Acquisition, Setpoint
from drivers.faults import BenchFileError
from drivers.simulated.conditions import Conditions, Profile
from drivers.simulated.parts.laser import EXAMPLE
from grammar.diagnostic import draw

HEAD = 'line_frequency = "50 Hz"\n'
AIR = """\
[channels.air]
specification = "demo-source-measure"
part = "ambient"
sensor = { kind = "platinum", resistance = "100 ohm", wires = 4 }
"""
SMU = """\
[channels.smu]
specification = "demo-source-measure"
part = "load"
[parts.load]
model = "resistor"
resistance = "100 ohm"
"""


def read(text: str) -> BenchFile:
    file, problems = read_bench(Path("shelter.bench.toml"), HEAD + text)
    assert not list(problems)
    assert file is not None
    return file


def told(text: str) -> str:
    file, problems = read_bench(Path("shelter.bench.toml"), HEAD + text)
    assert file is None
    assert all(problem.fault == "bench" for problem in problems)
    return "\n".join(map(draw, problems))


# Conditions


def test_without_conditions_it_is_a_dark_room() -> None:
    conditions = read(AIR).conditions
    assert conditions == Conditions()
    assert conditions.temperature.at(1e9) == 296.15
    assert conditions.irradiance.at(0.0) == 0.0
    assert conditions.kinks == ()


def test_a_constant_and_a_profile() -> None:
    conditions = read(
        AIR + "[conditions]\n"
        'temperature = [{ at = "0 h", value = "21 °C" }, { at = "6 h", value = "17 °C" }]\n'
        'irradiance = "800 W/m^2"\n'
    ).conditions
    assert conditions.irradiance.at(123.0) == 800.0
    assert conditions.temperature.at(0.0) == pytest.approx(294.15)
    assert conditions.temperature.at(3 * 3600) == pytest.approx(292.15)
    assert conditions.temperature.at(6 * 3600) == pytest.approx(290.15)
    assert conditions.kinks == (0.0, 6 * 3600.0)


def test_a_profile_of_one_point_is_a_constant() -> None:
    text = '[conditions]\ntemperature = [{ at = "0 s", value = "5 °C" }]\n'
    assert read(AIR + text).conditions.temperature.is_constant


def test_an_unknown_condition() -> None:
    assert told(AIR + '[conditions]\ntemprature = "21 °C"\n') == (
        "shelter.bench.toml:7:1: error: “conditions.temprature” is no key known here [bench-key]\n"
        '    7 | temprature = "21 °C"\n'
        "      | ^^^^^^^^^^\n"
        "  Did you mean “temperature”?"
    )


def test_a_condition_of_another_unit() -> None:
    assert told(AIR + '[conditions]\nirradiance = "21 °C"\n') == (
        "shelter.bench.toml:7:14: error: “conditions.irradiance”: “21 °C” is a temperature, "
        "expected a irradiance as in “1 W/m^2” [bench-unit]\n"
        '    7 | irradiance = "21 °C"\n'
        "      |              ^^^^^^^"
    )


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ('irradiance = "-1 W/m^2"', "8:14: error: “conditions.irradiance” is impossible"),
        ('humidity = "101 %"', "a humidity is 100 % at most"),
        ("temperature = []", "“conditions.temperature” has 0 points: it can be 1 to 10000"),
        ("temperature = [3]", "“conditions.temperature[0]” must be a table"),
        (
            'temperature = [{ at = "1 s", value = "21 °C" }]',
            "“conditions.temperature[0].at” is 1 s: begin at 0 s",
        ),
        (
            'temperature = [{ at = "0 s", value = "21 °C" }, { at = "0 s", value = "3 °C" }]',
            "“conditions.temperature[1].at” is 0 s: it must come after 0 s",
        ),
        (
            'temperature = [{ at = "0 s", value = "21 °C" }, { at = "9 s", value = "3 V" }]',
            "“conditions.temperature[1].value”: “3 V” is a voltage",
        ),
        ('temperature = [{ at = "0 s" }]', "“conditions.temperature[0]” lacks “value”"),
        ('temperature = [{ at = "0 s", value = "1 °C", x = 1 }]', "temperature[0].x” is no key"),
    ],
)
def test_impossible_conditions(line: str, words: str) -> None:
    found = told(AIR + f"# of the shelter\n[conditions]\n{line}\n")
    assert words in found
    assert found.startswith("shelter.bench.toml:8:")


def test_no_table_of_conditions() -> None:
    found = told("conditions = 3\n" + AIR)
    assert "“conditions” must be a table" in found


def test_a_profile_that_has_ended_is_told() -> None:
    conditions = Conditions(temperature=Profile((0.0, 60.0), (290.0, 300.0)))
    conditions.accept(60.0)
    with pytest.raises(BenchFileError, match=r"temperature ends at 60 s.* to 61 s"):
        conditions.accept(61.0)
    held = conditions.held()
    held.accept(1e9)
    assert held.temperature.at(1e9) == 300.0
    assert held.temperature.at(30.0) == 295.0


# Sensors


def test_a_sensor_is_resolved() -> None:
    file = read(AIR)
    assert file.sensors["air"].gives == "temperature"
    assert file.sensors["air"].method == "platinum by IEC 60751, 100 ohm, 4 wires"
    assert file.channels["air"].part == "ambient"


@pytest.mark.parametrize(
    ("sensor", "words"),
    [
        ('{ kind = "platinun" }', "5:19: error: there is no kind “platinun” of a sensor"),
        ('{ resistance = "100 ohm" }', "5:1: error: “channels.air.sensor” lacks “kind”"),
        ('{ kind = "platinum" }', "5:1: error: “channels.air.sensor” lacks “resistance”"),
        (
            '{ kind = "platinum", resistance = "100 V" }',
            "5:44: error: “channels.air.sensor.resistance”: “100 V” is a voltage",
        ),
        (
            '{ kind = "platinum", resistance = "1 ohm", wire = 4 }',
            "5:53: error: “channels.air.sensor.wire” is no key known here",
        ),
        ('"platinum"', "5:10: error: “channels.air.sensor” must be a table"),
        (
            '{ kind = "platinum", resistance = "1 Mohm" }',
            "up to 3.90481 kV, more than any range of this holds",
        ),
        (
            '{ kind = "thermocouple", type = "K", reference = "aor" }',
            "5:59: error: no channel “aor” of this bench reads a sensor",
        ),
        (
            '{ kind = "thermocouple", type = "K", reference = "air" }',
            "“air” is a thermocouple itself",
        ),
    ],
)
def test_wrong_sensors(sensor: str, words: str) -> None:
    assert words in told(AIR.replace(AIR.splitlines()[3], f"sensor = {sensor}"))


def test_an_instrument_that_cannot_read_its_sensor() -> None:
    assert told(AIR.replace("demo-source-measure", "demo-meter")) == (
        "shelter.bench.toml:5:19: error: “channels.air.sensor”: a resistance is measured by a "
        "current, and this can't source one (Demo meter) [bench-sensor]\n"
        '    5 | sensor = { kind = "platinum", resistance = "100 ohm", wires = 4 }\n'
        "      |                   ^^^^^^^^^^\n"
        "  Take another instrument for it.\n"
        "shelter.bench.toml:5:63: error: “channels.air.sensor”: 4 wires need remote sense, which "
        "this has not (Demo meter) [bench-sensor]\n"
        '    5 | sensor = { kind = "platinum", resistance = "100 ohm", wires = 4 }\n'
        "      |                                                               ^\n"
        "  Wire it on 2, with the resistance of the leads under “leads”."
    )


def test_the_air_takes_a_sensor() -> None:
    found = told(SMU.replace('"load"', '"ambient"'))
    assert "4:8: error: “ambient” is what surrounds the bench, and takes a sensor to read" in found
    found = told(AIR + SMU.replace("parts.load", "parts.ambient").replace('"load"', '"ambient"'))
    assert "can't be the name of a part" in found


# Pairs of terminals

LASER = """\
[channels.smu]
specification = "demo-source-measure"
part = "visibility.laser"
[channels.eye]
specification = "demo-source-measure"
part = "visibility.photodiode"
"""
BEAM = EXAMPLE.replace("parts.beam", "parts.visibility")


def test_a_part_with_two_pairs_of_terminals() -> None:
    """It is simulated once: what one channel does to it the other sees."""
    file = read(LASER + BEAM)
    bench = open_simulated(file, ideal=True)
    smu, eye = bench.channels["smu"], bench.channels["eye"]
    eye.configure(Acquisition(5.0, 1e-3, aperture_cycles=1.0))
    eye.program(Setpoint("voltage", 0.0, -1e-3, 1e-3))
    eye.switch(True)
    dark = eye.measure().current
    smu.program(Setpoint("current", 50e-3, -4.0, 4.0))
    smu.switch(True)
    assert abs(eye.measure().current) > 1000 * abs(dark) + 1e-6
    assert open_simulated(file, channels=["eye"]).channels.keys() == {"eye"}


@pytest.mark.parametrize(
    ("part", "words"),
    [
        ('"visibility"', "“visibility” has 2 pairs of terminals [bench-part]"),
        ('"visibility"', "Write visibility.laser or visibility.photodiode."),
        ('"visibility.lasor"', "“visibility” has no terminals “lasor”"),
        ('"visibility.lasor"', "Did you mean “visibility.laser”?"),
        ('"visibility.photodiode"', "“visibility.photodiode” hangs on channel “smu” already"),
        ('"visbility.laser"', "there is no part “visbility” on this bench"),
    ],
)
def test_wrong_pairs_of_terminals(part: str, words: str) -> None:
    assert words in told(LASER.replace('"visibility.laser"', part) + BEAM)


def test_a_part_with_one_pair_has_no_name_for_it() -> None:
    found = told(SMU.replace('part = "load"', 'part = "load.high"'))
    assert "“load” has one pair of terminals, and no “high”" in found


# Joined terminals


def test_common_terminals_are_kept() -> None:
    file = read(SMU + AIR + 'common = ["smu.low"]\n')
    assert file.channels["air"].common == ("smu.low",)


@pytest.mark.parametrize(
    ("common", "words"),
    [
        ('["smv.low"]', "12:11: error: “smv.low” is no terminal of this bench [bench-common]"),
        ('["smu"]', "“smu” is no terminal of this bench"),
        ('["smu.lo"]', "Write a channel's, as in smu.low."),
        ('["air.low"]', "“air.low” is this very terminal"),
        ('["air.high"]', "the two terminals of “air” are joined by what is common: it is shorted"),
        ('["smu.low", "smu.high"]', "the two terminals of “smu” are joined"),
    ],
)
def test_wrong_common_terminals(common: str, words: str) -> None:
    assert words in told(SMU + AIR + f"common = {common}\n")


def test_what_is_in_parallel() -> None:
    assert list(Joined({"b": ["a.low"]}).parallel(["a", "b"])) == []
    assert list(Joined({"b": ["a.high"], "a": ["b.high"]}).parallel(["a", "b"])) == [("a", "b")]
    # By way of a third one's terminals, too.
    around = {"a": ["c.low"], "b": ["c.low"], "c": ["d.high"], "d": ["a.high"], "e": ["b.high"]}
    assert list(Joined(around).parallel(["a", "b", "c", "d"])) == [("a", "d")]


def test_the_examples_of_the_reference_are_right() -> None:
    """The blocks of `recipes/README.md` together are a bench."""
    text = (Path(__file__).parents[2] / "recipes" / "README.md").read_text("utf-8")
    blocks = re.findall(r"^```toml\n(.*?)^```$", text, re.M | re.S)
    file = read("\n".join(blocks))
    assert file.sensors.keys() == {"hot", "junction"}
    assert not file.conditions.temperature.is_constant
