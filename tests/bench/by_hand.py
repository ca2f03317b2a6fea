"""The loop that a person would write by hand: query, parse, compare, a committed row each.

python tests/bench/by_hand.py PORT COUNT DATABASE
"""

from __future__ import annotations

import sqlite3
import sys
import time

import pyvisa


def main(port: int, count: int, path: str) -> None:
    """Take the readings and print the seconds that they took."""
    manager = pyvisa.ResourceManager("@py")
    instrument = manager.open_resource(
        f"TCPIP::127.0.0.1::{port}::SOCKET", read_termination="\n", write_termination="\n"
    )
    assert isinstance(instrument, pyvisa.resources.MessageBasedResource)
    # Without it every exchange waits 40 ms for an acknowledgement.
    import socket

    session = manager.visalib.sessions[instrument.session]  # type: ignore[attr-defined]
    session.interface.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    store = sqlite3.connect(path, isolation_level=None)
    store.execute("PRAGMA journal_mode=WAL")
    store.execute("PRAGMA synchronous=NORMAL")
    store.execute("CREATE TABLE reading (time REAL, voltage REAL, current REAL)")
    start = time.perf_counter()
    for _ in range(count):
        voltage, current = (float(field) for field in instrument.query("READ?").split(","))
        if not -0.05 <= voltage <= 2.8 or not -4.2 <= current <= 4.2:
            break
        store.execute(
            "INSERT INTO reading VALUES (?, ?, ?)", (time.perf_counter(), voltage, current)
        )
    print(time.perf_counter() - start)
    instrument.close()


if __name__ == "__main__":
    main(int(sys.argv[1]), int(sys.argv[2]), sys.argv[3])
