"""Moments: whole nanoseconds and a rest that is less than one, however they were come to."""

from __future__ import annotations

from pathlib import Path
from random import Random

import pytest

from drivers.bench import open_simulated, read_bench
from drivers.channel import Acquisition, Setpoint
from drivers.simulated.circuits.motion import Moment


@pytest.mark.parametrize("seed", range(20))
def test_a_rest_is_less_than_a_nanosecond(seed: int) -> None:
    dice, moment, passed_s = Random(seed), Moment(0), 0.0
    for _ in range(200):
        duration_s = dice.choice((-1e-9, 1e-9, 1e-6, 1e-3)) * dice.random()
        moment = moment.later(duration_s)
        passed_s += duration_s
        assert 0 <= moment.rest_s < 1e-9 * (1 + 1e-6)
    assert moment.s == pytest.approx(passed_s, abs=1e-15 * 200)


def test_a_source_on_its_way_is_watched_to_its_end() -> None:
    """Protections look from one piece of a motion to the next: none may end where it began."""
    bench, problems = read_bench(
        Path("ridge.bench.toml"),
        'line_frequency = "50 Hz"\n[channels.smu]\nspecification = "demo-picoampere"\n'
        'part = "blocking"\n[parts.blocking]\nmodel = "diode"\nsaturation_current = "1 nA"\n'
        'series_resistance = "1 ohm"\n',
    )
    assert bench is not None, list(problems)
    smu = open_simulated(bench).channels["smu"]
    smu.configure(Acquisition(None, None))
    smu.program(Setpoint("voltage", 0.1, -1e-2, 1e-2))
    smu.switch(True)
    found = []
    for k in range(5):
        smu.program(Setpoint("voltage", 0.1 + k * 0.05, -1e-2, 1e-2))
        found.append(smu.measure().current)
        assert [event.kind for event in smu.poll() if event.kind == "dropped"] == []
    assert found == sorted(found)
