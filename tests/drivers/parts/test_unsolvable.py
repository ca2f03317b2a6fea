"""A part whose equations have no solution ends the dry run: with name, time and state."""

from __future__ import annotations

import re
from collections.abc import Sequence
from itertools import pairwise
from pathlib import Path
from typing import Literal

import pytest

from drivers import bench_file
from drivers.bench import read_bench
from drivers.simulated.conditions import Conditions
from drivers.simulated.parts import MODELS
from drivers.simulated.parts.base import AtPort, PartModel, Vector
from drivers.simulated.parts.ohmic import Ohmic
from drivers.simulated.parts.stateless import Stateless
from sequencer.engine.ending import Outcome
from sequencer.engine.port import Port
from tests.sequencer.engine.bench_of import dry


class Runaway(Stateless):
    """dx/dt = i²·x²: at 1 A, x = 1/(1 − t) has no value after a second, and no tolerance there."""

    def __init__(self) -> None:
        super().__init__(lambda _: Ohmic(1.0))
        self.initial = (1.0,)
        self.magnitudes = (1.0,)

    def rates(self, time_s: float, state: Vector, ports: Sequence[AtPort]) -> Sequence[float]:
        return ((ports[0].current * state[0]) ** 2,)


class Gauge(PartModel):
    model: Literal["runaway gauge"]

    def physics(self, conditions: Conditions) -> Runaway:
        return Runaway()


BENCH = """line_frequency = "50 Hz"
[channels.smu]
specification = "demo-source-measure"
part = "gauge"
[parts.gauge]
model = "runaway gauge"
"""
RECIPE = """recipe "What has no solution"
channel smu: source, sink, measure
part gauge is other on smu, not pushed:
    voltage within 5 V
    current within 2 A
    energy up to 1 kJ
steps:
    source smu current 1 A, limit 2 V
    output smu on
    repeat 30 times:
        measure smu into readings
        wait 80 ms
"""


def test_it_ends_with_part_time_and_state(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(bench_file, "MODELS", {**MODELS, "runaway gauge": Gauge})
    file, problems = read_bench(Path("ridge.bench.toml"), BENCH)
    assert file is not None, [p.message for p in problems]
    ran = dry(RECIPE, tmp_path, file)
    assert (ran.ending.outcome, ran.ending.fault) == (Outcome.FAILED, "bench")
    said = re.match(
        r"“gauge” can't be simulated past ([\d.]+) s, in the state \(([-\d.e+]+)\): ",
        ran.ending.reason,
    )
    assert said, ran.ending.reason
    # A second after the contact has closed, which is within that step; nothing moves before.
    (on,) = [step for step in ran.record.steps() if step.text == "output smu on"]
    assert on.stop is not None
    assert on.start < float(said[1]) - 1.0 < on.stop
    assert float(said[2]) > 1e3
    assert ran.ending.reason.endswith("two of them may contradict each other.")
    assert ran.ending.line == 10
    # Up to there it was right: the readings that were taken are on record, and all are numbers.
    readings = ran.column("readings", "smu.current")
    assert 7 < len(readings) < 11
    assert readings == pytest.approx([1.0] * len(readings))


@pytest.mark.parametrize("at_once", [True, False])
def test_no_reading_before_it_is_lost(
    at_once: bool, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Every 10 ms until a second after the contact has closed, also where many are foreseen."""
    monkeypatch.setattr(bench_file, "MODELS", {**MODELS, "runaway gauge": Gauge})
    if not at_once:
        monkeypatch.setattr(Port, "looks_ahead", False)
    file, problems = read_bench(Path("ridge.bench.toml"), BENCH)
    assert file is not None, [p.message for p in problems]
    text = RECIPE.replace("repeat 30 times", "every 10 ms for 3 s").replace("wait 80 ms", "")
    ran = dry(text.replace("steps:", "steps:\n    setup smu: aperture = 1 ms"), tmp_path, file)
    assert ran.ending.outcome is Outcome.FAILED
    times = ran.column("readings", "time")
    (on,) = [step for step in ran.record.steps() if step.text == "output smu on"]
    assert on.stop is not None
    assert on.start + 1 - 0.01 < times[-1] < on.stop + 1
    assert [b - a for a, b in pairwise(times)] == pytest.approx([0.01] * (len(times) - 1))
