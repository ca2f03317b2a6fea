"""A simulated bench on the network: every channel a SCPI instrument on a socket or a serial line.

In a test's process the bench keeps its virtual time. Served for use, virtual time is tied to the
computer's: a command first brings the bench to now, and an answer is held back until the time that
it took has really passed. One virtual clock serves the whole bench, so two instruments that measure
at once take their apertures one after the other. Serial lines are pseudo-terminals, which only
POSIX systems have. The module knows channels and time; the lines are `wires`' business.
"""

from __future__ import annotations

import logging
import re
import threading
from collections.abc import Callable, Mapping
from copy import copy
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Any

from drivers.bench import Bench, load_bench, open_simulated
from drivers.clock import MonotonicClock, VirtualClock
from drivers.faults import BenchFileError
from drivers.simulated.served.front import Front
from drivers.simulated.served.misbehaviour import BABBLE, GARBAGE, Misbehaviour
from drivers.simulated.served.scpi_message import ScpiError
from drivers.simulated.served.wires import Deafness, Hangup, PtyWire, SocketWire, Wire
from grammar.diagnostic import draw

if TYPE_CHECKING:
    from typing import Self

LOOPBACK = "127.0.0.1"
_LOOPBACK_SOCKET = re.compile(r"TCPIP\d*::(?:127\.0\.0\.1|localhost)::(\d+)::SOCKET", re.IGNORECASE)
_log = logging.getLogger(__name__)


class Pace:
    """Ties virtual time to the computer's, `speed` times as fast; with None it stays virtual."""

    def __init__(self, virtual: VirtualClock, speed: float | None) -> None:
        self.speed = speed
        self._virtual = virtual
        self._real = MonotonicClock()
        self._began = virtual.now()

    def catch_up(self) -> None:
        """Bring the bench to now."""
        if self.speed is not None:
            self._virtual.wait_until(self._began + self._real.now() * self.speed)

    def hold_back(self, moment: float) -> None:
        """Return when virtual time has really come to that moment (s)."""
        if self.speed is not None:
            self._real.wait_until((moment - self._began) / self.speed)


