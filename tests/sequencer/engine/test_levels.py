"""Ramps, sweeps and pulses: exact levels at exact times, and trips in the middle of them."""

from __future__ import annotations

import itertools
import math
from pathlib import Path
from typing import Any

import pytest

from drivers.bench import Bench
from drivers.bench_file import read_bench
from sequencer.engine.ending import Outcome
from sequencer.engine.run import Person
from tests.sequencer.engine.bench_of import Ran, dry
from tests.sequencer.engine.scripted import Scripted, pulsing_bench, scripted

HEAD = """recipe "A test"
channel smu: source, sink, measure, measure open, two-sided limit{more}
part load is resistor on smu, not pushed:
    voltage -12 V to 12 V
    current within 2 A
{ratings}{guard}steps:
    setup smu: aperture = 2 ms
    source smu voltage 1 V, limit 1 A
    output smu on
"""
RESISTOR = """
[parts.load]
model = "resistor"
resistance = "10 ohm"
"""
APERTURE_S = 0.002


def run(
    body: str, store: Path, *, more: str = "", ratings: str = "", guard: str = "", **rest: Any
) -> Ran:
    head = HEAD.format(more=more, ratings=ratings, guard=guard)
    return dry(head + body, store, pulsing_bench(store, RESISTOR), **rest)


def pulse(body: str, store: Path, **rest: Any) -> tuple[Ran, Scripted]:
    holder: list[Scripted] = []
    rest.setdefault("change", scripted(holder))
    return run(body, store, more=", pulse", **rest), holder[0]


def began(ran: Ran, text: str) -> float:
    """When the step with this text began (s)."""
    return next(step.start for step in ran.record.steps() if step.text.startswith(text))


def programmed(holder: list[tuple[float, float]]) -> Any:
    """Note when each level was programmed while the output is on."""

    def change(bench: Bench) -> None:
        channel: Any = bench.channels["smu"]
        program = channel.program

        def noted(setpoint: Any) -> None:
            if channel.read_back().output:
                holder.append((bench.clock.now(), setpoint.level))
            program(setpoint)

        channel.program = noted

    return change


# Ramps


def test_a_ramp_takes_equal_steps_each_100_ms(tmp_path: Path) -> None:
    # From 1 V to 2 V at 2 V/s is 500 ms: five steps of 0.2 V, the k-th at t0 + k·100 ms.
    levels: list[tuple[float, float]] = []
    ran = run("    ramp smu voltage to 2 V at 2 V/s, into t\n", tmp_path, change=programmed(levels))
    start = began(ran, "ramp")
    assert [moment - start for moment, _ in levels] == pytest.approx(
        [0.1, 0.2, 0.3, 0.4, 0.5], abs=1e-9
    )
    assert [level for _, level in levels] == pytest.approx([1.2, 1.4, 1.6, 1.8, 2.0])
    assert levels[-1][1] == 2.0
    times = ran.column("t", "time")
    assert [t - start for t in times] == pytest.approx(
        [0.1 * k + APERTURE_S / 2 for k in range(1, 6)], abs=1e-9
    )
    assert ran.column("t", "smu.current") == pytest.approx([0.12, 0.14, 0.16, 0.18, 0.2])


def test_a_ramp_never_runs_ahead_of_its_rate(tmp_path: Path) -> None:
    # 1 V to 1.5 V at 2 V/s is 250 ms, no multiple of 100 ms: three steps, the last after 250 ms.
    levels: list[tuple[float, float]] = []
    ran = run("    ramp smu voltage to 1.5 V at 2 V/s\n", tmp_path, change=programmed(levels))
    start = began(ran, "ramp")
    assert len(levels) == 3
    for moment, level in levels:
        assert level <= 1 + 2 * (moment - start) + 1e-9
    assert levels[-1] == (pytest.approx(start + 0.25, abs=1e-9), 1.5)


def test_a_ramp_in_steps_of_a_size_ends_with_what_is_left(tmp_path: Path) -> None:
    # 1 V over 1 s: steps of 0.3 V each 300 ms, and 0.1 V more at the end of the second.
    levels: list[tuple[float, float]] = []
    ran = run(
        "    ramp smu voltage to 2 V over 1 s, in steps of 0.3 V\n",
        tmp_path,
        change=programmed(levels),
    )
    start = began(ran, "ramp")
    assert [level for _, level in levels] == pytest.approx([1.3, 1.6, 1.9, 2.0])
    assert [m - start for m, _ in levels] == pytest.approx([0.3, 0.6, 0.9, 1.0], abs=1e-9)


