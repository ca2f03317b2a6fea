"""A bench file served as for use: real time behind it, its own port, an end."""

from __future__ import annotations

import queue
import socket
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, NamedTuple

import pytest

from drivers.bench import Bench, load_bench
from drivers.channel import Acquisition, Setpoint
from drivers.clock import MonotonicClock, VirtualClock
from drivers.faults import BenchFileError
from drivers.scpi.channel import ScpiChannel
from drivers.simulated.served.misbehaviour import WAYS, Misbehaviour
from drivers.simulated.served.serve import Pace, Server, serve


class Entry(NamedTuple):
    """What a bench file would say of the channel."""

    resource: str
    library: str = "@py"
    dialect: str = "scpi-1999-source-measure"
    identity: str = "^RIDGE,"


@contextmanager
def serving(path: Path, **options: Any) -> Iterator[list[str]]:
    """`serve` in a thread until the context ends; gives the lines that it announced."""
    announced: queue.Queue[str] = queue.Queue()
    stop = threading.Event()
    thread = threading.Thread(
        target=serve, args=(path,), kwargs={"announce": announced.put, "stop": stop} | options
    )
    thread.start()
    try:
        yield [announced.get(timeout=30.0)]
    finally:
        stop.set()
        thread.join()


def test_a_bench_file_is_served_and_measured(tmp_path: Path, bench_text: str) -> None:
    """5 V over 10 Ω is 0.5 A (Ohm's law); a reading takes its aperture over the speed."""
    path = tmp_path / "ridge.bench.toml"
    path.write_text(bench_text, "utf-8")
    file, _ = load_bench(path)
    assert file is not None
    with serving(path, speed=1000.0, ideal=True) as announced:
        name, resource = announced[0].split(": ")
        assert name == "smu"
        clock = MonotonicClock()
        channel = ScpiChannel.open(
            "smu", Entry(resource), file.specifications["smu"], clock, 50.0, margin_s=30.0
        )
        channel.reset()
        channel.configure(Acquisition(None, None, aperture_s=1.0, aperture_cycles=None))
        channel.program(Setpoint("voltage", 5.0, -1.0, 1.0))
        channel.switch(True)
        before = clock.now()
        reading = channel.measure()
        assert clock.now() - before >= 1e-3
        assert before < reading.time < clock.now()
        assert (reading.voltage, reading.current) == pytest.approx((5.0, 0.5), rel=1e-9)
        channel.switch(False)
        channel.close()


def test_the_port_is_the_bench_files(tmp_path: Path, bench_text: str) -> None:
    """So that one file serves for `serve` and for the run; where it is taken, that is said."""
    held = socket.create_server(("127.0.0.1", 0))
    port = held.getsockname()[1]
    path = tmp_path / "ridge.bench.toml"
    path.write_text(bench_text.replace("::0::", f"::{port}::"), "utf-8")
    with pytest.raises(
        BenchFileError, match=r"channels\.smu can't be served: Address already in use"
    ):
        serve(path, announce=lambda line: None)
    held.close()
    with serving(path) as announced:
        assert announced == [f"smu: TCPIP::127.0.0.1::{port}::SOCKET"]


def test_a_bad_bench_file_is_told(tmp_path: Path, bench_text: str) -> None:
    path = tmp_path / "ridge.bench.toml"
    path.write_text(bench_text.replace("10 ohm", "10 V"), "utf-8")
    with pytest.raises(BenchFileError, match=r"parts\.load\.resistance"):
        serve(path, announce=lambda line: None)
    with pytest.raises(BenchFileError, match="speed of 0"):
        serve(path, speed=0.0, announce=lambda line: None)


def test_it_binds_to_loopback(bench: Bench) -> None:
    with Server(bench) as server:
        assert server.resources["smu"].startswith("TCPIP::127.0.0.1::")


def test_virtual_time_is_tied_to_real_time() -> None:
    """Ten times as fast: bench time is never less than ten times what has passed."""
    virtual, real = VirtualClock(), MonotonicClock()
    virtual.wait_until(100.0)
    pace = Pace(virtual, 10.0)
    before = real.now()
    pace.catch_up()
    pace.hold_back(virtual.now() + 0.05)
    assert real.now() - before >= 0.005
    pace.catch_up()
    assert virtual.now() >= 100.05


def test_without_a_speed_time_stays_virtual() -> None:
    virtual = VirtualClock()
    pace = Pace(virtual, None)
    pace.catch_up()
    pace.hold_back(1e9)
    assert virtual.now_ns == 0


def test_ways_to_misbehave_are_read() -> None:
    assert Misbehaviour.parse("silence") == Misbehaviour("silence", 0, None)
    assert Misbehaviour.parse("half@12") == Misbehaviour("half", 12, None)
    for text in ("silense", "half@", "half@x", "half@-1", "@3", ""):
        with pytest.raises(BenchFileError, match="is no way to misbehave"):
            Misbehaviour.parse(text)
    with pytest.raises(BenchFileError) as caught:
        Misbehaviour.parse("silense")
    assert "Did you mean “silence”?" in caught.value.advice
    assert len(WAYS) == 11


@pytest.mark.parametrize(
    ("after", "times", "strikes"),
    [
        (0, 1, [True, False, False, False]),
        (2, 1, [False, False, True, False]),
        (1, None, [False, True, True, True]),
    ],
)
def test_when_it_strikes(after: int, times: int | None, strikes: list[bool]) -> None:
    misbehaviour = Misbehaviour("silence", after, times)
    assert [misbehaviour.strikes() for _ in range(4)] == strikes


def test_more_than_the_input_buffer_holds(bench: Bench) -> None:
    """-363, Input buffer overrun (SCPI-1999, read)."""
    with Server(bench) as server:
        port = int(server.resources["smu"].split("::")[2])
        with socket.create_connection(("127.0.0.1", port), timeout=30.0) as connection:
            connection.sendall(b"*CLS\n" + b"X" * 200_000 + b"\n*CLS;NONSENSE;\nSYST:ERR?\n")
            received = b""
            while not received.endswith(b"\n"):
                received += connection.recv(1000)
            assert received.startswith(b"-113")
            connection.sendall(b"*CLS\n" + b"Y" * 65_536)
            connection.sendall(b"Z" * 200_000)
            connection.sendall(b"\nSYST:ERR?\n")
            received = b""
            while b"-363" not in received:
                connection.sendall(b"SYST:ERR?\n")
                received = connection.recv(1000)
                assert received
