"""What can go wrong with a store, in words that say whose fault it is and what to do now."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path


class StoreError(Exception):
    """A store can't be opened, read or written.

    `fault` says whose it is ("person", "computer", "program"), `advice` what to do now.
    """

    def __init__(self, message: str, advice: str = "", fault: str = "person") -> None:
        super().__init__(message)
        self.message = message
        self.advice = advice
        self.fault = fault
        if advice:
            self.add_note(advice)  # a traceback shows it beneath the message


_ADVICE = {
    "SQLITE_FULL": "make room on that disk; what was recorded so far is kept",
    "SQLITE_BUSY": "another program keeps the store locked: close it",
    "SQLITE_READONLY": "make the file and its folder writable, or name another store",
    "SQLITE_CANTOPEN": "make the file and its folder writable, or name another store",
    "SQLITE_NOTADB": "name another file; this one was left as it is",
    "SQLITE_CORRUPT": "copy the file with its -wal and -shm away before anything else touches it",
}


def store_failed(path: Path, error: sqlite3.Error) -> StoreError:
    """An error of the database as a StoreError."""
    # The extended names begin with those of the table, as SQLITE_READONLY_DIRECTORY does.
    name = getattr(error, "sqlite_errorname", "")
    advice = next(
        (words for code, words in _ADVICE.items() if name.startswith(code)),
        "check the disk and the file; what was recorded so far is kept",
    )
    return StoreError(f"the store {path} can't be used: {error}", advice, "computer")


@contextmanager
def telling(path: Path) -> Iterator[None]:
    """Turn errors of the database into StoreError."""
    try:
        yield
    except sqlite3.Error as error:
        raise store_failed(path, error) from error


def missing_package(what: str, package: str) -> StoreError:
    """Something needs a package that comes with the extra `frames` alone."""
    return StoreError(
        f"{what} needs the package {package}, which isn't installed",
        "`pip install 'fusewire[frames]'` installs it",
    )
