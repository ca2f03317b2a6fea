"""Tolerances of parts and leads in a bench file: read as the language reads them, and taken off."""

from __future__ import annotations

from pathlib import Path

import pytest

from drivers.bench import BenchFile, read_bench
from drivers.faults import BenchFileError
from drivers.simulated.parts.supercapacitor import Supercapacitor
from grammar.diagnostic import draw
from grammar.quantity import CAPACITANCE

GOOD = """\
line_frequency = "50 Hz"

[channels.smu]
specification = "demo-source-measure"
part  = "bank"
leads = { per_lead_resistance = "20 mohm ± 5 mohm" }

[channels.other]
specification = "demo-source-measure"
part = "blocking"

[parts.bank]
model = "supercapacitor"
capacitance = "10 F ± 20 %"
series_resistance = "3.2 mohm"
slow_branches = [ { resistance = "0.5 ohm", capacitance = "2 F +/- 0.1 F" } ]

[parts.blocking]
model = "diode"
saturation_current = "1 nA ± 0.2 nA"
ideality = "1.6 ± 5 %"
temperature = "25 °C ± 5 K"
"""
CAPACITY = ("parts", "bank", "capacitance")


def good() -> BenchFile:
    file, problems = read_bench(Path("roof.bench.toml"), GOOD)
    assert file is not None, [draw(problem) for problem in problems]
    return file


def told(before: str, after: str) -> list[str]:
    assert before in GOOD
    file, problems = read_bench(Path("roof.bench.toml"), GOOD.replace(before, after))
    assert file is None
    return [
        f"{p.span.line}: {p.message} [{p.slug}]" for p in problems if p.slug == "bench-tolerance"
    ]


@pytest.mark.parametrize(
    ("path", "nominal", "low", "high"),
    [
        (CAPACITY, 10.0, 8.0, 12.0),
        (("parts", "bank", "slow_branches", 0, "capacitance"), 2.0, 1.9, 2.1),
        (("parts", "blocking", "saturation_current"), 1e-9, 0.8e-9, 1.2e-9),
        (("parts", "blocking", "ideality"), 1.6, 1.52, 1.68),
        (("parts", "blocking", "temperature"), 298.15, 293.15, 303.15),
        (("channels", "smu", "leads", "per_lead_resistance"), 0.02, 0.015, 0.025),
    ],
)
def test_what_may_vary(
    path: tuple[str | int, ...], nominal: float, low: float, high: float
) -> None:
    found = good().tolerances[path]
    assert (found.nominal, found.low, found.high) == pytest.approx((nominal, low, high), rel=1e-12)


def test_nothing_else_has_a_tolerance_and_the_rest_is_as_without() -> None:
    file = good()
    assert len(file.tolerances) == 6
    assert file.tolerances[CAPACITY].dimension == CAPACITANCE
    plain, _ = read_bench(
        Path("roof.bench.toml"),
        GOOD.replace(" ± 20 %", "")
        .replace(" +/- 0.1 F", "")
        .replace(" ± 0.2 nA", "")
        .replace(" ± 5 mohm", "")
        .replace('"1.6 ± 5 %"', "1.6")
        .replace(" ± 5 K", ""),
    )
    assert plain is not None
    assert not plain.tolerances
    assert (plain.parts, plain.channels) == (file.parts, file.channels)


def test_a_share_of_a_share_is_absolute() -> None:
    """As in the language: beside a value in % the tolerance is no part of it."""
    file, _ = read_bench(Path("x"), GOOD.replace('"1.6 ± 5 %"', '"160 % ± 5 %"'))
    assert file is not None
    found = file.tolerances["parts", "blocking", "ideality"]
    assert (found.low, found.high) == pytest.approx((1.55, 1.65), rel=1e-12)


