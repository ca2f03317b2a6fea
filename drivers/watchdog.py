"""The run's side of the watchdog: start it, rehearse it, give it the beat, dismiss it.

The watchdog is a process of its own that switches off when this one dies or falls silent; what it
does then is written in `drivers.watchdog_process`. This module knows addresses and lines of text,
no recipe and no channel. It is used by one thread, that of the run's loop.

On POSIX systems it is complete. Elsewhere TCP addresses and those of pyvisa work, serial ones
don't, and a watchdog that has stopped reading could hold up the run where pipes can't be written
without waiting (Python before 3.12).
"""

from __future__ import annotations

import json
import math
import os
import subprocess
import sys
import threading
import weakref
from collections.abc import Mapping, Sequence
from contextlib import suppress
from pathlib import Path
from queue import Empty, SimpleQueue
from typing import IO, Any, TypedDict

from drivers import watchdog_process
from drivers.faults import BenchError
from drivers.watchdog_process import now

if sys.platform == "linux":
    import fcntl

REST_S = 0.05  # between two beats that say the same
START_S = 10.0  # for loading pyvisa on a slow computer
MISSED_S = 2.0  # for the watchdog to notice a missed beat in a rehearsal
PIPE_BYTES = 4096  # about a hundred beats; a watchdog that has stopped is noticed when it is full


class WatchdogError(BenchError):
    """The watchdog can't be started, does not see a missed beat, or is gone."""


class Transport(TypedDict, total=False):
    """An address: one of `tcp` (host, port), `serial` (path; `baud`), `visa` (name; `library`)."""

    tcp: tuple[str, int]
    serial: str
    baud: int
    visa: str
    library: str


class Proof(TypedDict):
    """A question, and the answer that proves an output off; numbers are compared as numbers."""

    query: str
    expect: str


class SwitchOff(TypedDict):
    """How one output is switched off: the lines, which may be sent more than once, and the proof.

    The lines are ASCII without line ends.
    """

    name: str
    transport: Transport
    off: Sequence[str]
    proof: Proof


class Plan(TypedDict):
    """What the watchdog is given: `pid` is the run's process, `report` where it writes."""

    run: str
    pid: int
    report: str
    within_s: float
    outputs: Sequence[SwitchOff]
    python_path: Sequence[str]


class Watchdog:
    """A started watchdog. Methods raise WatchdogError where it is gone or does not answer."""

    def __init__(self, process: subprocess.Popen[bytes]) -> None:
        if process.stdin is None or process.stdout is None:
            raise ValueError("a watchdog is held by its two pipes")
        self.pid = process.pid
        self.reaction_s: float | None = None
        self._process = process
        self._beats = process.stdin
        self._said = process.stdout
        self._step = 0
        self._promised = 0.0
        self._answers: SimpleQueue[bytes | None] = SimpleQueue()
        threading.Thread(target=self._listen, name="watchdog", daemon=True).start()

    @classmethod
    def start(
        cls, outputs: Sequence[SwitchOff], report: Path, run: str = "", within_s: float = 10.0
    ) -> Watchdog:
        """Start the watchdog of this process and wait until it is ready.

        `report` is where it writes what it did, for the next start to find; `run` is named there.
        `within_s` bounds its tries at instruments that don't answer.
        """
        _refuse_what_is_no_plan(outputs)
        try:
            report.parent.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise WatchdogError(
                f"the watchdog has no place for its report: {report.parent}: {error.strerror}",
                "make that folder, or put the record elsewhere",
            ) from error
        plan: Plan = {
            "run": run,
            "pid": os.getpid(),
            "report": str(report.absolute()),
            "within_s": within_s,
            "outputs": outputs,
            "python_path": [entry for entry in sys.path if entry],
        }
        # In a session of its own no Ctrl-C and no closed terminal reaches it. It inherits nothing
        # but its two pipes, and -I -S keep everything out that a user's environment might load.
        process = subprocess.Popen(  # noqa: S603, nothing in the command comes from outside
            [sys.executable, "-I", "-S", watchdog_process.__file__],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            start_new_session=True,
            close_fds=True,
            bufsize=0,
        )
        dog = cls(process)
        try:
            before = now()
            rest = memoryview(json.dumps(plan).encode("ascii") + b"\n")
            while rest:
                rest = rest[dog._beats.write(rest) :]
            if not before <= float(dog._answer("ready", START_S)) <= now():
                raise WatchdogError(
                    "the watchdog's clock isn't the one of this process",
                    "this system can't be watched in this way: rely on the instrument's own "
                    "protection",
                )
            _never_wait_for(dog._beats.fileno())
        except BaseException:
            dog._kill()
            raise
        if hasattr(os, "register_at_fork"):
            # A forked child that kept the pipe open would hide this process's death.
            held = weakref.ref(dog._beats)
            os.register_at_fork(after_in_child=lambda: _close_if_there(held()))
        return dog

    def rehearse(self, seconds: float = 0.02) -> float:
        """Let a beat be missed on purpose; returns, and keeps as `reaction_s`, how long after.

        That is from the moment a beat was due to the watchdog's word that it was missed (s); a real
        act adds the link and the switching. Nothing is switched. Only before the first beat.
        """
        if self._promised:
            raise ValueError("a rehearsal is for the time before the first beat")
        sent = now()
        self._send(f"rehearse {sent!r} {sent + seconds!r}\n")
        self._answer("missed", seconds + MISSED_S)
        self.reaction_s = now() - sent - seconds
        return self.reaction_s

    def beat(self, step: int, seconds: float) -> None:
        """The run is at a step and will call again within `seconds`.

        Steps are counted as they are executed and never go back. As long as calls say about the
        same, one is passed on every REST_S only; the watchdog is given that much more time, so it
        acts at the latest `seconds` + REST_S after the last call.
        """
        moment = now()
        # Both bounds matter: what was promised must be enough, and not much more than asked for.
        if 0.0 <= self._promised - moment - seconds <= REST_S and step >= self._step:
            return
        if not (0.0 < seconds < math.inf and step >= self._step):
            raise ValueError(f"a beat of step {step} after {self._step}, next in {seconds} s")
        self._step = step
        self._promised = moment + seconds + REST_S
        self._send(f"beat {step} {moment!r} {self._promised!r}\n")

    def close(self) -> None:
        """The run is over and its outputs are off: dismiss the watchdog and wait for its end.

        Without this the end of the process makes it act. It does nothing where it is gone.
        """
        with suppress(OSError, ValueError):
            self._beats.write(b"bye\n")
            self._beats.close()
        with suppress(subprocess.TimeoutExpired):
            self._process.wait(MISSED_S)
        self._kill()

    def _send(self, line: str) -> None:
        """Pass a line on without ever waiting for the watchdog."""
        data = line.encode("ascii")
        try:
            written = self._beats.write(data)
        except (OSError, ValueError) as error:
            raise WatchdogError("the watchdog is gone", _GONE) from error
        if written != len(data):
            raise WatchdogError("the watchdog doesn't take its beats any more", _GONE)

    def _answer(self, word: str, timeout_s: float) -> str:
        try:
            line = self._answers.get(timeout=timeout_s)
        except Empty:
            raise WatchdogError(
                f"the watchdog did not say “{word}” within {timeout_s:g} s",
                "no output was switched on for want of it: try again, or see what keeps this "
                "computer busy",
            ) from None
        said, _, rest = (line or b"nothing and ended").decode("ascii", "replace").partition(" ")
        if said != word:
            raise WatchdogError(
                f"the watchdog can't do its work: it said {said} {rest.strip()}",
                "see the addresses in the bench file; no output was switched on for want of it",
            )
        return rest

    def _listen(self) -> None:
        with suppress(OSError, ValueError):
            for line in self._said:
                self._answers.put(line)
        self._answers.put(None)

    def _kill(self) -> None:
        self._process.kill()
        self._process.wait()
        for pipe in (self._beats, self._said):
            with suppress(OSError):
                pipe.close()


