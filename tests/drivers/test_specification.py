"""Instrument specifications: the shipped ones hold together, bad ones are told with their place."""

from __future__ import annotations

import math
from collections.abc import Sequence
from importlib import resources
from itertools import pairwise
from pathlib import Path

import pytest

from drivers.figures import CurrentRange, VoltageRange, WarmUp, reading_noise
from drivers.specification import (
    Specification,
    load_specification,
    read_specification,
    shipped_specifications,
)
from grammar.diagnostic import Source, draw

TEXT = (resources.files("drivers") / "specifications" / "demo-source-measure.toml").read_text(
    "utf-8"
)


INSTRUMENTS = [name for name in shipped_specifications() if name != "demo-digital"]
"""Those of channels; the box of digital lines has tests of its own."""


def shipped(name: str) -> Specification:
    specification, problems = load_specification(name)
    assert specification is not None, [p.message for p in problems]
    assert len(problems) == 0
    return specification


def told(before: str, after: str) -> str:
    assert before in TEXT
    specification, problems = read_specification(Source("own.toml", TEXT.replace(before, after, 1)))
    assert specification is None
    return "\n".join(map(draw, problems))


def test_shipped_ones_are_listed_and_load() -> None:
    names = "digital load meter picoampere source-measure supply symmetric-source"
    assert shipped_specifications() == [f"demo-{name}" for name in names.split()]
    for name in INSTRUMENTS:
        assert "invented" in shipped(name).figures_from


def test_demo_source_measure_instrument() -> None:
    """What the demonstrations count on: 32 V and 4.5 A in four quadrants, picoamperes."""
    demo = shipped("demo-source-measure")
    for direction in ("source", "sink"):
        assert demo.holds(32.0, 4.5, direction)
        assert not demo.holds(32.1, 4.5, direction)
        assert not demo.holds(32.0, 4.6, direction)
    assert [r.full_scale for r in demo.voltage_ranges] == [0.5, 5.0, 40.0]
    assert [r.full_scale for r in demo.current_ranges] == pytest.approx(
        [5 * 10.0**k for k in range(-9, 1)] + [12.0]
    )
    assert demo.fastest_sampling_hz == 400e3
    (pulsed,) = demo.pulsed
    assert (pulsed.voltage, pulsed.current, pulsed.direction) == (40.0, 12.0, "both")
    assert not demo.holds(40.0, 12.0, "source")
    assert demo.current_ranges[0].resolution == 1e-12
    for capability in (
        "pulse",
        "capture",
        "two-sided limit",
        "measure open",
        "remote sense",
        "measure voltage",
    ):
        assert demo.can(capability)


def test_demo_with_a_symmetric_limit() -> None:
    demo = shipped("demo-symmetric-source")
    assert not demo.can("two-sided limit")
    assert not demo.can("measure open")
    assert demo.holds(20.0, 1.4, "source")
    assert not demo.holds(20.0, 1.4, "sink")


@pytest.mark.parametrize("name", INSTRUMENTS)
def test_figures_are_plausible(name: str) -> None:
    """A larger range is never finer; noise and offset are a small part of the range."""
    demo = shipped(name)
    both: tuple[Sequence[VoltageRange | CurrentRange], ...] = (
        demo.voltage_ranges,
        demo.current_ranges,
    )
    for ranges in both:
        for smaller, larger in pairwise(ranges):
            assert smaller.resolution <= larger.resolution
            assert smaller.noise < larger.noise
            assert smaller.measure.plus < larger.measure.plus
        for r in ranges:
            assert r.resolution < r.full_scale / 4000
            assert r.noise < r.full_scale / 1000
            assert r.measure.plus < r.full_scale / 100


@pytest.mark.parametrize(
    ("train", "excess"),
    [
        ((0.005,), ""),
        ((0.0051,), "a pulse of 5.1 ms is longer than the 5 ms that it bears"),
        ((0.005, 0.1, 200), ""),
        (
            (0.005, 0.09),
            "5 ms in every 90 ms is a duty of 5.56 %, more than the 5 % that it bears",
        ),
        (
            (0.001, 0.05, 201),
            "201 pulses in a row with rests of 49 ms are more than it bears: after 200 in a row it "
            "needs 1 s",
        ),
        ((0.001, 1.001, 1000), ""),
    ],
)
def test_what_of_a_train_is_beyond_the_pulsed_envelope(
    train: tuple[float, float, int], excess: str
) -> None:
    (pulsed,) = shipped("demo-source-measure").pulsed
    assert pulsed.excess(*train) == excess


