"""Steps run in the order and at the times that the language states, on the virtual clock."""

from __future__ import annotations

import itertools
import math
from pathlib import Path

import pytest

from grammar.quantity import read
from sequencer.engine.ending import Outcome
from tests.sequencer.engine.bench_of import Ran, bench_file, dry

HEAD = """recipe "A test"
channel smu: source, sink, measure, measure open, two-sided limit
part load is resistor on smu, not pushed:
    voltage -12 V to 12 V
    current within 2 A
steps:
    setup smu: aperture = 2 ms
"""
ON = """    source smu voltage 1 V, limit 1 A
    output smu on
"""
RESISTOR = """
[parts.load]
model = "resistor"
resistance = "10 ohm"
"""


def run(body: str, store: Path, *, head: str = HEAD + ON, **more: object) -> Ran:
    return dry(head + body, store, bench_file(RESISTOR), **more)  # type: ignore[arg-type]


def test_every_for_ticks_at_t0_plus_k_periods_both_ends_in(tmp_path: Path) -> None:
    # k = 0 … floor(1 s / 0.3 s) is four ticks; the loop ends at t0 + 1 s.
    ran = run('    every 300 ms for 1 s:\n        measure smu into t\n    note "end"\n', tmp_path)
    times = ran.column("t", "time")
    steps = [b - a for a, b in itertools.pairwise(times)]
    assert steps == pytest.approx([0.3, 0.3, 0.3], abs=1e-9)
    (end,) = (note.time for note in ran.record.notes())
    assert end - (times[0] - 0.001) == pytest.approx(1.0, abs=1e-9)


def test_a_period_that_divides_its_time_gives_the_last_tick_too(tmp_path: Path) -> None:
    ran = run("    every 100 ms for 30 s:\n        measure smu into t\n", tmp_path)
    assert len(ran.column("t", "time")) == 301


def test_until_is_looked_at_after_the_body(tmp_path: Path) -> None:
    ran = run(
        "    every 1 s until smu.voltage > 0.5 V, at most 10 s:\n        measure smu into t\n",
        tmp_path,
    )
    assert len(ran.column("t", "time")) == 1
    assert ran.ending.outcome is Outcome.FINISHED


def test_the_turn_at_the_end_of_at_most_still_runs(tmp_path: Path) -> None:
    ran = run(
        "    every 1 s until smu.voltage > 5 V, at most 3 s:\n        measure smu into t\n"
        '    otherwise:\n        say "no"\n',
        tmp_path,
    )
    assert len(ran.column("t", "time")) == 4
    assert ran.told == ["no"]
    assert ran.ending.outcome is Outcome.FINISHED


def test_without_otherwise_the_run_fails_when_time_runs_out(tmp_path: Path) -> None:
    ran = run(
        "    every 1 s until smu.voltage > 5 V, at most 3 s:\n        measure smu into t\n",
        tmp_path,
    )
    assert ran.finished.exit_code == 4
    assert ran.ending.reason == (
        "line 10: the time ran out before the condition of "
        "`every 1 s until smu.voltage > 5 V, at most 3 s` held"
    )
    assert ran.outputs_off


def test_a_body_that_waits_longer_than_the_period_skips_ticks(tmp_path: Path) -> None:
    ran = run("    every 1 s for 6 s:\n        measure smu into t\n        wait 1.5 s\n", tmp_path)
    times = ran.column("t", "time")
    assert [round(t - times[0]) for t in times] == [0, 2, 4, 6]
    assert ran.events("lateness") == ["line 10: ticks late 0, by 0 s at most; skipped 3"]


def test_branches_loops_and_leave(tmp_path: Path) -> None:
    ran = run(
        "    let total = 0\n"
        "    for k in 1 to 5:\n"
        "        if k > 3:\n"
        "            leave\n"
        "        else if k > 1:\n"
        "            set total = total + 10 * k\n"
        "        else:\n"
        "            set total = total + k\n"
        "    repeat 2 times:\n"
        "        set total = total + 100\n"
        "    for x in values(0.25 V, 0.5 V):\n"
        "        source smu voltage x, limit 1 A\n"
        "        measure smu into t\n"
        '    say "{total}"\n',
        tmp_path,
    )
    assert ran.told == ["251"]
    assert ran.column("t", "x") == [0.25, 0.5]
    assert ran.column("t", "smu.voltage") == pytest.approx([0.25, 0.5])


def test_no_turn_where_the_count_is_below_one(tmp_path: Path) -> None:
    ran = run('    for k in 1 to 0:\n        say "never {k}"\n    say "after"\n', tmp_path)
    assert ran.told == ["after"]


def test_a_sweep_measures_each_level_and_stays_at_the_last(tmp_path: Path) -> None:
    ran = run(
        "    sweep smu voltage from 0 V to 2 V in 5 points, settle 100 ms, into curve\n"
        "    measure smu into after\n",
        tmp_path,
    )
    assert ran.column("curve", "smu.level") == [0.0, 0.5, 1.0, 1.5, 2.0]
    assert ran.column("curve", "smu.current") == pytest.approx([0.0, 0.05, 0.1, 0.15, 0.2])
    assert ran.column("after", "smu.voltage") == pytest.approx([2.0])


def test_a_sweep_ends_where_its_condition_holds(tmp_path: Path) -> None:
    ran = run(
        "    sweep smu voltage from 1 mV to 10 V in 5 points, logarithmic, "
        "until smu.current > 5 mA, into curve\n",
        tmp_path,
    )
    assert ran.column("curve", "smu.level") == pytest.approx([1e-3, 1e-2, 0.1])


