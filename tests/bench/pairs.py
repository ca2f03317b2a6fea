"""Two commands run in turn, as whole processes, and what the operating system says of each."""

from __future__ import annotations

import os
import statistics
import subprocess
import sys
import time
from collections.abc import Callable, Sequence
from typing import NamedTuple


class Cost(NamedTuple):
    """One finished process: wall time (s), peak memory (bytes), processor time (s)."""

    seconds: float
    peak: int
    busy: float


def whole(command: Sequence[str], cwd: str | None = None) -> Cost:
    """Run a command to its end. Raises RuntimeError where it fails."""
    # A person's Python keeps what it has compiled; where this one is told not to, that one is not.
    own = {k: v for k, v in os.environ.items() if k != "PYTHONDONTWRITEBYTECODE"}
    start = time.perf_counter()
    process = subprocess.Popen(
        command, cwd=cwd, env=own, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE
    )
    _, status, usage = os.wait4(process.pid, 0)
    seconds = time.perf_counter() - start
    assert process.stderr is not None
    said = process.stderr.read().decode()
    process.stderr.close()
    process.returncode = os.waitstatus_to_exitcode(status)
    if process.returncode not in (0, 1):
        raise RuntimeError(f"{command[0]} ended with {process.returncode}: {said[-2000:]}")
    unit = 1 if sys.platform == "darwin" else 1024
    return Cost(seconds, usage.ru_maxrss * unit, usage.ru_utime + usage.ru_stime)


def ratios(
    ours: Callable[[], float], theirs: Callable[[], float], count: int
) -> tuple[list[float], list[float], list[float]]:
    """Costs of both in turn, ours first, and the ratio pair by pair."""
    a, b = [], []
    for _ in range(count):
        a.append(ours())
        b.append(theirs())
    return a, b, [x / y for x, y in zip(a, b, strict=True)]


def row(name: str, beside: str, ours: list[float], theirs: list[float], most: float) -> str:
    """One line: the median ratio with its spread, what it may be, and both times."""
    found = [x / y for x, y in zip(ours, theirs, strict=True)]
    median = statistics.median(found)
    mark = "ok" if median <= most else "OVER"
    return (
        f"{name} / {beside}: {median:.3f} ({min(found):.3f} … {max(found):.3f}), at most {most:g}: "
        f"{mark}; {statistics.median(ours):.4g} s / {statistics.median(theirs):.4g} s"
    )