def read_report(path: Path) -> dict[str, Any] | None:
    """What a watchdog did in an earlier run, None where it did nothing; the form is `act`'s.

    Raises BenchError where the file is there but is no report.
    """
    try:
        report = json.loads(path.read_text(encoding="utf-8"))
        tell(report)
    except FileNotFoundError:
        return None
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise BenchError(
            f"the watchdog's report {path} can't be read: {error}",
            "it had acted: look at the instruments before anything else, then remove the file",
        ) from error
    return dict(report)


def tell(report: Mapping[str, Any]) -> list[str]:
    """A report in words for the person, an output a line."""
    lines = [f"The watchdog acted on {report['when']}: {report['reason']}."]
    unknown = []
    for output in report["outputs"]:
        if output["proved_s"] is not None:
            lines.append(f"{output['name']}: off after {1000 * output['proved_s']:.0f} ms, proved")
            continue
        unknown.append(output["name"])
        sent = "was told to switch off, not proved" if output["sent_s"] else "was not reached"
        lines.append(f"{output['name']}: {sent} in {output['tries']} tries ({output['error']})")
    if unknown:
        lines.append(
            f"The state of the output of {', '.join(unknown)} is unknown: use the instrument's own "
            "output key, then its mains switch; don't pull live leads; keep off until it is "
            "measured dead."
        )
    return lines


_GONE = "this run goes on unwatched: switch the outputs off and start again"


def _refuse_what_is_no_plan(outputs: Sequence[SwitchOff]) -> None:
    if not outputs:
        raise ValueError("a watchdog without outputs has nothing to do")
    for output in outputs:
        lines = (*output["off"], output["proof"]["query"])
        if not output["off"] or not all(line.isascii() and line.isprintable() for line in lines):
            raise ValueError(f"{output['name']}: lines that switch off are of printable ASCII")


def _never_wait_for(fd: int) -> None:
    """Make writing to the pipe fail where it would wait, and that soon: a full one is an alarm."""
    if os.name == "posix":
        os.set_blocking(fd, False)
    if sys.platform == "linux":
        with suppress(OSError):
            fcntl.fcntl(fd, fcntl.F_SETPIPE_SZ, PIPE_BYTES)


def _close_if_there(pipe: IO[bytes] | None) -> None:
    if pipe is not None:
        pipe.close()