def test_a_text_shows_values_with_their_units(tmp_path: Path) -> None:
    ran = run(
        '    measure smu\n    say "{smu.current} at {smu.voltage}: {{{smu.resistance}}}"\n',
        tmp_path,
    )
    assert ran.told == ["100 mA at 1 V: {10 ohm}"]


def test_stop_ends_well_and_fail_badly(tmp_path: Path) -> None:
    stopped = run('    stop "enough"\n', tmp_path / "a")
    assert (stopped.ending.outcome, stopped.ending.reason) == (Outcome.FINISHED, "enough")
    failed = run('    fail "too warm"\n', tmp_path / "b")
    assert (failed.ending.outcome, failed.ending.reason) == (Outcome.FAILED, "too warm")
    assert failed.finished.exit_code == 4


def test_counters_count_since_on_and_since_reset(tmp_path: Path) -> None:
    # 1 V over 10 ohm: 0.1 A and 0.1 W, so that after t seconds 0.1·t C and 0.1·t J went in.
    ran = run(
        "    wait 10 s\n    measure smu into t\n    reset smu.charge\n    wait 5 s\n"
        '    measure smu into t\n    say "{smu.charge / 1 C} {smu.energy / 1 J}"\n',
        tmp_path,
    )
    charge, energy = (float(word) for word in ran.told[0].split())
    assert math.isclose(charge, 0.5, rel_tol=0.01)
    assert math.isclose(energy, 1.5, rel_tol=0.01)
    recorded = ran.column("t", "smu.charge")
    assert recorded[1] - recorded[0] == pytest.approx(0.5, rel=1e-3)


def test_require_is_tested_with_the_values_in_force(tmp_path: Path) -> None:
    recipe = HEAD.replace(
        "steps:", 'setting v = 1 V in 0 V to 10 V\nrequire v < 5 V "too much"\nsteps:'
    )
    ran = run(
        "    source smu voltage v, limit 1 A\n    output smu on\n", tmp_path / "a", head=recipe
    )
    assert ran.ending.outcome is Outcome.FINISHED
    with pytest.raises(AssertionError, match="this requirement is not met: too much"):
        run("    output smu on\n", tmp_path / "b", head=recipe, settings={"v": "6 V"})


@pytest.mark.parametrize(
    ("value", "why"),
    [
        ("sqrt(-smu.voltage / 1 V)", "-1 is negative, and no number is its root"),
        ("ln(-smu.voltage / 1 V)", "-1 has no logarithm"),
        ("(-smu.voltage / 1 V) ^ (1 / 3)", "-1 is negative, and has no power of 0.333333"),
        ("1 / (smu.voltage / 1 V - smu.voltage / 1 V)", "this would divide by zero"),
        ("10 ^ (smu.voltage / 1 mV)", "it would be larger than any number"),
    ],
)
def test_a_value_that_can_not_be_worked_out_fails_the_run_with_its_line(
    value: str, why: str, tmp_path: Path
) -> None:
    ran = run(f"    let x = 0\n    measure smu\n    set x = {value}\n", tmp_path)
    assert ran.finished.exit_code == 4
    assert ran.ending.reason == f"line 12: a value could not be worked out ({why})"
    assert ran.outputs_off


def test_a_change_of_mode_under_power_goes_through_off(tmp_path: Path) -> None:
    ran = run("    source smu current 0.1 A, limit 5 V\n    measure smu into t\n", tmp_path)
    assert ran.events("interruption") == ["smu: off and on again to change the mode"]
    assert ran.column("t", "smu.voltage") == pytest.approx([1.0])


def test_every_step_is_on_record_and_a_loop_is_one_row(tmp_path: Path) -> None:
    ran = run("    every 100 ms for 1 s:\n        measure smu into t\n    wait 1 s\n", tmp_path)
    assert [(step.line, step.text, step.times) for step in ran.record.steps()] == [
        (7, "setup smu: aperture = 2 ms", 1),
        (8, "source smu voltage 1 V, limit 1 A", 1),
        (9, "output smu on", 1),
        (10, "every 100 ms for 1 s", 1),
        (11, "measure smu into t", 11),
        (12, "wait 1 s", 1),
    ]


def test_a_count_that_is_not_whole_is_none(tmp_path: Path) -> None:
    """What is typed is known only then; that of a setting is checked before."""
    asked = '    ask "how often", into often in 1 to 4\n    repeat often times:\n'
    ran = run(f"{asked}        measure smu into t\n", tmp_path, answers={"often": read("2.5")})
    why = "line 11: a value could not be worked out (2.5 is no whole number)"
    assert ran.ending.reason == why
    assert ran.outputs_off


def test_a_fact_of_a_part_is_a_number_in_steps(tmp_path: Path) -> None:
    text = """recipe "A test"
channel smu: source, sink, measure, measure open, two-sided limit
part bank is cell on smu, not pushed:
    chemistry lithium ion
    in series 2
    capacity 2.5 Ah
    voltage 5 V to 8.4 V
    current within 2 A
steps:
    say "{bank.in_series} cells, {bank.capacity / 5 h}"
"""
    cells = """
[parts.bank]
model = "cell"
capacity = "2.5 Ah"
open_circuit = [ ["0 %", "6 V"], ["100 %", "8.2 V"] ]
series_resistance = "40 mohm"
"""
    ran = dry(text, tmp_path, bench_file(cells))
    assert ran.finished.exit_code == 0, ran.ending.reason
    assert ran.told == ["2 cells, 500 mA"]
