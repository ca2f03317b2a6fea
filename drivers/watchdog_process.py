"""The process that switches a bench off when the run's process dies or its beat stops.

Started by this file's path, with the standard library alone, so that it is up in some 25 ms and has
nothing in it that could fail for reasons of the run. It holds addresses and the few lines that
switch off; it knows no recipe, no channel and no instrument's language. pyvisa is loaded only where
an address is neither a TCP socket nor a serial line, and then before the process says that it is
ready. It keeps a clock of its own, since it has to be right about time when the run isn't.

On its standard input comes a line of JSON, the plan (its form is that of `drivers.watchdog.Plan`),
then lines, with times as `now` tells them:

    rehearse SENT DEADLINE      say when no line has come by the deadline, and do nothing else
    beat STEP SENT DEADLINE     the run is at this step; the next beat comes by the deadline
    bye                         the run is over and its outputs are off

On its standard output it says `ready NOW`, and `missed LATENESS` in a rehearsal. It acts when a
beat is late, goes back a step or can't be read, and when its input ends without `bye`.
"""

from __future__ import annotations

import json
import math
import os
import select
import signal
import socket
import sys
import threading
import time
from contextlib import suppress
from datetime import datetime
from queue import Empty, SimpleQueue
from typing import Any

LOOK_S = 0.25  # at the clock at least so often: a computer that slept is noticed after waking
TRY_S = 1.0  # for each of connecting, writing and reading
QUIET_S = 0.02  # without a byte, after which an earlier question's answer isn't to be feared
FIRST_PAUSE_S, LONGEST_PAUSE_S = 0.02, 0.5  # between two tries at one address
DEATH_S = 0.2  # to wait for the killed run to be gone
LONGEST_ANSWER = 4096  # bytes
_BOOT_TIME = getattr(time, "CLOCK_BOOTTIME", None)


def now() -> float:
    """Seconds on a clock that both processes share; where there is one, it counts sleep as well."""
    return time.monotonic() if _BOOT_TIME is None else time.clock_gettime(_BOOT_TIME)


def watch(lines: SimpleQueue[bytes | None]) -> str | None:
    """Follow the beat until there is a reason to act, which is returned; None after `bye`."""
    step, deadline, rehearsal = -1, math.inf, False
    while True:
        try:
            line = lines.get(timeout=min(LOOK_S, max(0.0, deadline - now())))
        except Empty:
            late_s = now() - deadline
            if late_s < 0:
                continue
            if not rehearsal:
                return f"no beat came in time {_place(step)}"
            _say(f"missed {late_s!r}")
            deadline, rehearsal = math.inf, False
            continue
        if line is None:
            return f"the run's process ended {_place(step)} without saying that it was done"
        words = line.split()
        if words == [b"bye"]:
            return None
        try:
            numbers = [float(word) for word in words[1:]]
            if words[0] == b"rehearse" and math.isinf(deadline):
                (_, deadline), rehearsal = numbers, True
                continue
            if words[0] != b"beat" or not all(map(math.isfinite, numbers)):
                raise ValueError
            following, sent, by = numbers
        except (ValueError, IndexError):
            return f"a line that is no beat came {_place(step)}: {line[:40]!r}"
        # A computer that slept wakes both processes; what counts is when the beat was due.
        if sent > deadline:
            return f"a beat came {sent - deadline:.3g} s late {_place(step)}"
        if following < step:
            return f"the beat went back from step {step} to {following:.0f}"
        step, deadline, rehearsal = int(following), by, False


def _place(step: int) -> str:
    return "before the first step" if step < 0 else f"after the beat of step {step}"


def act(plan: dict[str, Any], reason: str) -> None:
    """End the run's process, switch every output off, prove it, and write down what was done."""
    began = now()
    outputs = [
        {"name": o["name"], "tries": 0, "sent_s": None, "proved_s": None, "answer": "", "error": ""}
        for o in plan["outputs"]
    ]
    report = {
        "run": plan["run"],
        "reason": reason,
        "when": datetime.now().astimezone().isoformat(timespec="milliseconds"),
        "pid": plan["pid"],
        "ended_run": _end_run(plan["pid"]),
        "outputs": outputs,
        "finished": False,
    }
    groups: dict[str, list[tuple[dict[str, Any], dict[str, Any]]]] = {}
    for output, done in zip(plan["outputs"], outputs, strict=True):
        groups.setdefault(_address(output["transport"]), []).append((output, done))
    until = began + plan["within_s"]
    threads = [
        threading.Thread(target=_switch_off, args=(group, began, until), daemon=True)
        for group in groups.values()
    ]
    for thread in threads:
        thread.start()
    # A first report while the instruments are at work: this process may be ended too.
    _write(plan["report"], report)
    for thread in threads:
        thread.join(max(0.0, until + 3 * TRY_S - now()))
    report["finished"] = True
    _write(plan["report"], report)


