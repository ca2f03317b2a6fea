"""The thread that keeps the log of a run on a bench short and its readings safe from a power cut.

It has a connection of its own and knows nothing of what is recorded.
"""

from __future__ import annotations

import sqlite3
import threading
from pathlib import Path

CHECKPOINT_S = 0.1
CHECKPOINT_FRAMES = 5000


class Checkpoints:
    """A thread that moves committed readings from the log into the file itself, often.

    It bounds what a power cut can take (SQLite syncs the log at checkpoints only) and how far the
    log grows. A passive checkpoint never keeps the run from writing, but can't start the log anew
    while readings keep coming, so a `restart` follows where the log has grown long. It has no
    patience (timeout 0): one that waited for a reader would hold the write lock meanwhile.
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        self._wake = threading.Event()
        self._over = False
        self.crowded = self._wake.set
        self._thread = threading.Thread(target=self._run, name="checkpoints", daemon=True)
        self._thread.start()

    def close(self) -> None:
        """End the thread and wait for it; its turn in hand is finished first."""
        self._over = True
        self._wake.set()
        self._thread.join()

    def _run(self) -> None:
        connection = sqlite3.connect(self._path, timeout=0, isolation_level=None)
        while not self._over:
            self._wake.wait(CHECKPOINT_S)
            self._wake.clear()
            try:
                row = connection.execute("PRAGMA wal_checkpoint(PASSIVE)").fetchone()
                if row[1] > CHECKPOINT_FRAMES:
                    connection.execute("PRAGMA wal_checkpoint(RESTART)").fetchall()
            except sqlite3.Error:
                # The run's own thread meets whatever is wrong with the file at its next reading,
                # and there somebody can be told; here the next turn tries again.
                continue
        connection.close()