def test_a_ramp_down_and_one_that_is_there_already(tmp_path: Path) -> None:
    ran = run(
        "    ramp smu voltage to 0.4 V over 300 ms, into t\n"
        "    ramp smu voltage to 0.4 V over 300 ms, into t\n"
        "    ramp smu voltage to 0.4 V at 1 V/s, into t\n",
        tmp_path,
    )
    assert ran.column("t", "smu.level") == pytest.approx([0.8, 0.6, 0.4, 0.4, 0.4, 0.4, 0.4])


def test_a_ramp_ends_where_its_condition_holds_and_stays_there(tmp_path: Path) -> None:
    ran = run(
        "    ramp smu voltage to 2 V at 2 V/s, until smu.voltage > 1.5 V, into t\n"
        "    measure smu into after\n",
        tmp_path,
    )
    assert ran.column("t", "smu.level") == pytest.approx([1.2, 1.4, 1.6])
    assert ran.column("after", "smu.voltage") == pytest.approx([1.6])


def over_range(bench: Bench) -> None:
    """A voltage reading that is past its range, which the check takes to lie within the rating."""
    channel: Any = bench.channels["smu"]
    measure = channel.measure

    def over() -> Any:
        reading = measure()
        return reading._replace(voltage=math.inf) if reading.time > 0.009 else reading

    channel.measure = over


def test_a_ramp_whose_rate_is_none_fails(tmp_path: Path) -> None:
    ran = run(
        "    measure smu\n    ramp smu voltage to 2 V at 1 V / (1 s + abs(smu.voltage) / 1 V/s)\n",
        tmp_path,
        change=over_range,
    )
    assert ran.ending.outcome is Outcome.FAILED
    assert ran.ending.reason == "line 11: the rate comes out as 0: not above 0"
    assert ran.outputs_off


def test_a_guard_trips_in_the_middle_of_a_ramp(tmp_path: Path) -> None:
    ran = run(
        "    ramp smu voltage to 5 V at 2 V/s, into t\n",
        tmp_path,
        guard="guard smu.current < 0.25 A\n",
    )
    assert ran.ending.outcome is Outcome.TRIPPED
    # 0.26 A at 2.6 V is the eighth step, and the last.
    assert ran.column("t", "smu.level") == pytest.approx([1.2 + 0.2 * k for k in range(8)])
    assert ran.outputs_off


# Pulses


def test_pulses_come_on_a_grid_and_are_read_at_their_end(tmp_path: Path) -> None:
    # A period of 1/3 s isn't a whole number of nanoseconds: t0 + k·P must not drift.
    ran, smu = pulse(
        "    pulse smu voltage 5 V, limit 1.5 A, width 10 ms, period 333333333.3 ns, count 50, "
        "into t\n",
        tmp_path,
    )
    start = smu.pulses[0][0]
    assert [moment - start for moment, _ in smu.pulses] == pytest.approx(
        [k * 0.3333333333 for k in range(50)], abs=1e-9
    )
    assert {(p.level, p.low, p.high, p.width_s) for _, p in smu.pulses} == {(5.0, -1.5, 1.5, 0.01)}
    ends = [moment + 0.01 - APERTURE_S / 2 for moment, _ in smu.pulses]
    assert ran.column("t", "time") == pytest.approx(ends, abs=1e-9)
    assert ran.column("t", "smu.level") == [5.0] * 50
    assert ran.column("t", "smu.current") == pytest.approx([0.5] * 50)


def test_a_pulse_takes_the_limit_of_the_last_source_where_it_names_none(tmp_path: Path) -> None:
    _, smu = pulse("    pulse smu voltage 5 V, width 10 ms\n", tmp_path)
    assert [p[1:3] for _, p in smu.pulses] == [(-1.0, 1.0)]


def test_pulses_are_counted_with_what_flows_between_them(tmp_path: Path) -> None:
    # 10 ohm: 0.1 A and 0.1 W at 1 V, 0.5 A and 2.5 W for 10 ms in each 100 ms.
    ran, _ = pulse(
        "    reset smu.charge\n    reset smu.energy\n    pulse smu voltage 5 V, limit 1.5 A, "
        "width 10 ms, period 100 ms, count 11, into t\n    measure smu into t\n",
        tmp_path,
    )
    charge, energy = ran.column("t", "smu.charge"), ran.column("t", "smu.energy")
    per_pulse = 0.5 * 0.01 + 0.1 * 0.09
    assert [b - a for a, b in itertools.pairwise(charge[:-1])] == pytest.approx([per_pulse] * 10)
    work = 2.5 * 0.01 + 0.1 * 0.09
    assert [b - a for a, b in itertools.pairwise(energy[:-1])] == pytest.approx([work] * 10)
    # The reading afterwards is at the level that the pulses return to.
    assert ran.column("t", "smu.level")[-1] == 1.0
    assert charge[-1] - charge[-2] == pytest.approx(0.1 * (0.09 + APERTURE_S / 2))


