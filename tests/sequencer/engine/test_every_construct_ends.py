"""Whichever operation of whichever construct fails, outputs are off and lines at rest after it."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from drivers.bench import Bench
from drivers.faults import InstrumentError, LinkError
from sequencer.engine.ending import Outcome
from tests.sequencer.engine.bench_of import Ran, dry
from tests.sequencer.engine.scripted import Line, Scripted, pulsing_bench

RECIPE = """recipe "Every construct"
channel smu: source, sink, measure, measure open, two-sided limit, pulse, capture
digital valve: output, rests low
digital lid: input
part load is resistor on smu, not pushed:
    voltage -12 V to 12 V
    current within 2 A
    power up to 5 W
    power up to 20 W per pulse
    energy up to 100 J
guard lid is low "lid open"
procedure soak(volts, hold):
    source smu voltage volts, limit 1 A
    for k in 1 to 2:
        wait hold
        measure smu into soaked with volts
steps:
    setup smu: aperture = 2 ms
    confirm "Is it wired?"
    ask "How warm?", into warm in 10 degC to 30 degC
    source smu voltage 1 V, limit 1 A
    output smu on
    switch valve high
    wait for lid low, at most 1 s
    do soak(2 V, 200 ms)
    ramp smu voltage to 1 V over 300 ms, into rising
    settle smu.voltage within 1 mV over 200 ms, every 100 ms, at most 5 s, into still
    pulse smu voltage 5 V, limit 1 A, width 10 ms, period 50 ms, count 3, into pulses
    sweep smu voltage from 0 V to 3 V in 3 points, pulsed, width 10 ms, period 50 ms, into pulsed
    capture smu at 1 kHz for 50 ms, into wave:
        pulse smu voltage 5 V, limit 1 A, width 10 ms
    sweep smu voltage from 0 V to 2 V in 3 points, into curve
    if confirm "Again?":
        say "again"
    if mean(curve, current, 1 s) > 1 mA and lid is low:
        note "it conducts at {warm}"
    reset smu.charge
finally:
    switch valve high
    wait 100 ms
"""
RESISTOR = """
[parts.load]
model = "resistor"
resistance = "10 ohm"
"""
OPERATIONS = (
    "identify", "reset", "configure", "program", "switch", "read_back", "measure", "poll",
    "pulse", "begin_capture", "end_capture",
)  # fmt: skip


class Failing:
    """Channel and lines whose n-th operation, all counted together, fails once."""

    def __init__(self, nth: int, error: type[Exception]) -> None:
        self.nth, self.error = nth, error
        self.count = 0
        self.valve, self.lid = Line("valve"), Line("lid")

    def __call__(self, bench: Bench) -> None:
        smu = Scripted(bench.channels["smu"], lambda time_s: (1.0, 0.1))
        for name in OPERATIONS:
            setattr(smu, name, self._counted(getattr(smu, name)))
        for line in (self.valve, self.lid):
            line.read = self._counted(line.read)  # type: ignore[method-assign]
            line.write = self._counted(line.write)  # type: ignore[method-assign]
        bench.channels["smu"] = smu  # type: ignore[assignment]
        bench.lines = {"valve": self.valve, "lid": self.lid}  # type: ignore[assignment]

    def _counted(self, real: Any) -> Any:
        def operation(*arguments: Any) -> Any:
            self.count += 1
            if self.count == self.nth:
                raise self.error("the instrument does not answer", "see its cable")
            return real(*arguments)

        return operation


def run(store: Path, failing: Failing) -> Ran:
    return dry(RECIPE, store, pulsing_bench(store, RESISTOR), change=failing)


def test_all_of_it_runs(tmp_path: Path) -> None:
    whole = Failing(0, LinkError)
    ran = run(tmp_path, whole)
    assert ran.ending.outcome is Outcome.FINISHED, ran.ending
    assert whole.valve.written == [False, True, False, True, False]
    lengths = {name: len(ran.record.trace(name)) for name in ran.record.traces()}
    assert lengths == {
        "soaked": 2, "rising": 3, "still": 3, "pulses": 3, "pulsed": 3, "wave": 50, "curve": 3,
    }  # fmt: skip
    assert ran.record.notes()[-1].text == "it conducts at 20 °C"


@pytest.mark.parametrize(
    ("error", "first", "stride"), [(LinkError, 1, 2), (InstrumentError, 2, 4), (RuntimeError, 4, 4)]
)
def test_whichever_operation_fails_once_everything_is_off_afterwards(
    tmp_path: Path, error: type[Exception], first: int, stride: int
) -> None:
    # Fault model: any one operation of the channel or of a line raises, of the bench or of the
    # program itself; the next ones work. Survived must be: output off, line at rest unless its own
    # last operation is what failed, reason on record, readings kept.
    whole = Failing(0, error)
    run(tmp_path / "whole", whole)
    # Each operation fails in one of the three ways.
    for nth in range(first, whole.count + 1, stride):
        failing = Failing(nth, error)
        ran = run(tmp_path / str(nth), failing)
        assert failing.count >= nth
        assert ran.outputs_off, nth
        if failing.valve.written and failing.valve.written[-1]:
            assert ran.ending.unknown == ("valve",), nth
        if ran.finished.exit_code != 0:
            assert ran.ending.outcome is Outcome.FAILED, (nth, ran.ending)
        assert ran.record.meta.outcome == ran.ending.outcome.word
        times = ran.record.columns("smu", ["time"])["time"]
        assert list(times) == sorted(times), nth


def test_the_alarm_itself_works(tmp_path: Path) -> None:
    """The canary: a line that stays where it is is seen by the very check used above."""
    stuck = Failing(0, LinkError)
    real = stuck.valve.write
    stuck.valve.write = lambda high: real(high) if high else None  # type: ignore[method-assign]
    run(tmp_path, stuck)
    assert stuck.valve.written[-1] is True
