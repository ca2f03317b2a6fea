"""The lines that a simulated instrument is reached by: a TCP socket, a pseudo-terminal.

A wire serves one client at a time until it is stopped from another thread. It cuts what comes into
messages and sends what goes back; what they mean it doesn't know.
"""

from __future__ import annotations

import os
import select
import socket
import sys
from collections.abc import Callable
from contextlib import suppress
from typing import Protocol

from drivers.simulated.served.scpi_message import cut_messages

_CHUNK = 65536
# IEEE 488.2 leaves the size of the input buffer to the instrument; more without an end is -363.
INPUT_BUFFER = 65536


class Hangup(Exception):
    """The instrument closes the connection."""


class Deafness(Exception):
    """The instrument takes nothing more from the line."""


class Answerer(Protocol):
    """What is at the instrument's end of a wire."""

    def answer(self, message: bytes) -> bytes:
        """What goes back for a message, empty where nothing does."""
        ...

    def overrun(self) -> None:
        """More came without an end than an input buffer holds."""
        ...


class Wire(Protocol):
    """A line to one instrument; `resource` is its VISA resource name."""

    resource: str

    def serve(self, instrument: Answerer) -> None:
        """Serve clients, one after the other, until `stop` is called."""
        ...

    def stop(self) -> None:
        """End `serve`, from another thread."""
        ...

    def close(self) -> None:
        """Let go of the line, after `serve` has ended."""
        ...


class SocketWire:
    """A TCP port, bound at once; serves the next client when the one before is gone."""

    def __init__(self, host: str, port: int) -> None:
        self._listener = socket.create_server((host, port), backlog=4)
        host, port = self._listener.getsockname()[:2]
        self.resource = f"TCPIP::{host}::{port}::SOCKET"
        self._wake, self._waker = socket.socketpair()

    def serve(self, instrument: Answerer) -> None:
        """Serve clients, one after the other, until `stop` is called."""
        while True:
            if self._wake in select.select([self._listener, self._wake], [], [])[0]:
                return
            connection, _ = self._listener.accept()
            with connection:
                connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
                connection.setblocking(False)

                def receive(connection: socket.socket = connection) -> bytes:
                    try:
                        return connection.recv(_CHUNK)
                    except BlockingIOError:
                        return connection.recv(_CHUNK) if self._ready(connection) else b""

                def send(data: bytes, connection: socket.socket = connection) -> None:
                    while data:
                        try:
                            data = data[connection.send(data) :]
                        except BlockingIOError:
                            if not self._ready(connection, to_send=True):
                                return

                # A client that is gone in the middle of an answer is gone all the same.
                with suppress(OSError, Hangup):
                    try:
                        _converse(instrument, receive, send)
                    except Deafness:
                        select.select([self._wake], [], [])

    def _ready(self, connection: socket.socket, to_send: bool = False) -> bool:
        """Wait for the connection; False where the wire was stopped meanwhile."""
        readers = [self._wake] if to_send else [self._wake, connection]
        ready, _, _ = select.select(readers, [connection] if to_send else [], [])
        return self._wake not in ready

    def stop(self) -> None:
        """End `serve`."""
        self._waker.send(b"x")

    def close(self) -> None:
        """Let go of the port."""
        for end in (self._listener, self._wake, self._waker):
            end.close()


class PtyWire:
    """A pseudo-terminal in raw mode: a serial line without a speed. Raises OSError where none is.

    The instrument's end keeps the client's end open too, so that a client may go and another come;
    nobody notices either, as on a real serial line.
    """

    def __init__(self) -> None:
        if sys.platform == "win32":
            raise OSError("this system has no pseudo-terminals")
        import tty

        self._line, self._far_end = os.openpty()
        tty.setraw(self._far_end)
        os.set_blocking(self._line, False)
        self.resource = f"ASRL{os.ttyname(self._far_end)}::INSTR"
        self._wake, self._waker = os.pipe()
        self._open = {self._line, self._far_end, self._wake, self._waker}

    def serve(self, instrument: Answerer) -> None:
        """Serve whoever has the far end open until `stop` is called, or the instrument hangs up."""
        try:
            _converse(instrument, self._receive, self._send)
        except Deafness:
            select.select([self._wake], [], [])
        except Hangup:
            self._let_go(self._line, self._far_end)
        except OSError:
            return

    def _receive(self) -> bytes:
        ready, _, _ = select.select([self._line, self._wake], [], [])
        return b"" if self._wake in ready else os.read(self._line, _CHUNK)

    def _send(self, data: bytes) -> None:
        while data:
            ready, _, _ = select.select([self._wake], [self._line], [])
            if self._wake in ready:
                return
            data = data[os.write(self._line, data) :]

    def stop(self) -> None:
        """End `serve`."""
        os.write(self._waker, b"x")

    def close(self) -> None:
        """Let go of the line."""
        self._let_go(*self._open)

    def _let_go(self, *ends: int) -> None:
        for end in ends:
            if end in self._open:
                self._open.discard(end)
                os.close(end)


def _converse(
    instrument: Answerer, receive: Callable[[], bytes], send: Callable[[bytes], None]
) -> None:
    """Answer messages until nothing more comes."""
    rest = b""
    while received := receive():
        messages, rest = cut_messages(rest + received)
        if len(rest) > INPUT_BUFFER:
            rest = b""
            instrument.overrun()
        for message in messages:
            if back := instrument.answer(message):
                send(back)
