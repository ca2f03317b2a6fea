"""What every calculation shares: how it is given data, how it answers, how it refuses.

A calculation is a pure function of arrays, so that it can be worked out anew with shifted inputs.
It knows no recipe and no record; whatever has a name and columns is a trace to it.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple, Protocol

import numpy as np
from numpy.typing import NDArray

from grammar.quantity import TIME, write

Floats = NDArray[np.float64]
Ends = tuple[float, float]
"""The two ends of a span in SI as they were written; an open one is infinite."""


class Trace(Protocol):
    """A table: "time" (s), and columns named as `sequencer.record` names them, of one length."""

    @property
    def name(self) -> str:
        """The trace's name in the recipe."""

    @property
    def columns(self) -> Mapping[str, Floats]:
        """The columns by name: "time", "smu.voltage", loop variables and those of `with`."""


class Calculated(NamedTuple):
    """A number in SI, and the method that it depends on, in words."""

    value: float
    method: str


class Several(NamedTuple):
    """Several numbers in SI by their names, and the method that they depend on, in words."""

    values: Mapping[str, float]
    method: str


class Table(NamedTuple):
    """A trace that was worked out, or a group of one; `method` is how, in words."""

    name: str
    columns: Mapping[str, Floats]
    method: str = ""


class NotWorkedOut(Exception):
    """The data can't carry the result: what is wrong with them, and what they lack."""

    def __init__(self, message: str, what_is_missing: str) -> None:
        super().__init__(message, what_is_missing)
        self.message = message
        self.what_is_missing = what_is_missing

    def __str__(self) -> str:
        return f"{self.message}; missing: {self.what_is_missing}"


class NoStart(NotWorkedOut):
    """What happened before the trace's first row is needed, and wasn't given."""


def require_readings(
    time: Floats, at_least: int = 1, rows: NDArray[np.bool_] | None = None, **columns: Floats
) -> None:
    """Refuse data that no calculation can use.

    `time` (s) and each of `columns`, named by its quantity, have shape (n,); where `rows` is given,
    only the values in those are looked at.

    Raises:
        ValueError: columns of different lengths, which is a mistake of the caller.
        NotWorkedOut: fewer than `at_least` rows, a time that does not rise, a column with an empty
            place (NaN) or a reading over range (±inf).
    """
    if any(column.shape != time.shape for column in columns.values()):
        raise ValueError("the columns of a trace have different lengths")
    if len(time) < at_least:
        held = "no reading" if len(time) == 0 else counted(len(time), "reading")
        raise NotWorkedOut(f"there is {held}", f"at least {counted(at_least, 'reading')}")
    if not np.all(np.isfinite(time)):
        raise NotWorkedOut("a row has no time", "a time in every row")
    back = np.flatnonzero(np.diff(time) <= 0)
    if len(back):
        raise NotWorkedOut(
            f"the time does not rise from row {back[0] + 1} to row {back[0] + 2}",
            "readings in the order in which they were taken",
        )
    for quantity, column in columns.items():
        for bad, what in ((np.isnan(column), "empty"), (np.isinf(column), "over range")):
            found = np.flatnonzero(bad if rows is None else bad & rows)
            if len(found):
                when = write(float(time[found[0]] - time[0]), TIME)
                raise NotWorkedOut(
                    f"the {quantity} is {what} in row {found[0] + 1}, {when} after the first",
                    "a value within its range in every row",
                )


def counted(number: int, noun: str) -> str:
    """A number of things in words: "1 reading", "3 readings"."""
    return f"{number} {noun}" if number == 1 else f"{number} {noun}s"
