"""Procedures, their names and columns, parts' facts, and the newest part of a trace."""

from __future__ import annotations

import statistics
from pathlib import Path
from typing import Any

import pytest

from tests.sequencer.engine.bench_of import CAPACITOR, Ran, bench_file, dry

HEAD = """recipe "A test"
channel smu: source, sink, measure, measure open, two-sided limit
part bank is capacitor on smu, not pushed:
    voltage -0.05 V to 2.8 V
    current within 1.2 A
    capacity 12 mAh
{more}steps:
    setup smu: aperture = 20 ms
    source smu voltage 1 V, limit 1 A
    output smu on
"""


def run(body: str, store: Path, more: str = "", **rest: Any) -> Ran:
    return dry(HEAD.format(more=more) + body, store, bench_file(CAPACITOR), **rest)


SOAK = """procedure soak(volts, hold):
    source smu voltage volts, limit 1 A
    for k in 1 to 2:
        wait hold
        measure smu into t with volts
    say "{volts} for {hold}"
"""


def test_a_call_is_a_step_with_the_procedures_steps_in_it(tmp_path: Path) -> None:
    ran = run("    do soak(1.5 V, hold = 3 s)\n    do soak(0.5 V, 2 s)\n", tmp_path, SOAK)
    assert ran.finished.exit_code == 0, ran.ending
    assert ran.told == ["1.5 V for 3 s", "500 mV for 2 s"]
    # The procedure's own names are columns under the names that they are written with.
    assert ran.column("t", "k") == [1, 2, 1, 2]
    assert ran.column("t", "volts") == [1.5, 1.5, 0.5, 0.5]
    rows = [(step.line, step.text) for step in ran.record.steps()]
    call = rows.index((17, "do soak(1.5 V, hold = 3 s)"))
    assert rows[call + 3 : call + 5] == [
        (8, "source smu voltage volts, limit 1 A"),
        (9, "for k in 1 to 2"),
    ]
    steps = ran.record.steps()
    inner = next(step for step in steps if step.line == 8)
    outer = steps[call]
    assert outer.stop is not None
    assert outer.start <= inner.start <= outer.stop
    assert outer.stop - outer.start == pytest.approx(6.04, abs=1e-6)


def test_an_error_in_a_procedure_is_told_with_its_own_line(tmp_path: Path) -> None:
    ran = run(
        "    measure smu\n    do root(smu.voltage / 1 V)\n",
        tmp_path,
        'procedure root(x):\n    let y = sqrt(-x - 1)\n    say "{y}"\n',
    )
    assert ran.finished.exit_code == 4
    why = "-1.013 is negative, and no number is its root"
    assert ran.ending.reason == f"line 8: a value could not be worked out ({why})"


def test_facts_of_parts_are_values(tmp_path: Path) -> None:
    ran = run('    say "{bank.capacity / 2}"\n', tmp_path)
    # 12 mAh are 43.2 C (an hour is 3600 s).
    assert ran.told == ["21.6 C"]


def test_the_newest_part_of_a_trace(tmp_path: Path) -> None:
    body = (
        "    every 200 ms for 10 s:\n        measure smu into t\n"
        '    say "{mean(t, voltage, 3 s) / 1 V}"\n    say "{slope(t, voltage, 3 s) / 1 V * 1 s}"\n'
        '    say "{minimum(t, smu.voltage, 3 s) / 1 V}"\n'
        '    say "{maximum(t, power, newest = 3 s) / 1 W}"\n'
    )
    ran = run(body, tmp_path)
    voltage, time = ran.column("t", "smu.voltage")[-16:], ran.column("t", "time")[-16:]
    power = ran.column("t", "smu.power")[-16:]
    # Readings of 3 s at 200 ms are sixteen, both ends in.
    line = statistics.linear_regression(time, voltage)
    expected = [statistics.fmean(voltage), line.slope, min(voltage), max(power)]
    assert [float(words) for words in ran.told] == pytest.approx(expected, rel=1e-3)


def test_the_newest_part_ends_a_loop(tmp_path: Path) -> None:
    ran = run(
        "    every 200 ms until abs(slope(t, voltage, 1 s)) < 5 mV/s, at most 5 min:\n"
        "        measure smu into t\n",
        tmp_path,
    )
    assert ran.finished.exit_code == 0, ran.ending
    voltage, time = ran.column("t", "smu.voltage"), ran.column("t", "time")
    last = statistics.linear_regression(time[-6:], voltage[-6:]).slope
    before = statistics.linear_regression(time[-7:-1], voltage[-7:-1]).slope
    assert abs(last) < 5e-3 <= abs(before)


def test_branches_outside_of_loops_have_rows_of_their_own(tmp_path: Path) -> None:
    ran = run("    if 1 < 2:\n        wait 1 s\n        wait 2 s\n", tmp_path)
    rows = {step.text: (step.start, step.stop) for step in ran.record.steps()}
    first, second = rows["wait 1 s"], rows["wait 2 s"]
    assert first[1] == pytest.approx(second[0])
    assert second[1] - second[0] == pytest.approx(2.0)
    assert rows["if 1 < 2"] == (first[0], second[1])
