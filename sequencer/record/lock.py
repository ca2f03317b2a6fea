"""A lock that a run's process holds as long as it lives, so that a later one can tell a dead run.

The operating system lets go of it however the process ends. It is SQLite's own lock on an empty
file beside the store: that works alike on every system, and isn't deceived by a process number
that was given to somebody else. The module knows nothing of what the run did.
"""

from __future__ import annotations

import sqlite3
from pathlib import Path


class RunLock:
    """The lock of one run of one store."""

    def __init__(self, store: Path, run_id: str) -> None:
        self.path = store.with_name(f"{store.name}-{run_id}.lock")
        self._connection: sqlite3.Connection | None = None

    def acquire(self) -> bool:
        """Take the lock; False where a living process holds it."""
        connection = sqlite3.connect(self.path, timeout=0, isolation_level=None)
        try:
            connection.execute("BEGIN EXCLUSIVE")
        except sqlite3.OperationalError:
            connection.close()
            return False
        self._connection = connection
        return True

    def release(self) -> None:
        """Let go and remove the file; nothing where the lock isn't held."""
        if self._connection is not None:
            self._connection.close()
            self._connection = None
            self.path.unlink(missing_ok=True)
