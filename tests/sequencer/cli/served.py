"""Commands in processes of their own, watched through their pipes in bounded time."""

from __future__ import annotations

import os
import queue
import subprocess
import sys
import threading
from pathlib import Path

ROOT = Path(__file__).parents[3]
LONGEST_S = 60  # a process that hangs is ended then, and the test fails


def environment(folder: Path) -> dict[str, str]:
    """The environment of a command: the sources, and a store of its own."""
    return {
        **os.environ,
        "PYTHONPATH": os.pathsep.join(filter(None, [str(ROOT), os.environ.get("PYTHONPATH", "")])),
        "XDG_DATA_HOME": str(folder.parent / "data"),
        "PYTHONUNBUFFERED": "1",
    }


class Watched:
    """A command in a process of its own; what it says is waited for, each line in bounded time."""

    def __init__(self, folder: Path, *arguments: str) -> None:
        self.process = subprocess.Popen(
            [sys.executable, "-m", "sequencer", *arguments],
            env=environment(folder),
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            encoding="utf-8",
        )
        self._lines: queue.SimpleQueue[str] = queue.SimpleQueue()
        self._reader = threading.Thread(target=self._read, daemon=True)
        self._reader.start()

    def _read(self) -> None:
        assert self.process.stdout is not None
        for line in self.process.stdout:
            self._lines.put(line)
        self._lines.put("")

    def until(self, mark: str) -> str:
        """What it says up to the first line that holds the mark."""
        seen = ""
        while line := self._lines.get(timeout=LONGEST_S):
            seen += line
            if mark in line:
                return seen
        raise AssertionError(f"{mark!r} never came; what came is {seen!r}")

    def end(self) -> tuple[int, str]:
        """Its exit code, and what else it said."""
        code = self.process.wait(LONGEST_S)
        seen = ""
        while line := self._lines.get(timeout=LONGEST_S):
            seen += line
        return code, seen

    def close(self) -> None:
        """End it, if it hasn't ended."""
        self.process.kill()
        self.process.wait()
        self._reader.join(LONGEST_S)
        assert self.process.stdout is not None
        self.process.stdout.close()
