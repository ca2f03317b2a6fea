"""A canned instrument on a loopback socket: remembers what it is told and answers at once.

    python tests/bench/instrument.py DELAY_S SECONDS

It stands for the instrument in both loops that are compared, so that its own time is theirs too. It
prints its port, serves one client after another, and ends by itself after SECONDS.
"""

from __future__ import annotations

import socket
import sys
import time

DEFAULTS = {
    "*IDN": "RIDGE,CANNED,1,1",
    "*OPC": "1",
    "SOURCE:FUNCTION:MODE": "VOLT",
    "OUTPUT:STATE": "0",
}
ANSWERS = {
    "READ": "1.234567891234E+00,5.678901234567E-01",
    "STATUS:QUESTIONABLE:CONDITION": "0",
    "SYSTEM:ERROR": '0,"No error"',
}


class Canned:
    """Values by header, as written; a query answers the last one."""

    def __init__(self, delay_s: float) -> None:
        self.delay_s = delay_s
        self.values = dict(DEFAULTS)

    def answer(self, message: str) -> str:
        """The answers of one message, joined by semicolons."""
        answers = []
        for unit in message.split(";"):
            header, _, value = unit.strip().lstrip(":").partition(" ")
            header = header.upper()
            if not header.endswith("?"):
                if header == "*RST":
                    self.values = dict(DEFAULTS)
                self.values[header] = value
                continue
            name = header[:-1]
            if name == "READ":
                until = time.perf_counter() + self.delay_s
                while time.perf_counter() < until:
                    pass
            answer = ANSWERS.get(name) or self.values.get(name, "0")
            if name == "READ" and self.values["OUTPUT:STATE"] not in ("1", "ON"):
                answer = "0.0,0.0"  # what flows with the output off is seen, and no run ends well
            answers.append(answer)
        return ";".join(answers)


def main(delay_s: float, seconds: float) -> None:
    """Serve until the time is over."""
    canned = Canned(delay_s)
    listener = socket.create_server(("127.0.0.1", 0))
    print(listener.getsockname()[1], flush=True)
    end = time.monotonic() + seconds
    listener.settimeout(1.0)
    while time.monotonic() < end:
        try:
            client, _ = listener.accept()
        except TimeoutError:
            continue
        client.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        client.settimeout(max(0.1, end - time.monotonic()))
        pending = b""
        with client:
            while chunk := _receive(client):
                pending += chunk
                *messages, pending = pending.split(b"\n")
                for message in messages:
                    said = canned.answer(message.decode("ascii"))
                    if said:
                        client.sendall(said.encode("ascii") + b"\n")


def _receive(client: socket.socket) -> bytes:
    try:
        return client.recv(4096)
    except OSError:
        return b""


if __name__ == "__main__":
    main(float(sys.argv[1]), float(sys.argv[2]))
