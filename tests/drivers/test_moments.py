"""Moments: whole nanoseconds and a rest that is less than one, however they were come to."""

from __future__ import annotations

from pathlib import Path
from random import Random

import numpy as np
import pytest

from drivers.bench import open_simulated, read_bench
from drivers.channel import Acquisition, Setpoint
from drivers.simulated.circuits.motion import Moment
from drivers.simulated.circuits.piece import Piece, curve_of


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


def test_a_piece_ends_at_the_nanosecond_that_is_its_end_but_for_rounding() -> None:
    """20003937.5 ns + 1312.5 ns, both rounded: at 20005250 ns it isn't over, but one later it is.

    Whoever goes on from there, as a protection does that follows the terminals, comes on.
    """
    begin = Moment(20_003_937, 5.000000000002493e-10)
    curve = curve_of(np.zeros(9))
    piece = Piece(begin, 1.3124999999999997e-06, curve, curve, 0.0)
    assert piece.ends_ns == 20_005_250
    chance = Random(7)
    for _ in range(2000):
        begin = Moment(chance.randrange(10**12), chance.randrange(16) / 16e9)
        piece = piece._replace(begin=begin, duration_s=chance.randrange(1, 10**6) / 16e9)
        assert Moment(piece.ends_ns).since(begin) <= piece.duration_s + 1e-18
        assert Moment(piece.ends_ns + 1).since(begin) > piece.duration_s