def _end_run(pid: int) -> bool:
    """Kill the run's process, so that it can't switch on again and lets go of its instruments.

    It is this process's parent as long as it lives; when it isn't any more, its number may be
    somebody else's.
    """
    if os.getppid() != pid:
        return False
    with suppress(OSError):
        os.kill(pid, getattr(signal, "SIGKILL", signal.SIGTERM))
    until = now() + DEATH_S
    while os.getppid() == pid and now() < until:
        time.sleep(0.001)
    return True


def _switch_off(
    group: list[tuple[dict[str, Any], dict[str, Any]]], began: float, until: float
) -> None:
    """Try the outputs at one address in turn until each is proved off, or the time is over."""
    pause_s = FIRST_PAUSE_S
    while group and now() < until:
        for output, done in list(group):
            done["tries"] += 1
            try:
                with _open(output["transport"]) as link:
                    for line in output["off"]:
                        link.write(line)
                    done["sent_s"] = done["sent_s"] or now() - began
                    link.settle()
                    link.write(output["proof"]["query"])
                    done["answer"] = link.read()
                if not _same(done["answer"], output["proof"]["expect"]):
                    # On a serial line ours may have been joined to half a line of the run's, so
                    # that neither was understood: the next try has a line of its own.
                    raise OSError(f"answered {done['answer']!r}")
                done["proved_s"], done["error"] = now() - began, ""
                group.remove((output, done))
            except Exception as error:  # whatever a link may raise, the next try goes on
                done["error"] = f"{type(error).__name__}: {error}"
        if group:
            time.sleep(pause_s)
            pause_s = min(2 * pause_s, LONGEST_PAUSE_S)


def _same(answer: str, expected: str) -> bool:
    if answer == expected:
        return True
    try:
        return float(answer) == float(expected)
    except ValueError:
        return False


# ---- links -----------------------------------------------------------------------------------


class Link:
    """A line of text at a time to an instrument, each piece within TRY_S. Raises OSError."""

    def __enter__(self) -> Link:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def write(self, line: str) -> None:
        """Send a line."""
        self._send(line.encode("ascii") + b"\n", now() + TRY_S)

    def read(self) -> str:
        """The next line, without its end and blanks."""
        until, received = now() + TRY_S, b""
        while b"\n" not in received:
            if len(received) > LONGEST_ANSWER:
                raise OSError("the answer does not end")
            received += self._receive(until)
        return received.split(b"\n")[0].decode("ascii", "replace").strip()

    def settle(self) -> None:
        """Read away what still comes in answer to questions of the run that was ended."""
        until = now() + TRY_S
        with suppress(TimeoutError):
            while now() < until:
                self._receive(now() + QUIET_S)

    def close(self) -> None:
        """Let go of it."""

    def _send(self, data: bytes, until: float) -> None:
        raise NotImplementedError

    def _receive(self, until: float) -> bytes:
        """At least one byte; TimeoutError where none comes until then."""
        raise NotImplementedError


class TcpLink(Link):
    """A raw socket."""

    def __init__(self, host: str, port: int) -> None:
        self._socket = socket.create_connection((host, port), TRY_S)
        self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)

    def close(self) -> None:
        """Let go of it."""
        self._socket.close()

    def _send(self, data: bytes, until: float) -> None:
        self._socket.settimeout(max(0.001, until - now()))
        self._socket.sendall(data)

    def _receive(self, until: float) -> bytes:
        self._socket.settimeout(max(0.001, until - now()))
        data = self._socket.recv(LONGEST_ANSWER)
        if not data:
            raise ConnectionError("the instrument closed the link")
        return data