class Instrument:
    """One channel's front with its pace and its misbehaviour: a message in, bytes out."""

    def __init__(self, front: Front, clock: VirtualClock, lock: threading.Lock, pace: Pace) -> None:
        self.front = front
        self.misbehaviour: Misbehaviour | None = None
        self.stopping = threading.Event()
        self._clock = clock
        self._lock = lock
        self._pace = pace
        self._held = b""

    def answer(self, message: bytes) -> bytes:
        """What goes back for a message; raises Hangup or Deafness where it misbehaves so."""
        misbehaviour = self.misbehaviour
        way = misbehaviour.way if misbehaviour is not None and misbehaviour.strikes() else None
        if way == "deaf":
            raise Deafness
        if way == "close":
            raise Hangup
        with self._lock:
            self._pace.catch_up()
            if way == "power-cycle":
                channel: Any = self.front.channel
                channel.power_cycle()
            elif way == "stuck-output":
                self.front.stuck_output = True
            elif way == "false-read-back":
                self.front.false_read_back = True
            text = self._done(message.decode("latin-1"))
            moment = self._clock.now()
        if self._pace.speed is not None:
            self._pace.hold_back(moment)
        held, self._held = self._held, b""
        if text is None:
            return held
        whole = text.encode("latin-1", "replace") + b"\n"
        return held + (whole if way is None else self._spoilt(whole, way))

    def _done(self, message: str) -> str | None:
        try:
            return self.front.handle(message)
        except Exception:
            # A mistake in the simulation must not look like a dead link to its user.
            _log.exception("the simulated instrument failed at “%s”", message[:200])
            self.front.status.report(ScpiError(-310))
            return None

    def _spoilt(self, whole: bytes, way: str) -> bytes:
        if way == "silence":
            return b""
        if way == "late":
            self._held = whole
            return b""
        if way == "delay" and self.misbehaviour is not None:
            self.stopping.wait(self.misbehaviour.delay_s)
        if way == "garbage":
            return GARBAGE
        if way == "half":
            return whole[: len(whole) // 2]
        return whole + BABBLE if way == "babble" else whole

    def overrun(self) -> None:
        """More came without an end of message than the input buffer holds."""
        with self._lock:
            self.front.status.report(ScpiError(-363))


class Server:
    """Every channel of a simulated bench as an instrument of its own; a context manager.

    `resources` are the VISA resource names by channel, to be opened with the pure-Python library.
    An instrument talks to one client at a time and takes the next when that one is gone. `speed`
    None keeps time virtual. Binds to loopback unless told otherwise; a port of 0 is chosen by the
    system. Raises BenchFileError where a port can't be had.
    """

    def __init__(
        self,
        bench: Bench,
        *,
        speed: float | None = None,
        serial: bool = False,
        host: str = LOOPBACK,
        ports: Mapping[str, int] | None = None,
    ) -> None:
        if not isinstance(bench.clock, VirtualClock):
            raise BenchFileError("only a simulated bench can be served: its clock is virtual")
        lock, pace = threading.Lock(), Pace(bench.clock, speed)
        self.instruments = {
            name: Instrument(Front(channel, bench.file.line_frequency_hz), bench.clock, lock, pace)
            for name, channel in bench.instruments.items()
        }
        self._wires: dict[str, Wire] = {}
        self._threads: list[threading.Thread] = []
        try:
            for name in self.instruments:
                port = (ports or {}).get(name, 0)
                self._wires[name] = PtyWire() if serial else SocketWire(host, port)
        except OSError as error:
            for wire in self._wires.values():
                wire.close()
            raise BenchFileError(
                f"channels.{name} can't be served: {error.strerror or error}",
                "Another program holds its port, or the system has no pseudo-terminals.",
            ) from None
        self.resources = {name: wire.resource for name, wire in self._wires.items()}

    def __enter__(self) -> Self:
        for name, instrument in self.instruments.items():
            thread = threading.Thread(
                target=self._wires[name].serve, args=(instrument,), name=f"serve {name}"
            )
            thread.start()
            self._threads.append(thread)
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        traceback: TracebackType | None,
    ) -> None:
        for instrument in self.instruments.values():
            instrument.stopping.set()
        for wire in self._wires.values():
            wire.stop()
        for thread in self._threads:
            thread.join()
        for wire in self._wires.values():
            wire.close()

    def misbehave(self, misbehaviour: Misbehaviour | None, channel: str | None = None) -> None:
        """Let a channel, or all of them, misbehave from the next message on; None ends it."""
        for name, instrument in self.instruments.items():
            if channel in (None, name):
                instrument.misbehaviour = copy(misbehaviour)
                if misbehaviour is None:
                    instrument.front.stuck_output = instrument.front.false_read_back = False


def serve(
    bench_file: Path,
    *,
    speed: float = 1.0,
    seed: int = 0,
    ideal: bool = False,
    serial: bool = False,
    announce: Callable[[str], None],
    misbehaviour: Misbehaviour | None = None,
    host: str = LOOPBACK,
    stop: threading.Event | None = None,
) -> None:
    """Serve a bench file's simulated instruments until `stop` is set or Ctrl-C is pressed.

    `speed` is how many times faster than the computer's the bench's time runs. `announce` is given
    a line for each channel, its name and its VISA resource name. A channel whose resource in the
    bench file is a loopback socket gets that port, so that the same file serves for the run; the
    others get one that is free. Raises BenchFileError with the file's problems drawn.
    """
    if not 0 < speed < float("inf"):
        raise BenchFileError(f"a speed of {speed:g} can't be served: it must be above 0")
    file, problems = load_bench(bench_file)
    if file is None:
        raise BenchFileError("\n".join(draw(problem) for problem in problems))
    ports = {
        name: int(match[1])
        for name, entry in file.channels.items()
        if (match := _LOOPBACK_SOCKET.fullmatch(entry.resource or ""))
    }
    bench = open_simulated(file, seed=seed, ideal=ideal, served=True)
    with Server(bench, speed=speed, serial=serial, host=host, ports=ports) as server:
        server.misbehave(misbehaviour)
        for name, resource in server.resources.items():
            announce(f"{name}: {resource}")
        try:
            (stop or threading.Event()).wait()
        except KeyboardInterrupt:
            return
