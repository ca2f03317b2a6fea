"""Instrument specifications: the shipped ones hold together, bad ones are told with their place."""

from __future__ import annotations

from collections.abc import Sequence
from importlib import resources
from itertools import pairwise
from pathlib import Path

import pytest

from drivers.specification import (
    CurrentRange,
    Specification,
    VoltageRange,
    load_specification,
    read_specification,
    reading_noise,
    shipped_specifications,
)
from grammar.diagnostic import Source, draw

TEXT = (resources.files("drivers") / "specifications" / "demo-source-measure.toml").read_text(
    "utf-8"
)


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
    assert shipped_specifications() == ["demo-source-measure", "demo-symmetric-source"]
    for name in shipped_specifications():
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
        [5 * 10.0**k for k in range(-9, 1)]
    )
    assert demo.current_ranges[0].resolution == 1e-12
    for capability in ("two-sided limit", "measure open", "remote sense", "measure voltage"):
        assert demo.can(capability)


def test_demo_with_a_symmetric_limit() -> None:
    demo = shipped("demo-symmetric-source")
    assert not demo.can("two-sided limit")
    assert not demo.can("measure open")
    assert demo.holds(20.0, 1.4, "source")
    assert not demo.holds(20.0, 1.4, "sink")


@pytest.mark.parametrize("name", shipped_specifications())
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
    assert demo.voltage_ranges[-1].full_scale >= demo.largest_voltage
    assert demo.current_ranges[-1].full_scale >= demo.largest_current


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
    message = told('full_scale = "5 V"', 'full_scale = "5 A"')
    assert "“voltage_ranges[1].full_scale”: “5 A” is a current, expected a voltage" in message
    assert '| full_scale = "5 A"' in message


def test_ranges_must_ascend() -> None:
    assert told('full_scale = "5 V"', 'full_scale = "50 V"').startswith(
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
