"""Times a guard trip from outside: the instrument notes when its reading left and when "off" came.

Runs a recipe again and again against a canned instrument in this process that answers a reading
beyond the rating; prints the times (s) as JSON.
"""

from __future__ import annotations

import json
import socket
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path

from instrument import Canned
from rows import BENCH

TRIPS = 100
RECIPE = """recipe "Trips"
channel smu: source, sink, measure, measure open
part bank is capacitor on smu, not pushed:
    voltage -0.05 V to 2.8 V
    current within 4.2 A
steps:
    setup smu: aperture = 0.01 PLC, voltage range = 5 V, current range = 5 A
    source smu voltage 1.234568 V, limit 1 A
    output smu on
    repeat 2000 times:
        measure smu
"""


class Tripping(Canned):
    """Answers the thousandth reading with a voltage beyond the rating."""

    def __init__(self) -> None:
        super().__init__(0.0)
        self.readings = 0
        self.left = 0.0
        self.took: float | None = None

    def answer(self, message: str) -> str:
        """The answers of one message."""
        if self.left and self.took is None and "OUTP" in message.upper():
            self.took = time.perf_counter() - self.left
        said = super().answer(message)
        if message.upper().startswith("READ?"):
            self.readings += 1
            if self.readings == 1000:
                return said.replace("1.234567891234E+00", "2.900000000000E+00")
        return said


def serve(listener: socket.socket, canned: Tripping) -> None:
    """One client after another, until the listener is closed."""
    while True:
        try:
            client, _ = listener.accept()
        except OSError:
            return
        client.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        pending = b""
        with client:
            while chunk := client.recv(4096):
                pending += chunk
                *messages, pending = pending.split(b"\n")
                for message in messages:
                    said = canned.answer(message.decode("ascii"))
                    if said:
                        client.sendall(said.encode("ascii") + b"\n")
                        if canned.readings == 1000 and not canned.left:
                            canned.left = time.perf_counter()


def main() -> None:
    """Trip again and again."""
    times = []
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "trip.recipe").write_text(RECIPE, encoding="utf-8")
        for _ in range(TRIPS):
            canned = Tripping()
            listener = socket.create_server(("127.0.0.1", 0))
            port = listener.getsockname()[1]
            (folder / "trip.bench.toml").write_text(BENCH.format(port=port), encoding="utf-8")
            thread = threading.Thread(target=serve, args=(listener, canned), daemon=True)
            thread.start()
            subprocess.run(
                [
                    sys.executable, "-m", "sequencer", "run", str(folder / "trip.recipe"),
                    "--bench", str(folder / "trip.bench.toml"), "--yes",
                    "--record", str(folder / "trip.sqlite"),
                ],
                stdin=subprocess.DEVNULL,
                capture_output=True,
                check=False,
            )  # fmt: skip
            listener.shutdown(socket.SHUT_RDWR)
            listener.close()
            thread.join(10)
            if canned.took is not None:
                times.append(canned.took)
    print(json.dumps(times))


if __name__ == "__main__":
    main()
