"""Captures: samples are a trace of their own times, counted and judged; no rating is unwatched."""

from __future__ import annotations

import itertools
import math
from pathlib import Path
from typing import Any

import pytest

from drivers.bench import Bench
from sequencer.engine.ending import Outcome
from sequencer.record import export_run
from tests.sequencer.engine.bench_of import Ran, dry
from tests.sequencer.engine.scripted import Scripted, pulsing_bench, scripted

HEAD = """recipe "A test"
channel smu: source, sink, measure, measure open, two-sided limit, capture{more}
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


def steady(time_s: float) -> tuple[float, float]:
    """1 V on 10 ohm."""
    return 1.0, 0.1


def capture(
    body: str,
    store: Path,
    wave: Any = steady,
    *,
    more: str = "",
    ratings: str = "",
    guard: str = "",
    triggered_at: float | None = None,
    **rest: Any,
) -> tuple[Ran, Scripted]:
    holder: list[Scripted] = []

    def change(bench: Bench) -> None:
        scripted(holder, wave)(bench)
        holder[0].triggered_at = triggered_at

    head = HEAD.format(more=more, ratings=ratings, guard=guard)
    ran = dry(head + body, store, pulsing_bench(store, RESISTOR), change=change, **rest)
    return ran, holder[0]


def test_samples_stand_at_their_own_times_with_the_loops_variables(tmp_path: Path) -> None:
    ran, _ = capture(
        "    for k in values(1, 2):\n"
        "        capture smu at 1 kHz for 20 ms, into w:\n            wait 5 ms\n"
        "        wait 100 ms\n",
        tmp_path,
    )
    assert ran.ending.outcome is Outcome.FINISHED, ran.ending
    times = ran.column("w", "time")
    assert len(times) == 40
    for part in (times[:20], times[20:]):
        steps = [b - a for a, b in itertools.pairwise(part)]
        assert steps == pytest.approx([0.001] * 19, abs=1e-9)
    # The block waits 5 ms, the record lasts 20 ms, then 100 ms pass.
    assert times[20] - times[0] == pytest.approx(0.12, abs=1e-9)
    assert ran.column("w", "k") == [1.0] * 20 + [2.0] * 20
    assert set(ran.column("w", "smu.voltage")) == {1.0}
    assert ran.column("w", "smu.power") == pytest.approx([0.1] * 40)


def test_counters_go_on_through_a_capture_by_its_samples(tmp_path: Path) -> None:
    # 0.1 A throughout, read or sampled: the charge since the output went on is 0.1 A times it.
    ran, _ = capture(
        "    measure smu into t\n    capture smu at 1 kHz for 2 s, into w:\n        wait 3 s\n"
        "    measure smu into t\n",
        tmp_path,
    )
    time, charge = ran.column("t", "time"), ran.column("t", "smu.charge")
    assert charge[1] - charge[0] == pytest.approx(0.1 * (time[1] - time[0]))
    samples, counted = ran.column("w", "time"), ran.column("w", "smu.charge")
    assert [c - charge[0] for c in counted] == pytest.approx([0.1 * (s - time[0]) for s in samples])
    energy = ran.column("w", "smu.energy")
    assert energy[-1] - energy[0] == pytest.approx(0.1 * (samples[-1] - samples[0]))


def test_the_levels_of_a_capture_are_those_that_were_programmed_meanwhile(tmp_path: Path) -> None:
    ran, smu = capture(
        "    capture smu at 1 kHz for 100 ms, into w:\n        wait 20.5 ms\n"
        "        source smu voltage 2 V, limit 1 A\n        wait 20 ms\n"
        "        pulse smu voltage 3 V, limit 1 A, width 10 ms, into p\n",
        tmp_path,
        more=", pulse",
    )
    assert ran.ending.outcome is Outcome.FINISHED, ran.ending
    assert ran.column("w", "smu.level") == [1.0] * 21 + [2.0] * 20 + [3.0] * 10 + [2.0] * 49
    (begun,) = [moment for moment, _ in smu.pulses]
    assert ran.column("p", "time") == pytest.approx([begun + 0.009], abs=1e-9)


def test_a_triggered_record_begins_before_its_trigger(tmp_path: Path) -> None:
    ran, _ = capture(
        "    capture smu at 1 kHz for 100 ms, when smu.current > 0.5 A, before 20 ms, into w:\n"
        "        wait 1 s\n",
        tmp_path,
        triggered_at=0.5,
    )
    time = ran.column("w", "time")
    assert (time[0], len(time)) == (pytest.approx(0.48, abs=1e-9), 100)


def test_a_trigger_that_does_not_come_leaves_the_trace_unfilled(tmp_path: Path) -> None:
    ran, _ = capture(
        "    capture smu at 1 kHz for 100 ms, when 0.5 A < smu.current, before 20 ms, into w:\n"
        "        wait 1 s\n    measure smu into t\n",
        tmp_path,
    )
    assert ran.ending.outcome is Outcome.FINISHED, ran.ending
    assert ran.column("w", "time") == []
    assert ran.events("capture") == ["line 10: the trigger did not come"]
    # What flowed meanwhile goes on counting by the last reading before.
    assert ran.column("t", "smu.charge")[0] == pytest.approx(0.1 * (1.002 + 0.001), rel=0.01)


@pytest.mark.parametrize(
    ("words", "quantity", "above", "threshold"),
    [
        ("smu.current > 0.5 A", "current", True, 0.5),
        ("smu.voltage < 0.5 V", "voltage", False, 0.5),
        ("0.25 A >= smu.current", "current", False, 0.25),
        ("2 * 0.25 V <= smu.voltage", "voltage", True, 0.5),
    ],
)
def test_a_trigger_is_told_to_the_instrument(
    tmp_path: Path, words: str, quantity: str, above: bool, threshold: float
) -> None:
    seen = []
    begin = Scripted.begin_capture

    class Noting(Scripted):
        def begin_capture(self, what: Any) -> None:
            seen.append(what)
            begin(self, what)

    def change(bench: Bench) -> None:
        bench.channels["smu"] = Noting(bench.channels["smu"])  # type: ignore[assignment]

    head = HEAD.format(more="", ratings="", guard="")
    body = f"    capture smu at 1 kHz for 100 ms, when {words}, before 20 ms, into w:\n"
    dry(
        head + body + "        wait 1 s\n", tmp_path, pulsing_bench(tmp_path, RESISTOR),
        change=change,
    )  # fmt: skip
    ((rate, samples, trigger),) = seen
    assert (rate, samples) == (1000.0, 100)
    assert trigger == (quantity, above, threshold, 0.02)


def test_leave_leaves_a_capture_and_its_record_is_kept(tmp_path: Path) -> None:
    ran, _ = capture(
        "    repeat 2 times:\n        capture smu at 1 kHz for 100 ms, into w:\n"
        "            wait 10 ms\n            if 1 < 2:\n                leave\n"
        "            wait 10 s\n",
        tmp_path,
    )
    time = ran.column("w", "time")
    assert len(time) == 200
    assert time[100] - time[0] == pytest.approx(0.1, abs=1e-9)


def test_a_sample_past_a_rating_trips(tmp_path: Path) -> None:
    def spike(time_s: float) -> tuple[float, float]:
        return 1.0, 2.5 if 0.05 < time_s < 0.0515 else 0.1

    ran, _ = capture(
        "    capture smu at 1 kHz for 100 ms, into w:\n        wait 10 ms\n", tmp_path, spike
    )
    assert ran.ending.outcome is Outcome.TRIPPED
    assert ran.ending.reason == "load current 2.5 A is above the rating of 2 A"
    # What led to it is on record.
    assert max(ran.column("w", "smu.current")) == 2.5
    assert ran.outputs_off


def test_a_guard_of_the_recipe_sees_every_sample(tmp_path: Path) -> None:
    def spike(time_s: float) -> tuple[float, float]:
        return 1.0, 0.5 if 0.05 < time_s < 0.0515 else 0.1

    ran, _ = capture(
        "    capture smu at 1 kHz for 100 ms, into w:\n        wait 10 ms\n", tmp_path, spike,
        guard='guard smu.current < 0.4 A "a spike"\n',
    )  # fmt: skip
    assert ran.ending.reason == "guard `smu.current < 0.4 A` no longer holds: a spike"


def test_the_margin_of_a_rating_is_that_of_a_sample_too(tmp_path: Path) -> None:
    def spike(time_s: float) -> tuple[float, float]:
        return 1.0, 1.5 if 0.05 < time_s < 0.0515 else 0.1

    ran, _ = capture(
        "    capture smu at 1 kHz for 100 ms, into w:\n        wait 10 ms\n", tmp_path, spike
    )
    (row,) = [guard for guard in ran.record.guards() if guard.name == "load current"]
    assert row.margin == pytest.approx(0.5)
    assert row.margin_time is not None
    assert 0.05 < row.margin_time < 0.0515


def test_a_sample_that_is_no_number_trips(tmp_path: Path) -> None:
    ran, _ = capture(
        "    capture smu at 1 kHz for 100 ms, into w:\n        wait 10 ms\n", tmp_path,
        lambda time_s: (math.nan, 0.1),
    )  # fmt: skip
    assert ran.ending.reason == "load voltage: the reading is not a number"


def test_what_flows_unseen_is_bounded_by_the_energy_rating(tmp_path: Path) -> None:
    # At 1 V and 1 A at most a watt can flow unseen: 2 J are possible after two seconds, and nobody
    # reads the channel while it captures for ten.
    ran, _ = capture(
        "    capture smu at 1 kHz for 10 s, into w:\n        wait 10 s\n",
        tmp_path,
        ratings="    energy up to 2 J\n",
    )
    assert ran.ending.outcome is Outcome.TRIPPED
    assert ran.ending.reason.startswith("load during a capture: it has lasted so long that")
    (trip,) = [e for e in ran.record.events() if e.kind == "trip"]
    assert 1.8 < trip.time < 2.01
    assert ran.outputs_off


def test_what_ends_the_run_ends_a_capture(tmp_path: Path) -> None:
    ran, _ = capture(
        '    capture smu at 1 kHz for 10 s, into w:\n        fail "enough"\n', tmp_path
    )
    assert ran.ending.reason == "enough"
    assert ran.outputs_off
    assert ran.ending.unknown == ()
    assert ran.column("w", "time") == []


def test_a_capture_is_exported_like_any_trace(tmp_path: Path) -> None:
    ran, _ = capture(
        "    for k in 1 to 2:\n        capture smu at 1 kHz for 3 ms, into w:\n"
        "            wait 1 ms\n",
        tmp_path,
    )
    export_run(ran.record, tmp_path / "w.csv", "csv", "w")
    lines = (tmp_path / "w.csv").read_text("utf-8-sig").splitlines()
    table = [line.split(",") for line in lines if not line.startswith(("#", '"#'))]
    assert table[0][:4] == ["time (s)", "k", "smu.voltage (V)", "smu.current (A)"]
    assert [row[1] for row in table[1:]] == ["1.0"] * 3 + ["2.0"] * 3
    assert [float(row[0]) for row in table[1:]] == ran.column("w", "time")
    assert {row[2] for row in table[1:]} == {"1.0"}


def test_a_pulse_is_captured_on_the_simulated_instrument(tmp_path: Path) -> None:
    # 10 kHz, and a pulse of 5 ms that begins 3 ms after the first sample: samples 30 to 79 are at
    # 4 V and 0.4 A by Ohm's law, all others at 1 V and 0.1 A.
    head = HEAD.format(more=", pulse", ratings="", guard="")
    ran = dry(
        head + "    capture smu at 10 kHz for 20 ms, into w:\n        wait 3 ms\n"
        "        pulse smu voltage 4 V, limit 1 A, width 5 ms, into p\n"
        "    measure smu into t\n",
        tmp_path,
        pulsing_bench(tmp_path, RESISTOR),
    )
    assert ran.ending.outcome is Outcome.FINISHED, ran.ending
    expected = [1.0] * 30 + [4.0] * 50 + [1.0] * 120
    assert ran.column("w", "smu.level") == expected
    assert ran.column("w", "smu.voltage") == pytest.approx(expected, abs=1e-4)
    assert ran.column("w", "smu.current") == pytest.approx([v / 10 for v in expected], abs=1e-4)
    # What went in meanwhile, by the samples: 0.1 A and 0.3 A more for 5 ms.
    charge = ran.column("w", "smu.charge")
    assert charge[-1] - charge[0] == pytest.approx(0.1 * 0.0199 + 0.3 * 0.005, rel=1e-6)
    assert ran.column("p", "smu.voltage") == pytest.approx([4.0], abs=1e-4)


def test_a_trigger_comes_on_the_simulated_instrument(tmp_path: Path) -> None:
    head = HEAD.format(more=", pulse", ratings="", guard="")
    ran = dry(
        head + "    capture smu at 10 kHz for 10 ms, when smu.voltage > 2 V, before 2 ms, "
        "into w:\n        wait 1.2 s\n        pulse smu voltage 4 V, limit 1 A, width 5 ms\n",
        tmp_path,
        pulsing_bench(tmp_path, RESISTOR),
    )
    assert ran.ending.outcome is Outcome.FINISHED, ran.ending
    voltage = ran.column("w", "smu.voltage")
    assert voltage == pytest.approx([1.0] * 20 + [4.0] * 50 + [1.0] * 30, abs=1e-4)
