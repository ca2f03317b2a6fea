"""A run, or one of its traces, as a file for other programs: which forms there are, and how a file
is written whole.

A file is written a piece at a time, whatever its length, and appears under its name only when it is
whole. What each form looks like stands in its own module.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING

from sequencer.record.failures import StoreError

if TYPE_CHECKING:
    from sequencer.record.reader import Run

FORMATS = ("csv", "parquet", "json")


def export_run(run: Run, path: str | Path, to: str = "", trace: str | None = None) -> None:
    """Write a run, or one of its traces, to a file; a file of that name is replaced.

    Args:
        run: the run, which may still go on: it is written as far as it is.
        path: the file. A link stays a link to what it names.
        to: "csv" and "parquet" hold one table: all readings in the order of time with the columns
            of every channel, or the trace. "json" holds the whole run, or the trace with all that
            isn't a reading. Without it the file's ending says which.
        trace: the name of a trace, in place of all readings.

    Raises:
        StoreError: no such form or trace, a package that isn't installed, a file that can't be
            written; whatever is there stays as it is.
    """
    form = to or Path(path).suffix.removeprefix(".").lower()
    write = _writer(form)
    # A link stays a link to what it names, and a device or a pipe is never replaced by a file.
    place = Path(path).resolve()
    if place.exists() and not place.is_file():
        what = "a folder" if place.is_dir() else "no plain file"
        raise StoreError(f"{path} can't be written: it is {what}", "name another file")
    part = place.with_name(place.name + ".part")
    try:
        try:
            write(run, part, trace)
            os.replace(part, place)
        except BaseException:
            with suppress(OSError):
                part.unlink()
            raise
    except OSError as error:
        raise StoreError(
            f"{path} can't be written: {error.strerror}", "name another file, or make room there"
        ) from error


def _writer(form: str) -> Callable[[Run, Path, str | None], None]:
    if form == "csv":
        from sequencer.record.export_csv import write_csv

        return write_csv
    if form == "parquet":
        from sequencer.record.export_parquet import write_parquet

        return write_parquet
    if form == "json":
        from sequencer.record.export_json import write_json

        return write_json
    raise StoreError(f"there is no export to “{form}”", f"there are {', '.join(FORMATS)}")