def test_a_rest_after_every_pulse_where_no_row_is_stated() -> None:
    single = shipped("demo-source-measure").pulsed[0].model_copy(update={"most_in_a_row": 1})
    assert single.excess(0.001, 1.001, 2) == ""
    assert single.excess(0.001, 1.0, 2) == (
        "2 pulses in a row with rests of 999 ms are more than it bears: after each it needs 1 s"
    )


@pytest.mark.parametrize(
    ("before", "after", "message"),
    [
        (
            'current       = "12 A"',
            'current       = "13 A"',
            "own.toml:35:17: error: “pulsed[0].current” is 13 A, and the largest current range "
            'holds 12 A [specification-value]\n   35 | current       = "13 A"\n',
        ),
        (
            'voltage       = "40 V"\ncurrent       = "12 A"',
            'voltage       = "30 V"\ncurrent       = "4 A"',
            "own.toml:33:1: error: “pulsed[0]” lies inside the continuous envelope, and so bounds "
            "nothing [specification-value]\n",
        ),
        (
            'largest_duty  = "5 %"',
            'largest_duty  = "500 %"',
            "own.toml:38:17: error: “pulsed[0].largest_duty” is 500 %: it must be at most 100 % "
            "[specification-value]\n",
        ),
        (
            'longest_width = "5 ms"\n',
            "",
            "own.toml:33:1: error: “pulsed[0]” lacks “longest_width” [specification-missing]\n",
        ),
        (
            'voltage   = "32 V"',
            'voltage   = "42 V"',
            "own.toml:28:13: error: “continuous[0].voltage” is 42 V, and the largest voltage range "
            "holds 40 V [specification-value]\n",
        ),
        (
            'direction = "both"',
            'direction = "source"',
            "own.toml:6:15: error: “capabilities[1]” says “sink”, and none of “continuous” is a "
            "rectangle to sink in [specification-value]\n",
        ),
        (
            ', "pulse", "capture"',
            ', "capture"',
            "own.toml:33:1: error: “pulsed” is stated, and “capabilities” doesn't say “pulse” "
            "[specification-value]\n",
        ),
        (
            "memory_samples    = 1_000_000\n",
            "",
            "own.toml:7:41: error: “capabilities[8]” says “capture”, and there is no "
            "“memory_samples” [specification-value]\n",
        ),
        (
            'shortest_aperture = "2.5 us"',
            'shortest_aperture = "10 us"',
            "own.toml:22:21: error: “fastest_sampling” of 400 kHz leaves a sample 2.5 us, and the "
            "shortest aperture is 10 us [specification-value]\n",
        ),
    ],
)
def test_figures_that_contradict_each_other(before: str, after: str, message: str) -> None:
    assert told(before, after).startswith(message)


@pytest.mark.parametrize(
    ("after", "message"),
    [
        (
            'measures          = "simultaneous"\nskew = "1 ms"\n',
            "own.toml:13:8: error: “skew” is stated, and “measures” says “simultaneous”: both are "
            "read at once [specification-value]\n",
        ),
        (
            'measures          = "sequential"\n',
            "own.toml:7:32: error: “capabilities[7]” says “pulse”, and “measures” says "
            "“sequential”: a pulse or a capture takes both at once [specification-value]\n",
        ),
        (
            'measures          = "simultaneous"\n'
            'range_settling = { wait = "1 ms", error = "1 %" }\n',
            "own.toml:13:18: error: “range_settling” has one of “error” and “decay” without the "
            "other: an error that is left decays, and only that [specification-value]\n",
        ),
        (
            'measures          = "simultaneous"\nprotections = { over_voltage = "30 V" }\n',
            "own.toml:13:32: error: “protections.over_voltage” is 30 V, and “continuous” reaches "
            "32 V: it would drop what it can put out [specification-value]\n",
        ),
        (
            'measures          = "simultaneous"\nprotections = { over_current = "4 A" }\n',
            "own.toml:13:32: error: “protections.over_current” is 4 A, and “continuous” reaches "
            "4.5 A: it would drop what it can put out [specification-value]\n",
        ),
        (
            'measures          = "simultaneous"\nprotections = { over_temperature = { limit = '
            '"80 °C", rise = "0.5 K/W", time_constant = "1 min" } }\n',
            "own.toml:13:46: error: “protections.over_temperature.limit” is 80 °C, and 144 W, "
            "which “continuous” lets it take, make 100 °C of air at 28 °C: it would drop what it "
            "takes for ever [specification-value]\n",
        ),
        (
            'measures          = "simultaneous"\nlargest_outside_voltage = "20 V"\n',
            "own.toml:13:27: error: “largest_outside_voltage” is 20 V, and “continuous” reaches "
            "32 V: it bears what it puts out [specification-value]\n",
        ),
        (
            'measures          = "simultaneous"\nwarm_up = { time = "20 min", factor = 1 }\n',
            "own.toml:13:39: error: “warm_up.factor” is 1: it must be greater than 1 "
            "[specification-value]\n",
        ),
        (
            'measures          = "simultaneous"\noff_leakage_resistance = "0 ohm"\n',
            "own.toml:13:26: error: “off_leakage_resistance” is 0 ohm: it must be greater than 0 "
            "[specification-value]\n",
        ),
    ],
)
def test_impossible_figures_of_readings_and_states(after: str, message: str) -> None:
    assert told('measures          = "simultaneous"\n', after).startswith(message)


