"""A session over a plain TCP socket, every piece of it under the caller's deadline.

It stands in for the pure-Python VISA library's own socket session (pyvisa-py 0.8.1), which spins
on a closed peer, reads on past its timeout from a peer that babbles, blocks for ever writing to a
peer that doesn't read, and leaves Nagle's algorithm on (44 ms a query where a write is followed by
a query). It knows bytes and one end of line, no SCPI.
"""

from __future__ import annotations

import select
import socket
from collections.abc import Callable

from drivers.scpi.session import (
    DEADLINE_CLOCK,
    LONGEST_LINE,
    MOST_LATE_LINES,
    Absent,
    Babble,
    Closed,
    Deaf,
    Silence,
)

_CHUNK = 65536

# An answer is waited for awake before the processor is given away: being woken costs about as much
# on an idle computer (50 µs measured), so an instrument that answers at once is served in half the
# time, and one that takes longer costs no more than this.
_AWAKE_S = 1e-4


class SocketSession:
    """One TCP connection to an instrument's raw socket port."""

    def __init__(self, host: str, port: int, deadline: float) -> None:
        self._address = (host, port)
        self._now = DEADLINE_CLOCK.now
        self._socket = self._connected(deadline)

    def _connected(self, deadline: float) -> socket.socket:
        host, port = self._address
        try:
            connection = socket.create_connection(
                self._address, timeout=max(0.001, deadline - self._now())
            )
        except OSError as error:
            reason = error.strerror or str(error) or "no answer"
            raise Absent(f"{host}, port {port}", reason) from None
        connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        connection.setblocking(False)
        return connection

    def tell(self, data: bytes, deadline: float) -> None:
        """Send all of it, having made sure that nothing lies unread and the peer is there.

        Bytes that wait before the question was asked can't be its answer.
        """
        try:
            unasked = self._socket.recv(_CHUNK)
        except BlockingIOError:
            self._send(data, deadline)
        except OSError as error:
            raise Closed(error.strerror or "") from None
        else:
            raise Babble(unasked) if unasked else Closed()

    def _send(self, data: bytes, deadline: float) -> None:
        try:
            sent = self._socket.send(data)
        except BlockingIOError:
            sent = 0
        except OSError as error:
            raise Closed(error.strerror or "") from None
        if sent < len(data):
            self._send_rest(data[sent:], deadline)

    def _send_rest(self, data: bytes, deadline: float) -> None:
        while data:
            left_s = deadline - self._now()
            if left_s <= 0 or not select.select([], [self._socket], [], left_s)[1]:
                raise Deaf
            try:
                data = data[self._socket.send(data) :]
            except BlockingIOError:
                continue
            except OSError as error:
                raise Closed(error.strerror or "") from None

    def ask(self, data: bytes, deadline: float) -> bytes:
        """Send all of it and give back the one line that answers it, without its end."""
        self.tell(data, deadline)
        return self._line(deadline)

    def _line(self, deadline: float) -> bytes:
        received = b""
        while True:
            received += self._piece(received, deadline)
            end = received.find(b"\n")
            if end == len(received) - 1:
                return received[:-1]
            if end >= 0 or len(received) > LONGEST_LINE:
                raise Babble(received[end + 1 :] if end >= 0 else received)

    def _piece(self, so_far: bytes, deadline: float) -> bytes:
        """What comes next, at least one byte; `so_far` is for the words where nothing does."""
        asleep_from = self._now() + _AWAKE_S
        while True:
            try:
                piece = self._socket.recv(_CHUNK)
            except BlockingIOError:
                now = self._now()
                if now < min(asleep_from, deadline):
                    continue
                if now >= deadline or not select.select([self._socket], [], [], deadline - now)[0]:
                    raise Silence(so_far) from None
                continue
            except OSError as error:
                raise Closed(error.strerror or "") from None
            if not piece:
                raise Closed("in the middle of an answer" if so_far else "")
            return piece

    def fence(self, data: bytes, is_echo: Callable[[bytes], bool], deadline: float) -> None:
        """Send a question whose answer can't be mistaken; what comes before it is thrown away."""
        self._send(data, deadline)
        received, lines = b"", 0
        while lines <= MOST_LATE_LINES and len(received) <= LONGEST_LINE:
            received += self._piece(received, deadline)
            *whole, received = received.split(b"\n")
            lines += len(whole)
            for number, line in enumerate(whole):
                if is_echo(line):
                    if rest := b"\n".join([*whole[number + 1 :], received]):
                        raise Babble(rest)
                    return
        raise Babble(received)

    def renew(self, deadline: float) -> None:
        """Close the connection and open another, so that nothing late can come through it."""
        self.close()
        self._socket = self._connected(deadline)

    def close(self) -> None:
        """Close the connection."""
        self._socket.close()
