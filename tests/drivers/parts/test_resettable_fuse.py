"""Resettable fuses: their rise by decades, what a trip leaves, and what burns them."""

from __future__ import annotations

import math

import numpy as np
import pytest

from drivers.clock import NANOSECONDS
from drivers.simulated.parts import resettable_fuse
from drivers.simulated.parts.base import AtPort
from drivers.simulated.parts.resettable_fuse import ResettableFuse
from drivers.simulated.parts.stateless import OPENED_OHMS
from tests.drivers.parts.driven import driven
from tests.drivers.parts.driving import at, holding, pushing
from tests.drivers.parts.examples import dynamic_of, part_of


def test_resistance_rises_smoothly_by_decades() -> None:
    fuse = part_of(resettable_fuse.EXAMPLE)
    assert isinstance(fuse, ResettableFuse)
    steps = np.array([fuse.step(t) for t in np.linspace(273.15, 473.15, 20001)])
    assert (np.diff(steps) >= 0).all()
    assert steps[12000] == 1.0  # 120 °C: up to there nothing has happened
    assert steps[14000] == pytest.approx(1e5, rel=1e-12, abs=0)  # and within 20 K all has
    assert steps[-1] == pytest.approx(1e5, rel=1e-12, abs=0)
    assert steps[13000] == pytest.approx(10**2.5, rel=1e-9, abs=0)


def test_a_trip_raises_the_resistance_for_hours() -> None:
    """Half an hour tripped, then cold: r − 1 falls e-fold in the relaxation time (closed form)."""
    port = driven(resettable_fuse.EXAMPLE, holding(12.0, 3.0))
    volts, amperes = at(port, 1800.0)
    assert volts == pytest.approx(12.0, rel=1e-9, abs=0)
    assert 0.02 < amperes < 0.2  # it holds itself hot with about a watt
    port.connect(pushing(0.01, 1.0), 1800 * NANOSECONDS)
    first, second = at(port, 2400.0)[0] / 0.006, at(port, 2400.0 + 7200.0)[0] / 0.006
    assert 1.3 < first < 1.45
    assert (second - 1) / (first - 1) == pytest.approx(math.exp(-1), rel=1e-6, abs=0)


def test_a_fuse_beyond_its_voltage() -> None:
    """3 A from 20 V: it trips, and as its resistance rises, 16 V are across it."""
    port = driven(resettable_fuse.EXAMPLE, holding(20.0, 3.0))
    port.advance(100 * NANOSECONDS)
    (happened,) = port.happened
    assert happened.text == "the fuse burnt and is open: it bears 16 V at most"
    # C·ΔT/P: 0.12 J/K, 97 K and 5.4 W, and a little that reached the air.
    assert 2.15 < happened.time_s < 3.0
    assert at(port, 101.0) == (20.0, pytest.approx(20.0 / OPENED_OHMS, rel=1e-9, abs=0))


def test_a_fuse_beyond_its_current() -> None:
    text = resettable_fuse.EXAMPLE.replace('bears_voltage = "16 V"\n', "")
    port = driven(text, pushing(39.9, 60.0))
    port.advance(NANOSECONDS // 1000)
    assert port.happened == []
    port.connect(pushing(-40.1, 60.0), NANOSECONDS // 1000)
    port.advance(NANOSECONDS)
    (happened,) = port.happened
    assert (happened.time_s, happened.damage) == (1e-3, True)
    assert happened.text == "the fuse burnt and is open: it bears 40 A at most"


def test_what_a_trip_does_to_the_resistance() -> None:
    """Cold, r goes back within two hours; 20 K and more beyond 120 °C it comes within 2 s.

    In between by how far the step has risen, in closed form.
    """
    part = dynamic_of(part_of(resettable_fuse.EXAMPLE))
    for kelvins, step in ((300.0, 1.0), (403.15, 10**2.5), (420.0, 1e5)):
        for r in (1.0, 1.2, 1.45):
            state = (kelvins - 296.15, r)
            _, moves = part.rates(0.0, state, [AtPort(0.0, 0.0)])
            expected = (1 - 1 / step) * (1.45 - r) / 2 + (1 - r) / step / 7200
            assert moves == pytest.approx(expected, rel=1e-12, abs=1e-18)