@pytest.mark.parametrize(
    ("before", "after", "message"),
    [
        (
            'noise_corner = "50 mHz"',
            'noise_corner = "200 Hz"',
            "“voltage_ranges[0].noise_corner” is 200 Hz: it must be at most 100",
        ),
        (
            'line_pick_up = "2.5 uV"',
            'line_pick_up = "-1 uV"',
            "“voltage_ranges[0].line_pick_up” is -1 uV: it must not be negative",
        ),
        (
            'line_pick_up = "2.5 uV"',
            'line_pick_up = "1 uA"',
            "“voltage_ranges[0].line_pick_up”: “1 uA” is a current, expected a voltage",
        ),
    ],
)
def test_impossible_figures_of_noise(before: str, after: str, message: str) -> None:
    assert message in told(before, after)


def test_the_error_of_a_reading() -> None:
    """The 5 V range at 20 ms: 0.012 %, 300 µV, three times its noise with its drift, 10 µV.

    The drift at 50 mHz has √(2 ln 2·0.05/50) of 8 µV in each of its 21 octaves.
    """
    demo = shipped("demo-source-measure")
    drift = 8e-6 * math.sqrt(21 * 2 * math.log(2) * 0.05 / 50)
    of_value, plus = demo.reading_error(demo.voltage_ranges[1], 0.02, 50.0)
    assert of_value == 0.00012
    assert plus == pytest.approx(300e-6 + 3 * math.hypot(8e-6, drift) + 10e-6, rel=1e-12)
    cold = demo.model_copy(update={"warm_up": WarmUp(time="1 min", factor=2)})
    assert cold.reading_error(demo.voltage_ranges[1], 0.02, 50.0) == pytest.approx(
        (0.00024, plus + 300e-6), rel=1e-12
    )
    half = demo.reading_error(demo.voltage_ranges[1], 0.01, 50.0)[1]
    noise = 3 * math.hypot(8e-6 * math.sqrt(2), drift)
    assert half == pytest.approx(310e-6 + noise + 20e-6 * 2 / math.pi, rel=1e-12)


def test_white_noise() -> None:
    """Ten times the noise at a hundredth of the time: the definition of white noise."""
    assert reading_noise(1e-6, 0.02, 50.0) == pytest.approx(1e-6)
    assert reading_noise(1e-6, 0.0002, 50.0) == pytest.approx(1e-5)
    assert reading_noise(1e-6, 2.0, 50.0) == pytest.approx(1e-7)


def test_smallest_range_that_holds() -> None:
    demo = shipped("demo-source-measure")
    found = demo.voltage_range(5.0)
    assert found is not None
    assert found.full_scale == 5.0
    assert demo.voltage_range(40.1) is None


def test_wrong_capability() -> None:
    assert told('"two-sided limit"', '"two sided limit"').startswith(
        "own.toml:6:66: error: “capabilities[5]” is “two sided limit”: it can be "
    )


def test_wrong_unit_in_a_range() -> None:
    message = told('full_scale   = "5 V"', 'full_scale   = "5 A"')
    assert "“voltage_ranges[1].full_scale”: “5 A” is a current, expected a voltage" in message
    assert '| full_scale   = "5 A"' in message


def test_ranges_must_ascend() -> None:
    assert told('full_scale   = "5 V"', 'full_scale   = "50 V"').startswith(
        "own.toml: error: the file has voltage_ranges that don't ascend: the smallest full scale "
        "first, each once"
    )


def test_missing_figures() -> None:
    assert told('switching_time    = "5 ms"\n', "") == (
        "own.toml: error: the file lacks “switching_time” [specification-missing]"
    )


def test_path_that_is_not_there(tmp_path: Path) -> None:
    specification, problems = load_specification("own.toml", tmp_path)
    assert specification is None
    (problem,) = problems
    assert problem.message == (
        "there is no specification “own.toml”, neither shipped nor as a text file at "
        f"{tmp_path / 'own.toml'}"
    )
