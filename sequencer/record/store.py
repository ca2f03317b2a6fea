"""One store file with many runs: opening it, beginning a run, listing runs, finding cut-off ones.

The module knows where stores lie and who may write; what a run consists of is its writer's and its
reader's matter.
"""

from __future__ import annotations

import difflib
import sqlite3
from collections.abc import Callable
from datetime import datetime
from pathlib import Path

from drivers.clock import wall_time
from sequencer.record.failures import StoreError, telling
from sequencer.record.lock import RunLock
from sequencer.record.reader import Run, count_readings
from sequencer.record.rows import RunInfo, RunRow
from sequencer.record.schema import prepare, verify
from sequencer.record.writer import MERGE_FRAMES, RunWriter, begin_run, settle

PATIENCE_S = 10.0  # for another process that writes to the same store
# A run on a bench is blind while it waits for the store; others hold it for milliseconds.
LIVE_PATIENCE_S = 0.5
NAMED = 5  # of several runs that are meant, the newest


def default_path() -> Path:
    """The store in the user's data folder, where the system keeps such things."""
    from platformdirs import user_data_path

    return user_data_path("fusewire", appauthor=False) / "records.sqlite"


class Store:
    """A store. `open` is for runs, `open_record` for looking; close it, or use it in a `with`."""

    def __init__(
        self,
        path: Path,
        connection: sqlite3.Connection,
        writable: bool,
        wall: Callable[[], datetime] = wall_time,
    ) -> None:
        self.path = path
        self._connection = connection
        self._writable = writable
        self._wall = wall

    @classmethod
    def open(
        cls, path: str | Path | None = None, wall: Callable[[], datetime] = wall_time
    ) -> Store:
        """Open a store to write to, creating file and folder where they are missing.

        None stands for the store in the user's data folder. `wall` gives the date and time that
        runs are labelled with. Raises StoreError.
        """
        place = Path(path) if path is not None else default_path()
        try:
            place.parent.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise StoreError(
                f"the folder {place.parent} can't be made: {error.strerror}",
                "make it, or name another store",
            ) from error
        with telling(place):
            connection = _connect(place, "rwc")
            try:
                prepare(connection, place)
            except BaseException:
                connection.close()
                raise
        return cls(place, connection, True, wall)

    def begin(self, info: RunInfo, live: bool | None = None) -> RunWriter:
        """Put a run on record and return what writes it. Raises StoreError.

        `live` commits each reading before its `append` returns; by default that is so for runs on
        a bench and not for dry runs.
        """
        self._refuse_if_read_only()
        if live is None:
            live = info.mode == "run"
        with telling(self.path):
            connection = _connect(self.path, "rw", LIVE_PATIENCE_S if live else PATIENCE_S)
            connection.execute("PRAGMA synchronous = NORMAL")
            connection.execute(f"PRAGMA wal_autocheckpoint = {0 if live else MERGE_FRAMES}")
        try:
            return begin_run(connection, self.path, info, live, self._wall)
        except BaseException:
            connection.close()
            raise

    def recover(self) -> list[RunRow]:
        """Mark runs whose process is gone as "cut off", merge their readings, and return them.

        A run that had ended but was killed while its readings were being merged is merged too, but
        isn't among them. For the start of the program, so that the person is told.
        """
        self._refuse_if_read_only()
        found = []
        with telling(self.path):
            unsettled = self._connection.execute(
                "SELECT key, id, outcome FROM run WHERE settled = 0 ORDER BY key"
            ).fetchall()
            for key, run_id, outcome in unsettled:
                lock = RunLock(self.path, run_id)
                if not lock.acquire():
                    continue
                if outcome is None:
                    self._connection.execute(
                        "UPDATE run SET outcome = 'cut off', readings = ?, reason = ?"
                        " WHERE key = ? AND outcome IS NULL",
                        (count_readings(self._connection, key), _CUT_OFF, key),
                    )
                    found.append(key)
                settle(self._connection, key)
                lock.release()
        return [row for key in found for row in self._rows(key)]

    def runs(self) -> list[RunRow]:
        """All runs, the oldest first; no reading is touched, however many there are."""
        return self._rows()

    def run(self, run_id: str) -> Run:
        """A run by its id. Raises StoreError that names near ones where there is none."""
        with telling(self.path):
            row = self._connection.execute("SELECT key FROM run WHERE id = ?", (run_id,)).fetchone()
            if row is not None:
                return Run(self._connection, self.path, row[0])
            known = [name for (name,) in self._connection.execute("SELECT id FROM run")]
        near = difflib.get_close_matches(run_id, known, n=3)
        raise StoreError(
            f"there is no run “{run_id}” in {self.path}",
            f"did you mean {' or '.join(near)}?" if near else f"it holds {len(known)} runs",
        )

    def find(self, given: str = "last") -> Run:
        """A run by its id, a unique beginning of one, or "last". Raises StoreError."""
        rows = self.runs()
        if given == "last" and not rows:
            raise StoreError(f"no run is on record yet in {self.path}")
        if given == "last":
            return self.run(rows[-1].id)
        found = [row.id for row in rows if given and row.id.startswith(given)]
        if len(found) > 1 and given not in found:
            named = ("… " if len(found) > NAMED else "") + ", ".join(found[-NAMED:])
            raise StoreError(f"{given} begins {len(found)} runs: {named}", "name one of them whole")
        return self.run(found[0] if len(found) == 1 else given)

    def __repr__(self) -> str:
        return f"Store({str(self.path)!r}, {len(self.runs())} runs)"

    def _repr_html_(self) -> str:
        """How a notebook shows it: a list of its runs."""
        from sequencer.record.notebook import store_as_html

        return store_as_html(str(self.path), self.runs())

    def close(self) -> None:
        """Let go of the file; runs being written have connections of their own."""
        self._connection.close()

    def __enter__(self) -> Store:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def _refuse_if_read_only(self) -> None:
        if not self._writable:
            raise StoreError(f"{self.path} was opened to be read only", fault="program")

    def _rows(self, key: int | None = None) -> list[RunRow]:
        with telling(self.path):
            rows = self._connection.execute(
                "SELECT id, title, mode, recipe_name, started, ended, outcome, exit_code, reason,"
                " readings, key FROM run WHERE ?1 IS NULL OR key = ?1 ORDER BY key",
                (key,),
            ).fetchall()
            return [RunRow._make((*row[:-2], self._readings(*row[-2:]))) for row in rows]

    def _readings(self, readings: int | None, key: int) -> int:
        return count_readings(self._connection, key) if readings is None else readings


_CUT_OFF = "the process that ran it ended without an end on record"


def open_record(path: str | Path | None = None) -> Store:
    """Open a store to look at, also while a run is being written to it. Raises StoreError.

    None stands for the store in the user's data folder.
    """
    place = Path(path) if path is not None else default_path()
    if not place.is_file():
        raise StoreError(
            f"there is no store at {place}", "a run or a dry run makes one; or name another file"
        )
    with telling(place):
        connection = _connect(place, "ro")
        try:
            verify(connection, place)
        except BaseException:
            connection.close()
            raise
    return Store(place, connection, False)


def _connect(path: Path, mode: str, patience_s: float = PATIENCE_S) -> sqlite3.Connection:
    # A path may hold characters that mean something in an address, so it is quoted there.
    uri = f"{path.absolute().as_uri()}?mode={mode}"
    return sqlite3.connect(uri, uri=True, timeout=patience_s, isolation_level=None)