def test_trains_that_follow_one_another_keep_their_period(tmp_path: Path) -> None:
    # Else a loop around single pulses would pass the mean power that each train was checked for.
    ran, _ = pulse(
        "    repeat 3 times:\n        pulse smu voltage 5 V, limit 1.5 A, width 10 ms, "
        "period 100 ms, count 1, into t\n",
        tmp_path,
    )
    times = ran.column("t", "time")
    assert [b - a for a, b in itertools.pairwise(times)] == pytest.approx([0.1, 0.1], abs=1e-9)


def test_a_countdown_is_told_on_the_clock_and_guards_go_on(tmp_path: Path) -> None:
    heard: list[tuple[str, float]] = []
    holder: list[Scripted] = []
    clock: Any = None

    def change(bench: Bench) -> None:
        nonlocal clock
        clock = bench.clock
        scripted(holder)(bench)

    ran = run(
        "    pulse smu voltage 5 V, limit 1.5 A, width 10 ms, after countdown 12.5 s\n",
        tmp_path,
        more=", pulse",
        change=change,
        tell=lambda words: heard.append((words, clock.now())),
    )
    ((fired, _),) = holder[0].pulses
    assert [words for words, _ in heard] == ["pulse in 12.5 s", *map(str, range(10, 0, -1))]
    assert [fired - moment for _, moment in heard] == pytest.approx(
        [12.5, *range(10, 0, -1)], abs=0.01
    )
    times = ran.record.columns("smu", ["time"])["time"]
    assert max(b - a for a, b in itertools.pairwise(times)) <= 1.0 + APERTURE_S


def test_a_pulsed_sweep_returns_to_the_programmed_level(tmp_path: Path) -> None:
    ran, smu = pulse(
        "    sweep smu voltage from 2 V to 8 V in 4 points, pulsed, width 10 ms, period 50 ms, "
        "limit 1.2 A, until smu.voltage > 5 V, into t\n    measure smu into after\n",
        tmp_path,
    )
    start = smu.pulses[0][0]
    assert [(round(m - start, 9), p.level, p.high) for m, p in smu.pulses] == [
        (0.0, 2.0, 1.2), (0.05, 4.0, 1.2), (0.1, 6.0, 1.2),
    ]  # fmt: skip
    assert ran.column("t", "smu.voltage") == pytest.approx([2, 4, 6])
    assert ran.column("after", "smu.voltage") == pytest.approx([1.0])


PER_PULSE = "    power up to 2 W\n    power up to 4 W per pulse\n"


def test_the_peak_of_a_pulse_and_the_mean_of_a_train_have_guards_of_their_own(
    tmp_path: Path,
) -> None:
    # 6 V on 10 ohm is 3.6 W: within 4 W in a pulse, and a mean of 0.36 W at a tenth of the time.
    train = "    pulse smu voltage {} V, limit {} A, width 10 ms, period {} ms, count 5, into t\n"
    fine, _ = pulse(train.format(6, 0.65, 100), tmp_path / "a", ratings=PER_PULSE)
    assert fine.ending.outcome is Outcome.FINISHED, fine.ending
    guards = {guard.name: guard for guard in fine.record.guards()}
    assert guards["load power per pulse"].margin == pytest.approx(0.4)
    assert guards["load power"].margin == pytest.approx(2 - 0.1)


def test_a_pulse_that_reads_more_than_it_may_stops_the_train(tmp_path: Path) -> None:
    holder: list[Scripted] = []

    def change(bench: Bench) -> None:
        scripted(holder)(bench)
        smu = holder[0]
        real = smu.pulse

        def third_is_too_strong(what: Any) -> Any:
            reading = real(what)
            return reading._replace(current=0.75) if len(smu.pulses) == 3 else reading

        smu.pulse = third_is_too_strong  # type: ignore[method-assign]

    ran = run(
        "    pulse smu voltage 6 V, limit 0.65 A, width 10 ms, period 100 ms, count 5, into t\n",
        tmp_path,
        more=", pulse",
        ratings=PER_PULSE,
        change=change,
    )
    assert ran.ending.outcome is Outcome.TRIPPED
    assert ran.ending.reason == "load power per pulse 4.5 W is above the rating of 4 W"
    assert len(holder[0].pulses) == 3
    assert len(ran.column("t", "time")) == 3
    assert ran.outputs_off


