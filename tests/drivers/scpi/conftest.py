"""A front over a simulated instrument, ideal, on a resistor of 10 ohm."""

from __future__ import annotations

from pathlib import Path

import pytest

from drivers.bench import Bench, open_simulated, read_bench
from drivers.simulated.served.front import Front

BENCH = """
title = "Ridge station workshop"
line_frequency = "50 Hz"
[channels.smu]
specification = "demo-source-measure"
part = "load"
resource = "TCPIP::127.0.0.1::0::SOCKET"
library = "@py"
dialect = "scpi-1999-source-measure"
identity = "^RIDGE,"
[parts.load]
model = "resistor"
resistance = "10 ohm"
"""


@pytest.fixture
def bench_text() -> str:
    """A bench file with one channel, `smu`; its resource has port 0."""
    return BENCH


@pytest.fixture
def bench(bench_text: str) -> Bench:
    """An ideal bench with one channel, `smu`."""
    file, problems = read_bench(Path("ridge.bench.toml"), bench_text)
    assert file is not None, list(problems)
    return open_simulated(file, ideal=True)


@pytest.fixture
def front(bench: Bench) -> Front:
    """The front of `smu`, its power-on event read."""
    front = Front(bench.channels["smu"], 50.0)
    front.handle("*CLS")
    return front
