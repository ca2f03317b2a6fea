"""Ratings that another channel watches, parts that may be destroyed, and a part as a limit."""

from __future__ import annotations

import itertools
from pathlib import Path
from typing import Any

import pytest

from drivers.bench import Bench
from drivers.bench_file import BenchFile, read_bench
from sequencer.api import Refused
from sequencer.engine.ending import Outcome
from tests.sequencer.engine.bench_of import Ran, bench_file, dry
from tests.sequencer.engine.test_guards import Altered

TWO = """line_frequency = "50 Hz"
[channels.smu]
specification = "demo-source-measure"
part = "load"
[channels.meter]
specification = "demo-source-measure"
part = "probe"
[parts.load]
model = "resistor"
resistance = "10 ohm"
[parts.probe]
model = "resistor"
resistance = "1 kohm"
"""
WATCHED = """recipe "A test"
channel smu: source, sink, measure, measure open, two-sided limit
channel meter: measure, measure open
part load is resistor on smu, not pushed:
    {voltage}
    current within 2 A
{more}steps:
    setup smu: aperture = 2 ms
    setup meter: aperture = 2 ms
    source smu voltage 1 V, limit 1 A
    output smu on
    wait 10 s
"""
ALONE = """recipe "A test"
channel smu: source, sink, measure, measure open, two-sided limit
part load is resistor on smu, not pushed{more}:
    voltage -5 V to 5 V
    current within 1 A
    energy up to 1 J
steps:
    setup smu: aperture = 2 ms
    source smu voltage 4 V, limit 0.9 A
    output smu on
    wait 10 s
"""
RESISTOR = '[parts.load]\nmodel = "resistor"\nresistance = "10 ohm"\n'


def two() -> BenchFile:
    file, problems = read_bench(Path("test.bench.toml"), TWO)
    assert file is not None, [p.message for p in problems]
    return file


def rising(bench: Bench) -> None:
    """The second meter sees more and more: 0.5 V each second."""

    def alter(reading: Any) -> Any:
        return reading._replace(voltage=0.5 * reading.time, current=0.0)

    bench.channels["meter"] = Altered(bench.channels["meter"], alter)  # type: ignore[assignment]


def watched(voltage: str, store: Path, more: str = "") -> Ran:
    return dry(WATCHED.format(voltage=voltage, more=more), store, two(), change=rising)


def test_a_rating_is_held_against_the_channel_that_watches_it(tmp_path: Path) -> None:
    ran = watched("voltage -2 V to 2 V by meter", tmp_path)
    assert ran.ending.outcome is Outcome.TRIPPED, ran.ending
    assert ran.ending.reason.startswith("load voltage by meter ")
    (trip,) = [e for e in ran.record.events() if e.kind == "trip"]
    # 2 V are passed after 4 s; the meter is read at least once a second from the first `on`.
    assert 4.0 < trip.time < 5.05
    assert trip.channel == "meter"
    assert ran.outputs_off
    times = ran.record.columns("meter", ["time"])["time"]
    assert max(b - a for a, b in itertools.pairwise(times)) <= 1.03
    (row,) = [g for g in ran.record.guards() if g.name == "load voltage by meter"]
    assert row.tripped


def test_a_watcher_is_read_before_anything_goes_on(tmp_path: Path) -> None:
    ran = watched("voltage -2 V to 2 V by meter", tmp_path)
    first = ran.record.columns("meter", ["time"])["time"][0]
    (on,) = [e for e in ran.record.events() if e.text == "smu on"]
    assert first < on.time


@pytest.mark.parametrize("rating", ["energy up to 1 J", "charge up to 1 C"])
def test_what_a_second_meter_can_not_count_is_refused_before_power(
    tmp_path: Path, rating: str
) -> None:
    with pytest.raises(Refused) as caught:
        watched("voltage -12 V to 12 V", tmp_path, f"    {rating} by meter\n")
    ((problem,),) = caught.value.problems
    assert (problem.slug, problem.fault, problem.span.line) == ("rating-unwatched", "bench", 7)
    quantity = rating.split()[0]
    assert problem.message == (
        f"nothing can watch the {quantity} of `load`: {quantity} is counted where it is sourced, "
        "and not by `meter`"
    )


def test_the_ratings_of_a_part_that_may_be_destroyed_are_no_guards(tmp_path: Path) -> None:
    guarded = dry(ALONE.format(more=""), tmp_path / "a", bench_file(RESISTOR))
    assert guarded.ending.outcome is Outcome.TRIPPED
    spent = dry(ALONE.format(more=", may be destroyed"), tmp_path / "b", bench_file(RESISTOR))
    # 4 V on 10 ohm for 10 s are 16 J.
    assert spent.ending.outcome is Outcome.FINISHED, spent.ending
    assert spent.record.columns("smu", ["energy"])["energy"][-1] == pytest.approx(16, rel=0.01)
    assert spent.record.guards() == []


def test_a_guard_of_the_recipe_guards_a_part_that_may_be_destroyed(tmp_path: Path) -> None:
    text = ALONE.format(more=", may be destroyed").replace(
        "steps:", 'guard smu.energy < 5 J "enough"\nsteps:'
    )
    ran = dry(text, tmp_path, bench_file(RESISTOR))
    assert ran.ending.reason == "guard `smu.energy < 5 J` no longer holds: enough"


def test_a_part_is_a_limit_inside_its_rating(tmp_path: Path) -> None:
    limits = []

    def change(bench: Bench) -> None:
        channel: Any = bench.channels["smu"]
        program = channel.program

        def noted(setpoint: Any) -> None:
            limits.append((setpoint.low, setpoint.high))
            program(setpoint)

        channel.program = noted

    text = ALONE.format(more="").replace("limit 0.9 A", "limit load").replace("10 s", "10 ms")
    dry(text, tmp_path, bench_file(RESISTOR), change=change)
    assert all(-1 < low < -0.98 and 0.98 < high < 1 for low, high in limits)
