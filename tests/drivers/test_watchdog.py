"""The watchdog against processes that die and instruments on loopback that it has to find.

Every wait is for something that must happen and ends by itself; nothing depends on how fast.
"""

from __future__ import annotations

import json
import os
import select
import signal
import socket
import subprocess
import sys
import threading
from pathlib import Path

import pytest

from drivers import watchdog_process
from drivers.faults import BenchError
from drivers.watchdog import Watchdog, WatchdogError, read_report, tell

ROOT = Path(__file__).parents[2]
PATIENCE_S = 30.0

pytestmark = pytest.mark.skipif(
    not hasattr(os, "pidfd_open"), reason="waits for processes by their descriptors (Linux)"
)

# A run: starts its watchdog, says its number, does what is asked and then waits to be ended.
RUN = """
import json, os, socket, sys, time
from pathlib import Path
from drivers.watchdog import Watchdog
outputs, report, extra = json.loads(sys.argv[1]), Path(sys.argv[2]), sys.argv[3]
if "holds" in extra:
    held = socket.create_connection(outputs[0]["transport"]["tcp"])
    held.sendall(b"OUTP?\\n")
    held.recv(10)
dog = Watchdog.start(outputs, report, run="2026-03-14-001", within_s=float(sys.argv[4]))
if "forks" in extra and (child := os.fork()) == 0:
    time.sleep(60)
    os._exit(0)
if "beats" in extra:
    dog.beat(3, 0.3)
print(dog.pid, child if "forks" in extra else 0, flush=True)
time.sleep(60)
"""


class Instrument:
    """An output behind a socket of the loopback: `OUTP OFF` and `OUTP?`, one client at a time."""

    def __init__(self, deaf_for: int = 0, silent: bool = False, stale: bytes = b"") -> None:
        self.on = True
        self.lines: list[str] = []
        self._deaf_for = deaf_for
        self._silent = silent
        self._stale = stale
        self._listener = socket.create_server(("127.0.0.1", 0))
        self._listener.settimeout(PATIENCE_S)
        self.port = self._listener.getsockname()[1]
        threading.Thread(target=self._serve, daemon=True).start()

    def _serve(self) -> None:
        while True:
            try:
                client, _ = self._listener.accept()
            except OSError:
                return
            with client, client.makefile("rb") as lines:
                client.settimeout(PATIENCE_S)
                if self._stale:
                    client.sendall(self._stale)
                try:
                    for line in lines:
                        answer = self.take(line)
                        if answer:
                            client.sendall(answer)
                except OSError:
                    pass

    def take(self, line: bytes) -> bytes:
        text = line.decode().strip()
        self.lines.append(text)
        if text == "OUTP OFF":
            self._deaf_for -= 1
            self.on = self._deaf_for >= 0
        return b"%d\n" % self.on if text == "OUTP?" and not self._silent else b""

    def close(self) -> None:
        self._listener.close()


@pytest.fixture
def instrument():
    made = Instrument()
    yield made
    made.close()


def output(transport: dict[str, object], name: str = "smu") -> dict[str, object]:
    return {
        "name": name,
        "transport": transport,
        "off": ["OUTP OFF"],
        "proof": {"query": "OUTP?", "expect": "0"},
    }


def tcp(port: int) -> dict[str, object]:
    return {"tcp": ["127.0.0.1", port]}


def begin(outputs, report: Path, extra: str = "", within_s: float = 20.0):
    """A run in a process of its own, the number of its watchdog, that of its forked child."""
    run = subprocess.Popen(
        [sys.executable, "-c", RUN, json.dumps(outputs), str(report), extra, str(within_s)],
        stdout=subprocess.PIPE,
        text=True,
        cwd=ROOT,
    )
    dog, child = map(int, run.stdout.readline().split())
    return run, dog, child


def await_end(pid: int) -> None:
    """Wait for a process that is nobody's child here."""
    try:
        descriptor = os.pidfd_open(pid)
    except ProcessLookupError:
        return
    try:
        assert select.select([descriptor], [], [], PATIENCE_S)[0], "the watchdog does not end"
    finally:
        os.close(descriptor)


def end(run: subprocess.Popen[str]) -> None:
    run.kill()
    run.stdout.close()
    run.wait(PATIENCE_S)


@pytest.mark.parametrize("extra", ["", "beats", "holds"])
def test_a_run_that_was_killed(instrument, tmp_path, extra):
    report = tmp_path / "reports" / "watchdog.json"
    run, dog, _ = begin([output(tcp(instrument.port))], report, extra)
    end(run)
    await_end(dog)
    assert not instrument.on
    found = read_report(report)
    place = "after the beat of step 3" if extra == "beats" else "before the first step"
    assert found["reason"] == (f"the run's process ended {place} without saying that it was done")
    assert (found["run"], found["pid"]) == ("2026-03-14-001", run.pid)
    assert found["finished"] is True
    (done,) = found["outputs"]
    assert (done["name"], done["tries"], done["answer"], done["error"]) == ("smu", 1, "0", "")
    assert 0 < done["sent_s"] < done["proved_s"]
    assert [path.name for path in report.parent.iterdir()] == ["watchdog.json"]


