"""While any output is on, every powered channel is read, whatever the steps are busy with."""

from __future__ import annotations

import itertools
import math
from pathlib import Path
from typing import TYPE_CHECKING, cast

import pytest

from drivers.bench import Bench, open_simulated
from drivers.bench_file import BenchFile, read_bench
from drivers.channel import Reading
from sequencer.api import check, load
from sequencer.engine.runner import Runner
from sequencer.spread.kept import Kept
from tests.sequencer.engine.bench_of import CAPACITOR, Ran, dry
from tests.sequencer.engine.test_guards import altered

if TYPE_CHECKING:
    from sequencer.record import RunWriter

HEAD = """recipe "Two channels"
channel smu: source, sink, measure, measure open, two-sided limit
channel aux: measure, measure open
part bank is capacitor on smu, not pushed:
    voltage -0.05 V to 2.8 V
    current within 1.2 A
    {rating}
steps:
    setup smu: aperture = 20 ms
    setup aux: aperture = {aperture}
    source smu voltage 2 V, limit 1 A
    output smu on
    measure aux
"""


def two_channels() -> BenchFile:
    text = 'line_frequency = "50 Hz"\n'
    for channel, part in (("smu", "bank"), ("aux", "load")):
        text += f'[channels.{channel}]\nspecification = "demo-source-measure"\npart = "{part}"\n'
    text += CAPACITOR + '[parts.load]\nmodel = "resistor"\nresistance = "10 ohm"\n'
    file, problems = read_bench(Path("test.bench.toml"), text)
    assert file is not None, [p.message for p in problems]
    return file


def run(store: Path, body: str, aperture: str = "20 ms", rating: str = "", **more: object) -> Ran:
    text = HEAD.format(aperture=aperture, rating=rating).replace("    \n", "") + body
    return dry(text, store, two_channels(), **more)  # type: ignore[arg-type]


def longest_gap(ran: Ran) -> float:
    """The longest time (s) between two readings of the powered channel."""
    times = ran.record.columns("smu", ["time"])["time"]
    return max(b - a for a, b in itertools.pairwise(times))


@pytest.mark.parametrize(
    ("body", "aperture"),
    [
        (
            "    repeat 20 times:\n        source smu voltage 2 V, limit 1 A\n"
            "        wait 900 ms\n",
            "",
        ),
        ("    repeat 40 times:\n        measure aux\n", "500 ms"),
        ("    every 100 ms for 20 s:\n        measure aux\n", "90 ms"),
        ("    every 5 s for 20 s:\n        measure aux\n", "900 ms"),
        ("    sweep smu voltage from 0 V to 2 V in 5 points, settle 5 s, into t\n", ""),
        ("    measure aux\n" * 20, "400 ms"),
    ],
)
def test_no_step_keeps_the_run_blind(tmp_path: Path, body: str, aperture: str) -> None:
    ran = run(tmp_path, body, aperture or "20 ms")
    assert ran.finished.exit_code == 0, ran.ending
    # A second, the longest aperture of the other channel, and the reading's own place in it.
    assert longest_gap(ran) <= 1.0 + 0.9 + 0.05


def test_an_energy_guard_counts_what_nobody_read(tmp_path: Path) -> None:
    # A change each 100 ms, and no step that reads: 1 A at most 2 V into 10 F.
    body = "    repeat 600 times:\n        source smu voltage 2 V, limit 1 A\n        wait 100 ms\n"
    ran = run(tmp_path, body, rating="energy up to 10 J")
    assert ran.finished.exit_code == 3, ran.ending
    given = _stored(ran)
    # Each unread tenth of a second counts as the most that could flow, so it ends early.
    assert 1 < given <= 10


def test_the_look_ahead_knows_that_other_channels_are_read_in_between(tmp_path: Path) -> None:
    body = "    every 2 s for 2 min:\n        measure smu\n        measure aux\n"
    ran = run(tmp_path, body, "900 ms", "energy up to 10 J")
    assert ran.finished.exit_code == 3, ran.ending
    assert _stored(ran) <= 10


def _stored(ran: Ran) -> float:
    """What the capacitor holds at the end (J), by its open voltage: ½·C·U² of its 10 F."""
    return 0.5 * 10 * float(ran.finished.left["smu"]) ** 2


def test_counters_are_the_present_ones_whoever_took_the_reading(tmp_path: Path) -> None:
    ran = run(tmp_path, '    every 1 s until smu.charge > 5 C, at most 1 min:\n        note "x"\n')
    assert ran.finished.exit_code == 0, ran.ending
    # 1 A flows: the sixth tick is the first after 5 C.
    assert len(ran.record.notes()) in (6, 7)


