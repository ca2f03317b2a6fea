"""The whole tool from outside: only its command, a bare socket and a bare sqlite3 look at it.

A served bench stands for the instrument; the run is a process that is killed, or that trips.
"""

from __future__ import annotations

import re
import select
import signal
import socket
import sqlite3
import struct
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

pytestmark = pytest.mark.skipif(
    not hasattr(signal, "SIGKILL"), reason="a process can't be killed outright on this system"
)

COMMAND = [sys.executable, "-m", "sequencer"]
ROOT = Path(__file__).parent.parent
TRIES, PAUSE_S = 400, 0.05

BENCH = """title = "Ridge station workshop"
line_frequency = "50 Hz"

[channels.smu]
specification = "demo-source-measure"
resource = "TCPIP::127.0.0.1::{port}::SOCKET"
library = "@py"
dialect = "scpi-1999-source-measure"
identity = "^RIDGE,"
part = "bank"

[parts.bank]
model = "supercapacitor"
capacitance = "10 F"
series_resistance = "10 mohm"
leakage_resistance = "10 kohm"
"""

RECIPE = """recipe "Charge"
channel smu: source, sink, measure, measure open
part bank is capacitor on smu:
    voltage -0.05 V to 2.8 V
    current within 1.2 A
    energy up to {energy}
steps:
    setup smu: aperture = 1 PLC
    source smu voltage 2.5 V, limit 1 A
    output smu on
    every 50 ms for 1 min:
        measure smu into charging
"""


@pytest.fixture
def served(tmp_path: Path) -> Iterator[int]:
    """A served bench in a process of its own; gives the port."""
    bench = tmp_path / "served.bench.toml"
    bench.write_text(BENCH.format(port=1).replace("resource", "# resource"), encoding="utf-8")
    process = subprocess.Popen(
        [*COMMAND, "serve", str(bench)], cwd=ROOT, stdout=subprocess.PIPE, text=True
    )
    assert process.stdout is not None
    try:
        for line in process.stdout:
            found = re.search(r"127\.0\.0\.1::(\d+)", line)
            if found:
                yield int(found[1])
                break
        else:
            pytest.fail("the bench was not served")
    finally:
        process.terminate()
        process.wait(10)
        process.stdout.close()


def start(folder: Path, port: int, energy: str = "1 kJ") -> subprocess.Popen[str]:
    (folder / "charge.recipe").write_text(RECIPE.format(energy=energy), encoding="utf-8")
    (folder / "charge.bench.toml").write_text(BENCH.format(port=port), encoding="utf-8")
    command = [*COMMAND, "run", str(folder / "charge.recipe")]
    command += ["--bench", str(folder / "charge.bench.toml"), "--yes", "--no-view"]
    return subprocess.Popen(
        [*command, "--record", str(folder / "records.sqlite")],
        cwd=ROOT,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        stdin=subprocess.DEVNULL,
        text=True,
    )


def until(happened: Callable[[], bool], what: str) -> None:
    """Look again and again at another process, bounded; nothing here waits for a length of time."""
    for _ in range(TRIES):
        if happened():
            return
        select.select([], [], [], PAUSE_S)
    pytest.fail(f"{what} did not happen")


def ask(port: int, question: str) -> str:
    """One question to the instrument over a bare socket."""
    with socket.create_connection(("127.0.0.1", port), timeout=10) as link:
        link.sendall(question.encode("ascii") + b"\n")
        said = b""
        while not said.endswith(b"\n"):
            said += link.recv(4096)
    return said.decode("ascii").strip()


def live_rows(store: Path) -> list[tuple[float, ...]]:
    """The single readings of a run that goes on or was cut off, by nothing but sqlite3."""
    if not store.exists():
        return []
    connection = sqlite3.connect(f"file:{store}?mode=ro", uri=True)
    try:
        rows = connection.execute("SELECT data FROM live ORDER BY stream, first").fetchall()
    except sqlite3.OperationalError:
        return []
    finally:
        connection.close()
    return [struct.unpack(f"<{len(data) // 8}d", data) for (data,) in rows]


def test_a_killed_run_leaves_the_output_off_and_no_reading_lost(
    tmp_path: Path, served: int
) -> None:
    run = start(tmp_path, served)
    store = tmp_path / "records.sqlite"
    try:
        until(lambda: len(live_rows(store)) >= 30, "thirty readings")
        before = live_rows(store)
        run.kill()
        run.wait(10)
    finally:
        run.kill()
        assert run.stdout is not None
        run.stdout.close()
    until(lambda: any(tmp_path.glob("*.watchdog.json")), "the watchdog's report")
    assert ask(served, "OUTPut:STATe?") == "0"
    after = live_rows(store)
    assert after[: len(before)] == before
    # The instrument measured at most one more reading than was put on record.
    times = [row[0] for row in after]
    assert times == sorted(times)

    told = subprocess.run(
        [*COMMAND, "runs", "--record", str(store)],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=True,
    )
    assert "cut off" in told.stdout
    said = " ".join((told.stdout + told.stderr).split())
    assert re.search(r"smu: off after \d+ ms, proved", said)


def test_a_guard_that_trips_in_mid_charge_leaves_the_output_off(
    tmp_path: Path, served: int
) -> None:
    run = start(tmp_path, served, energy="1 J")
    said, _ = run.communicate(timeout=60)
    assert run.returncode == 3, said
    assert ask(served, "OUTPut:STATe?") == "0"
    assert "bank energy" in said
    # What is left on the terminals is told: 1 J in 10 F is below half a volt.
    assert re.search(r"0\.[0-9]+ V|[0-9.]+ mV", said)