def test_the_mean_of_a_train_trips_though_each_pulse_may_be(tmp_path: Path) -> None:
    holder: list[Scripted] = []

    def change(bench: Bench) -> None:
        scripted(holder)(bench)
        smu = holder[0]
        real = smu.pulse
        smu.pulse = lambda what: real(what)._replace(current=0.6, voltage=6.0)  # type: ignore[method-assign]

    # Told as 3.6 W for two thirds of the time: the mean of 2.4 W is more than the part bears.
    ran = run(
        "    pulse smu voltage 3 V, limit 0.65 A, width 10 ms, period 15 ms, count 5, into t\n",
        tmp_path,
        more=", pulse",
        ratings=PER_PULSE,
        change=change,
    )
    assert ran.ending.outcome is Outcome.TRIPPED
    assert ran.ending.reason == (
        "load power 2.4 W is above the rating of 2 W (the mean of the pulses)"
    )


def test_a_pulse_that_could_pass_an_energy_rating_is_not_fired(tmp_path: Path) -> None:
    # Resistors dissipate, so all pulses count: 5 V × 1 A × 10 ms is 50 mJ each, and 100 mW × 90 ms
    # of what the level between them may give at most (1 V × 1 A) is 90 mJ.
    ran, smu = pulse(
        "    source smu voltage 0 V, limit 1 A\n    pulse smu voltage 5 V, limit 1 A, width 10 ms, "
        "period 100 ms, count 100, into t\n",
        tmp_path,
        ratings="    energy up to 1 J\n",
    )
    assert ran.ending.outcome is Outcome.TRIPPED, ran.ending
    assert "with the next pulse, which is not fired" in ran.ending.reason
    # At 0 V nothing flows between: 19 or 20 of 50 mJ fit in a joule.
    assert 18 <= len(smu.pulses) <= 20
    assert ran.outputs_off


def test_values_past_the_rating_are_never_pulsed(tmp_path: Path) -> None:
    """The check takes a reading to lie within the rating; an overflow makes more of it."""
    holder: list[Scripted] = []

    def change(bench: Bench) -> None:
        over_range(bench)
        scripted(holder)(bench)

    ran = run(
        "    measure smu\n    pulse smu voltage 0.9 * min(abs(smu.voltage), 20 V), limit 1 A, "
        "width 10 ms\n",
        tmp_path,
        more=", pulse",
        change=change,
    )
    assert ran.ending.outcome is Outcome.FAILED
    assert ran.ending.reason.endswith("may be -12 to 12: not programmed")
    assert holder[0].pulses == []
    assert ran.outputs_off


def test_a_person_who_stops_is_heeded_between_pulses(tmp_path: Path) -> None:
    person = Person()
    holder: list[Scripted] = []

    def change(bench: Bench) -> None:
        scripted(holder)(bench)
        smu = holder[0]
        real = smu.pulse

        def stop_at_the_third(what: Any) -> Any:
            person.stop = len(smu.pulses) == 2
            return real(what)

        smu.pulse = stop_at_the_third  # type: ignore[method-assign]

    ran = run(
        "    pulse smu voltage 5 V, limit 1 A, width 10 ms, period 100 ms, count 9, into t\n",
        tmp_path,
        more=", pulse",
        change=change,
        person=person,
    )
    assert ran.finished.exit_code == 5
    assert len(holder[0].pulses) == 3
    assert ran.outputs_off


TWO = """line_frequency = "50 Hz"
[channels.smu]
specification = "demo-source-measure"
part = "load"
[channels.eye]
specification = "demo-source-measure"
part = "other"
[parts.load]
model = "resistor"
resistance = "10 ohm"
[parts.other]
model = "resistor"
resistance = "1 kohm"
"""


def test_other_channels_are_read_right_after_each_pulse_of_a_sweep(tmp_path: Path) -> None:
    file, problems = read_bench(tmp_path / "two.bench.toml", TWO)
    assert file is not None, [p.message for p in problems]
    text = HEAD.format(more=", pulse", ratings="", guard="").replace(
        "part load", "channel eye: measure, measure open\npart load"
    )
    ran = dry(
        text + "    sweep smu voltage from 2 V to 6 V in 3 points, pulsed, width 2 ms, "
        "period 100 ms, reading eye, into t\n",
        tmp_path,
        file,
    )
    assert ran.ending.outcome is Outcome.FINISHED
    assert ran.column("t", "smu.voltage") == pytest.approx([2.0, 4.0, 6.0])
    assert ran.column("t", "eye.current") == pytest.approx([0.0, 0.0, 0.0], abs=1e-12)
    # An aperture of one power line cycle begins where the pulse ends: its middle is 10 ms later.
    eye, start = ran.record.columns("eye", ("time", "trace")), began(ran, "sweep")
    taken = [t for t, trace in zip(eye["time"], eye["trace"], strict=True) if trace >= 0]
    assert [moment - start for moment in taken] == pytest.approx([0.012, 0.112, 0.212], abs=1e-6)
