"""Commands in processes of their own, watched through their pipes in bounded time."""

from __future__ import annotations

import os
import queue
import sqlite3
import subprocess
import sys
import threading
from contextlib import closing
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

    def __init__(self, folder: Path, *arguments: str, stdin: int = subprocess.DEVNULL) -> None:
        self.folder = folder
        self.process = subprocess.Popen(
            [sys.executable, "-m", "sequencer", *arguments],
            env=environment(folder),
            stdin=stdin,
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

    def until_record_has(self, text: str) -> None:
        """Wait until a step of the newest run has begun; in bounded time."""
        path = self.folder.parent / "data/fusewire/records.sqlite"
        ask = "SELECT count(*) FROM step WHERE text LIKE ?"
        for _ in range(LONGEST_S * 20):
            if path.is_file():
                with closing(sqlite3.connect(path)) as store:
                    if store.execute(ask, (f"%{text}%",)).fetchone()[0]:
                        return
            threading.Event().wait(0.05)
        raise AssertionError(f"{text!r} never began")

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