class SerialLink(Link):
    """A serial line, 8 data bits, no parity, 1 stop bit; on POSIX systems."""

    def __init__(self, path: str, baud: int) -> None:
        import termios

        self._fd = os.open(path, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
        try:
            speed = getattr(termios, f"B{baud}")
            attributes = termios.tcgetattr(self._fd)
            control = termios.CS8 | termios.CREAD | termios.CLOCAL
            characters = attributes[6]
            termios.tcsetattr(
                self._fd, termios.TCSANOW, [0, 0, control, 0, speed, speed, characters]
            )
            termios.tcflush(self._fd, termios.TCIFLUSH)
        except BaseException:
            os.close(self._fd)
            raise

    def close(self) -> None:
        """Let go of it."""
        os.close(self._fd)

    def _send(self, data: bytes, until: float) -> None:
        while data:
            if not select.select([], [self._fd], [], max(0.0, until - now()))[1]:
                raise TimeoutError("the line takes nothing")
            data = data[os.write(self._fd, data) :]

    def _receive(self, until: float) -> bytes:
        if not select.select([self._fd], [], [], max(0.0, until - now()))[0]:
            raise TimeoutError("no answer came")
        data = os.read(self._fd, LONGEST_ANSWER)
        if not data:
            raise ConnectionError("the line was hung up")
        return data


class VisaLink(Link):
    """Any other address, through pyvisa."""

    def __init__(self, resource: str, library: str) -> None:
        import pyvisa
        from pyvisa.resources import MessageBasedResource

        opened = pyvisa.ResourceManager(library).open_resource(resource, open_timeout=1000)
        if not isinstance(opened, MessageBasedResource):
            opened.close()
            raise OSError(f"{resource} takes no lines of text")
        self._resource = opened
        self._resource.timeout = 1000 * TRY_S
        self._resource.read_termination = self._resource.write_termination = "\n"

    def write(self, line: str) -> None:
        """Send a line."""
        self._resource.write(line)

    def read(self) -> str:
        """The next line, without its end and blanks."""
        return self._resource.read().strip()

    def settle(self) -> None:
        """Nothing: a resource that was opened anew has no earlier question."""

    def close(self) -> None:
        """Let go of it."""
        self._resource.close()


def _open(transport: dict[str, Any]) -> Link:
    if "tcp" in transport:
        return TcpLink(*transport["tcp"])
    if "serial" in transport:
        return SerialLink(transport["serial"], transport.get("baud", 9600))
    return VisaLink(transport["visa"], transport.get("library", "@py"))


def _address(transport: dict[str, Any]) -> str:
    """What must be used by one thread alone: an address, or the whole of pyvisa."""
    return "visa" if "visa" in transport else json.dumps(transport, sort_keys=True)


def _prepare(plan: dict[str, Any]) -> None:
    """Do beforehand what takes long or may hang: look names up, load pyvisa."""
    for transport in (output["transport"] for output in plan["outputs"]):
        if "tcp" in transport:
            host, port = transport["tcp"]
            found = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)
            transport["tcp"] = found[0][4][:2]
        elif "visa" in transport:
            sys.path += [entry for entry in plan["python_path"] if entry not in sys.path]
            import pyvisa

            pyvisa.ResourceManager(transport.get("library", "@py"))


# ---- the process -----------------------------------------------------------------------------


def _say(line: str) -> None:
    # The run may be gone; then there is nobody to tell, and the report tells the next start.
    with suppress(OSError):
        os.write(1, line.encode() + b"\n")


def _write(path: str, report: dict[str, Any]) -> None:
    """Write the report so that it is there whole or not at all."""
    # Nobody is left to be told of a full disk, and the outputs come first.
    with suppress(OSError):
        with open(path + ".part", "w", encoding="utf-8") as file:
            json.dump(report, file, indent=1)
            file.flush()
            os.fsync(file.fileno())
        os.replace(path + ".part", path)


def _read(lines: SimpleQueue[bytes | None]) -> None:
    for line in sys.stdin.buffer:
        if line.endswith(b"\n"):
            lines.put(line)
    lines.put(None)


def main() -> None:
    """Follow one run and act if need be."""
    # Whoever ends the run by a signal to everybody must not end this process before it.
    for name in ("SIGINT", "SIGTERM", "SIGHUP"):
        if hasattr(signal, name):
            signal.signal(getattr(signal, name), signal.SIG_IGN)
    lines: SimpleQueue[bytes | None] = SimpleQueue()
    threading.Thread(target=_read, args=(lines,), daemon=True).start()
    plan = json.loads(lines.get() or b"null")
    if plan is None:
        return
    try:
        _prepare(plan)
    except Exception as error:
        _say(f"refused {type(error).__name__}: {error}")
        return
    _say(f"ready {now()!r}")
    reason = watch(lines)
    if reason is not None:
        act(plan, reason)
    # Threads may still wait for an instrument that hangs; nothing is left to be done.
    os._exit(0)


if __name__ == "__main__":
    main()