def test_a_run_that_froze_is_ended_first(instrument, tmp_path):
    # The run holds the instrument's only session, so nothing can be switched before it is gone.
    run, dog, _ = begin([output(tcp(instrument.port))], tmp_path / "report.json", "beats holds")
    os.kill(run.pid, signal.SIGSTOP)
    await_end(dog)
    assert run.wait(PATIENCE_S) == -signal.SIGKILL
    end(run)
    assert not instrument.on
    found = read_report(tmp_path / "report.json")
    assert found["reason"] == "no beat came in time after the beat of step 3"
    assert found["ended_run"] is True
    assert found["outputs"][0]["proved_s"] is not None


def test_a_forked_child_that_lives_on_hides_nothing(instrument, tmp_path):
    run, dog, child = begin([output(tcp(instrument.port))], tmp_path / "report.json", "forks")
    try:
        end(run)
        await_end(dog)
        assert not instrument.on
    finally:
        os.kill(child, signal.SIGKILL)


def test_an_instrument_that_understood_nothing_at_first(tmp_path):
    instrument = Instrument(deaf_for=2)
    run, dog, _ = begin([output(tcp(instrument.port))], tmp_path / "report.json")
    end(run)
    await_end(dog)
    instrument.close()
    assert not instrument.on
    (done,) = read_report(tmp_path / "report.json")["outputs"]
    assert (done["tries"], done["answer"], done["error"]) == (3, "0", "")


def test_an_answer_to_an_earlier_question_proves_nothing(tmp_path):
    instrument = Instrument(deaf_for=1, stale=b"0\n")
    run, dog, _ = begin([output(tcp(instrument.port))], tmp_path / "report.json")
    end(run)
    await_end(dog)
    instrument.close()
    assert not instrument.on
    assert read_report(tmp_path / "report.json")["outputs"][0]["tries"] == 2


def test_dead_and_silent_instruments_hold_up_nobody(instrument, tmp_path):
    silent = Instrument(silent=True)
    with socket.socket() as dead:
        # Bound but not listening: the system refuses connections, and nobody else takes the port.
        dead.bind(("127.0.0.1", 0))
        outputs = [
            output(tcp(dead.getsockname()[1]), "dead"),
            output(tcp(silent.port), "silent"),
            output(tcp(instrument.port), "good"),
        ]
        run, dog, _ = begin(outputs, tmp_path / "report.json", within_s=0.2)
        end(run)
        await_end(dog)
    silent.close()
    assert not instrument.on
    found = read_report(tmp_path / "report.json")
    dead_one, silent_one, good = found["outputs"]
    assert dead_one["sent_s"] is None
    assert "ConnectionRefusedError" in dead_one["error"]
    assert silent_one["sent_s"] is not None
    assert silent_one["proved_s"] is None
    assert "TimeoutError" in silent_one["error"]
    assert good["proved_s"] is not None
    told = tell(found)
    assert told[1].startswith("dead: was not reached in ")
    assert told[2].startswith("silent: was told to switch off, not proved in 1 tries")
    assert told[3].startswith("good: off after ")
    assert told[4] == (
        "The state of the output of dead, silent is unknown: use the instrument's own output key, "
        "then its mains switch; don't pull live leads; keep off until it is measured dead."
    )


def test_two_outputs_at_one_address_are_switched_in_one_another_s_absence(instrument, tmp_path):
    outputs = [output(tcp(instrument.port), name) for name in ("smu_1", "smu_2")]
    run, dog, _ = begin(outputs, tmp_path / "report.json")
    end(run)
    await_end(dog)
    assert instrument.lines == ["OUTP OFF", "OUTP?"] * 2
    assert [o["tries"] for o in read_report(tmp_path / "report.json")["outputs"]] == [1, 1]


def test_over_a_serial_line(tmp_path):
    import pty
    import tty

    master, slave = pty.openpty()
    tty.setraw(slave)
    instrument = Instrument()

    def serve() -> None:
        received, answered = b"", False
        while not answered and select.select([master], [], [], PATIENCE_S)[0]:
            received += os.read(master, 100)
            while b"\n" in received:
                line, _, received = received.partition(b"\n")
                answer = instrument.take(line)
                os.write(master, answer)
                answered = bool(answer) and not instrument.on

    server = threading.Thread(target=serve, daemon=True)
    server.start()
    # An answer that the run did not fetch is on the line, and so is half a line of its own.
    os.write(master, b"0\n")
    os.write(slave, b"VOLT 1")
    path = os.ttyname(slave)
    run, dog, _ = begin([output({"serial": path, "baud": 115200})], tmp_path / "report.json")
    end(run)
    await_end(dog)
    server.join(PATIENCE_S)
    instrument.close()
    os.close(master)
    os.close(slave)
    assert instrument.lines == ["VOLT 1OUTP OFF", "OUTP?", "OUTP OFF", "OUTP?"]
    assert not instrument.on
    (done,) = read_report(tmp_path / "report.json")["outputs"]
    assert (done["tries"], done["answer"], done["error"]) == (2, "0", "")