def test_a_counter_is_closed_by_output_off(tmp_path: Path) -> None:
    ran = run(tmp_path, '    wait 3 s\n    output smu off\n    say "{smu.charge}"\n')
    (told,) = ran.told
    # 1 A from on to off: 3 s, the two readings before them (20 ms each) and 5 ms to open.
    assert float(told.split()[0]) == pytest.approx(3.045, abs=0.03)


def test_the_newest_setup_sets_the_aperture(tmp_path: Path) -> None:
    ran = run(
        tmp_path, "    setup smu: aperture = 10 PLC\n    repeat 3 times:\n        measure smu\n"
    )
    times = ran.record.columns("smu", ["time"])["time"]
    # 10 cycles of 50 Hz are 200 ms.
    # The last row is the look with the output off.
    assert times[-2] - times[-3] == pytest.approx(0.2, abs=1e-6)


def test_an_output_that_is_on_is_not_switched_again(tmp_path: Path) -> None:
    ran = run(tmp_path, "    output smu on\n    measure smu\n")
    assert ran.finished.exit_code == 0, ran.ending
    assert ran.events("output") == ["smu on", "smu off"]


def test_the_grid_of_guard_readings_always_goes_on(tmp_path: Path) -> None:
    """A third of a period is no whole number of nanoseconds; intervals that shrink meet many."""
    body = "    every {} ms for 1 min:\n        measure aux\n"
    for period in (300, 700, 1000, 1100, 1300):
        ran = run(tmp_path / str(period), body.format(period), rating="energy up to 15 J")
        assert ran.finished.exit_code == 3
        assert _stored(ran) <= 15


@pytest.mark.parametrize("value", [math.inf, -math.inf])
def test_a_current_over_range_counts_as_the_most_in_its_direction(
    tmp_path: Path, value: float
) -> None:
    def overflow(bench: Bench) -> None:
        def alter(reading: Reading) -> Reading:
            on = bench.clock.now() > 0.1 and reading.current
            return reading._replace(current=value) if on else reading

        altered(alter)(bench)

    ran = run(
        tmp_path,
        "    every 1 s for 1 min:\n        measure smu\n",
        rating="charge within 5 C",
        change=overflow,
    )
    assert ran.finished.exit_code == 3, ran.ending
    side = "above" if value > 0 else "below"
    assert f"is {side} the rating of {math.copysign(5, value):g} C" in ran.ending.reason


def test_a_wait_that_has_no_length_fails(tmp_path: Path) -> None:
    """An overflow may make nothing of a length of time that the check has seen to be one."""

    def alter(reading: Reading) -> Reading:
        return reading._replace(voltage=math.inf) if reading.time > 0.05 else reading

    ran = run(
        tmp_path, "    measure smu\n    wait abs(smu.voltage) * 1 s / 1 V\n", change=altered(alter)
    )
    assert ran.finished.exit_code == 4
    assert ran.ending.reason.endswith(
        "the time to wait comes out as inf s: a reading that is over range or none went into it"
    )
    assert ran.outputs_off


def test_what_other_channels_take_counts_where_no_setup_says_how_they_read() -> None:
    """A supply has one range of each: the output goes on with what it was reset to."""
    recipe = """recipe "Two channels"
channel smu: source, measure
channel meter: measure voltage
part load is resistor on smu, not pushed:
    voltage 0 V to 5 V
    current within 2 A
steps:
    source smu voltage 3 V, limit 1 A
    output smu on
    measure smu, meter into both
"""
    text = """line_frequency = "50 Hz"
[channels.smu]
specification = "demo-supply"
part = "load"
[channels.meter]
specification = "demo-meter"
part = "other"
[parts.load]
model = "resistor"
resistance = "10 ohm"
[parts.other]
model = "resistor"
resistance = "10 ohm"
"""
    file, problems = read_bench(Path("two.bench.toml"), text)
    assert file is not None, [p.message for p in problems]
    checked = check(load(recipe), file)
    assert not checked.problems.has_errors, [p.message for p in checked.problems]
    record = cast("RunWriter", Kept())
    runner = Runner(checked, open_simulated(file), record, tell=lambda words: None)
    ending = runner.run_to_end()
    assert ending.outcome.word == "finished", ending.reason
    assert [port.others_s for port in runner.ports.values()] == [0.02, 0.02]
    assert runner.run.patience_s > 2 * 0.02
