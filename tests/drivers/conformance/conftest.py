"""The four ways to a simulated instrument, each giving a channel on the bench's virtual clock."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import NamedTuple

import pytest

from drivers.bench import BenchFile, open_simulated, read_bench
from drivers.channel import Channel
from drivers.clock import VirtualClock
from drivers.scpi.channel import ScpiChannel
from drivers.simulated.instruments.instrument import SimulatedChannel
from drivers.simulated.served.serve import Server
from drivers.simulated.served.visa_sim import LIBRARY, registered

IN_PROCESS, VISA_SIM, SOCKET, SERIAL = WAYS = ("in process", "pyvisa-sim", "socket", "serial")
VISA_SIM_RESOURCE = "TCPIP0::192.0.2.20::5025::SOCKET"

BANK = """
model = "supercapacitor"
capacitance = "10 F"
series_resistance = "10 mohm"
slow_branches = [ { resistance = "5 ohm", capacitance = "2 F" } ]
leakage_resistance = "10 kohm"
initial = { voltage = "1.2 V" }
"""
TEN_OHMS = """
model = "resistor"
resistance = "10 ohm"
"""


class Entry(NamedTuple):
    """What a bench file would say of the channel."""

    resource: str
    library: str
    dialect: str = "scpi-1999-source-measure"
    identity: str = "^RIDGE,"


@dataclass
class Opened:
    """A channel, the simulated instrument behind it, their clock, its server if it has one."""

    channel: Channel
    simulated: SimulatedChannel
    clock: VirtualClock
    server: Server | None = None


Opener = Callable[..., Opened]


def bench_of(part: str, specification: str = "demo-source-measure") -> BenchFile:
    """A bench with one channel on one part."""
    file, problems = read_bench(
        Path("ridge.bench.toml"),
        f"""
title = "Ridge station workshop"
line_frequency = "50 Hz"
[channels.smu]
specification = "{specification}"
part = "load"
[parts.load]
{part}
""",
    )
    assert file is not None, list(problems)
    return file


def open_way(
    stack: ExitStack,
    way: str,
    part: str = TEN_OHMS,
    specification: str = "demo-source-measure",
    *,
    seed: int = 7,
    ideal: bool = False,
    margin_s: float = 5.0,
) -> Opened:
    """The instrument by one of the four ways; the stack closes it."""
    file = bench_of(part, specification)
    bench = open_simulated(file, seed=seed, ideal=ideal)
    simulated, clock = bench.channels["smu"], bench.clock
    assert isinstance(simulated, SimulatedChannel)
    assert isinstance(clock, VirtualClock)
    if way == IN_PROCESS:
        return Opened(simulated, simulated, clock)
    server = Server(bench, serial=way == SERIAL)
    entry = Entry(server.resources["smu"], "@py")
    if way == VISA_SIM:
        entry = Entry(VISA_SIM_RESOURCE, LIBRARY)
        front = server.instruments["smu"].front
        stack.enter_context(registered({VISA_SIM_RESOURCE: front.handle}))
    stack.enter_context(server)
    return Opened(client(stack, entry, simulated, clock, margin_s), simulated, clock, server)


def client(
    stack: ExitStack,
    entry: Entry,
    simulated: SimulatedChannel,
    clock: VirtualClock,
    margin_s: float,
) -> ScpiChannel:
    """A channel on a served instrument; the stack closes it."""
    channel = ScpiChannel.open(
        "smu", entry, simulated.specification, clock, 50.0, margin_s=margin_s
    )
    stack.callback(channel.close)
    return channel


def _skip_without_pty(way: str) -> None:
    if way == SERIAL and sys.platform == "win32":
        pytest.skip("this system has no pseudo-terminals")


@pytest.fixture(params=WAYS)
def way(request: pytest.FixtureRequest) -> str:
    """Each of the four ways."""
    _skip_without_pty(request.param)
    return str(request.param)


@pytest.fixture
def opened(way: str) -> Iterator[Opener]:
    """Opens the instrument by the way under test."""
    with ExitStack() as stack:
        yield lambda *args, **options: open_way(stack, way, *args, **options)


@pytest.fixture
def in_process() -> Iterator[Opener]:
    """Opens the instrument in process: what the other ways are compared with."""
    with ExitStack() as stack:
        yield lambda *args, **options: open_way(stack, IN_PROCESS, *args, **options)


@pytest.fixture(params=[SOCKET, SERIAL])
def wire(request: pytest.FixtureRequest) -> str:
    """The two ways that have a line which can fail."""
    _skip_without_pty(request.param)
    return str(request.param)


@pytest.fixture
def served(wire: str) -> Iterator[Opener]:
    """Opens the instrument behind a line that can fail."""
    with ExitStack() as stack:
        yield lambda *args, **options: open_way(stack, wire, *args, **options)


@pytest.fixture
def another_client() -> Iterator[Callable[[Opened], ScpiChannel]]:
    """Opens a further channel on an instrument that is served already."""
    with ExitStack() as stack:

        def open_another(opening: Opened) -> ScpiChannel:
            assert opening.server is not None
            entry = Entry(opening.server.resources["smu"], "@py")
            return client(stack, entry, opening.simulated, opening.clock, 1.0)

        yield open_another