def test_through_pyvisa(instrument, tmp_path):
    resource = f"TCPIP::127.0.0.1::{instrument.port}::SOCKET"
    run, dog, _ = begin(
        [output({"visa": resource, "library": "@py"})], tmp_path / "report.json", "beats"
    )
    end(run)
    await_end(dog)
    assert not instrument.on
    (done,) = read_report(tmp_path / "report.json")["outputs"]
    assert (done["answer"], done["error"]) == ("0", "")


def test_what_cannot_be_prepared_is_refused_at_the_start(tmp_path):
    with pytest.raises(WatchdogError) as caught:
        Watchdog.start(
            [output({"visa": "GPIB::1::INSTR", "library": "@nowhere"})], tmp_path / "report.json"
        )
    assert caught.value.message.startswith("the watchdog can't do its work: it said refused ")
    assert not (tmp_path / "report.json").exists()


def test_a_rehearsal_then_a_quiet_end(instrument, tmp_path):
    dog = Watchdog.start([output(tcp(instrument.port))], tmp_path / "report.json")
    assert dog.reaction_s is None
    assert dog.rehearse() == dog.reaction_s
    assert dog.reaction_s > 0
    dog.beat(0, 30.0)
    dog.beat(1, 40.0)
    with pytest.raises(ValueError, match="before the first beat"):
        dog.rehearse()
    dog.close()
    dog.close()
    await_end(dog.pid)
    assert instrument.on
    assert instrument.lines == []
    assert read_report(tmp_path / "report.json") is None


def test_it_stands_apart_from_the_run(instrument, tmp_path):
    with open(os.devnull) as inheritable:
        os.set_inheritable(inheritable.fileno(), True)
        dog = Watchdog.start([output(tcp(instrument.port))], tmp_path / "report.json")
        try:
            assert sorted(os.listdir(f"/proc/{dog.pid}/fd")) == ["0", "1", "2"]
            assert os.getsid(dog.pid) == os.getpgid(dog.pid) == dog.pid
            for name in ("SIGINT", "SIGTERM", "SIGHUP"):
                os.kill(dog.pid, getattr(signal, name))
            assert dog.rehearse() > 0
        finally:
            dog.close()


def test_it_loads_the_standard_library_alone():
    code = (
        "import sys; sys.argv = ['x']; before = set(sys.modules)\n"
        f"import runpy; runpy.run_path({watchdog_process.__file__!r}, run_name='looked at')\n"
        "new = {name.partition('.')[0] for name in set(sys.modules) - before}\n"
        "print(sorted(new - set(sys.stdlib_module_names)))"
    )
    done = subprocess.run(
        [sys.executable, "-I", "-S", "-c", code], capture_output=True, text=True, check=True
    )
    assert done.stdout.strip() == "[]"


def test_a_watchdog_that_died_is_noticed(instrument, tmp_path):
    dog = Watchdog.start([output(tcp(instrument.port))], tmp_path / "report.json")
    dog.beat(0, 30.0)
    os.kill(dog.pid, signal.SIGKILL)
    await_end(dog.pid)
    with pytest.raises(WatchdogError, match="the watchdog is gone") as caught:
        dog.beat(1, 60.0)
    assert caught.value.advice == (
        "this run goes on unwatched: switch the outputs off and start again"
    )
    dog.close()
    assert instrument.on


def test_a_watchdog_that_was_stopped_never_holds_up_the_run(instrument, tmp_path):
    dog = Watchdog.start([output(tcp(instrument.port))], tmp_path / "report.json")
    os.kill(dog.pid, signal.SIGSTOP)

    def beat_on() -> None:
        for step in range(100_000):
            dog.beat(step, 30.0 if step % 2 else 60.0)

    with pytest.raises(WatchdogError, match="doesn't take its beats any more"):
        beat_on()
    dog._kill()


@pytest.mark.parametrize(
    ("off", "query"), [([], "OUTP?"), (["OUTP OFF\nOUTP ON"], "OUTP?"), (["OUTP ö"], "OUTP?")]
)
def test_lines_that_are_no_lines_are_refused(tmp_path, off, query):
    wrong = {**output(tcp(1)), "off": off, "proof": {"query": query, "expect": "0"}}
    with pytest.raises(ValueError, match="smu: lines that switch off are of printable ASCII"):
        Watchdog.start([wrong], tmp_path / "report.json")  # type: ignore[list-item]


def test_a_report_that_cannot_be_read(tmp_path):
    (tmp_path / "report.json").write_text('{"when": 1}')
    with pytest.raises(BenchError, match="can't be read") as caught:
        read_report(tmp_path / "report.json")
    assert caught.value.advice == (
        "it had acted: look at the instruments before anything else, then remove the file"
    )