@pytest.mark.parametrize(
    ("before", "after", "words"),
    [
        (
            "10 F ± 20 %",
            "10 F ± 2 V",
            "14: “parts.bank.capacitance” has no tolerance that can be read: “2 V” is a voltage, "
            "and that is no tolerance of a capacitance [bench-tolerance]",
        ),
        (
            "10 F ± 20 %",
            "10 F ± 20 % ± 1 F",
            "14: “parts.bank.capacitance” has no tolerance that can be read: there is more than "
            "one ± [bench-tolerance]",
        ),
        (
            "10 F ± 20 %",
            "10 F ± 0 F",
            "14: “parts.bank.capacitance” has no tolerance that can be read: it must be above 0 "
            "[bench-tolerance]",
        ),
        (
            "10 F ± 20 %",
            "10 F ± 100 %",
            "14: “parts.bank.capacitance” may be 0 F by its tolerance, and that can't be: "
            "“parts.bank.capacitance” is 10 F ± 100 %: it must be greater than 0 "
            "[bench-tolerance]",
        ),
        (
            "25 °C ± 5 K",
            "25 °C ± 5 %",
            "22: “parts.blocking.temperature” has no tolerance that can be read: a share of a "
            "temperature in °C means nothing: write it in K [bench-tolerance]",
        ),
        (
            '"supercapacitor"',
            '"super ± 1 capacitor"',
            "13: “parts.bank.model” has no tolerance that can be read: “super” is not a number "
            "with a unit [bench-tolerance]",
        ),
    ],
)
def test_what_is_refused(before: str, after: str, words: str) -> None:
    assert told(before, after) == [words]


@pytest.mark.parametrize(
    ("before", "after", "key"),
    [
        ('"50 Hz"', '"50 Hz ± 1 Hz"', "line_frequency"),
        (
            "[channels",
            '[conditions]\ntemperature = "20 °C ± 2 K"\n[channels',
            "conditions.temperature",
        ),
    ],
)
def test_a_tolerance_where_there_can_be_none(before: str, after: str, key: str) -> None:
    _, problems = read_bench(Path("x"), GOOD.replace(before, after, 1))
    (problem,) = problems
    assert problem.slug == "bench-tolerance"
    assert problem.message == f"“{key}” can't have a tolerance"


def test_a_title_may_read_like_one() -> None:
    for title in ("Within 5 V ± 1 %", "10 F ± 20 %"):
        file, problems = read_bench(Path("x"), f'title = "{title}"\n{GOOD}')
        assert file is not None, [p.message for p in problems]
        assert file.title == title


def test_another_bench_within_the_tolerances() -> None:
    file = good()
    leads = ("channels", "smu", "leads", "per_lead_resistance")
    varied = file.varied({CAPACITY: 9.5, leads: 0.0175})
    bank, before = varied.parts["bank"], file.parts["bank"]
    assert isinstance(bank, Supercapacitor)
    assert isinstance(before, Supercapacitor)
    assert (bank.capacitance, before.capacitance) == (9.5, 10.0)
    assert bank.slow_branches == before.slow_branches
    assert varied.channels["smu"].leads.per_lead_resistance == 0.0175
    assert varied.parts["blocking"] == file.parts["blocking"]


def test_values_that_do_not_go_together_name_themselves() -> None:
    """Each end is possible by itself; the wear that it has and the puncture cross."""
    text = GOOD.replace(
        'series_resistance = "3.2 mohm"\n',
        'series_resistance = "3.2 mohm"\nbears_voltage = "2.8 V ± 0.4 V"\n'
        'puncture_voltage = "3.3 V ± 0.4 V"\n',
    )
    file, problems = read_bench(Path("roof.bench.toml"), text)
    assert file is not None, [draw(problem) for problem in problems]
    with pytest.raises(BenchFileError) as caught:
        file.varied(
            {("parts", "bank", "bears_voltage"): 3.1, ("parts", "bank", "puncture_voltage"): 3.0}
        )
    assert "parts.bank.bears_voltage = 3.1 V, parts.bank.puncture_voltage = 3 V" in str(
        caught.value
    )


def test_specifications_from_their_texts_need_no_file() -> None:
    file = good()
    text = file.specification_texts["demo-source-measure"]
    bench = GOOD.replace("demo-source-measure", "nowhere/own.toml")
    found, problems = read_bench(Path("x"), bench, {"nowhere/own.toml": text})
    assert found is not None, [draw(problem) for problem in problems]
    read, anew = file.specifications["smu"], found.specifications["smu"]
    assert anew.model_dump() == read.model_dump()
