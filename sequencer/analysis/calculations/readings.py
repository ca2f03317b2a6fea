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
    """Several numbers in SI by their names, and the method that they depend on, in words.

    `refused` has those that the data can't carry beside the others, each with what they lack.
    """

    values: Mapping[str, float]
    method: str
    refused: Mapping[str, NotWorkedOut] = {}


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
        raise NotWorkedOut(
            f"there {held(len(time), 'reading')}", f"at least {counted(at_least, 'reading')}"
        )
    if not np.isfinite(time).all():
        raise NotWorkedOut("a row has no time", "a time in every row")
    back = time[1:] <= time[:-1]
    if back.any():
        row = int(back.argmax())
        raise NotWorkedOut(
            f"the time does not rise from row {row + 1} to row {row + 2}",
            "readings in the order in which they were taken",
        )
    for quantity, column in columns.items():
        if np.isfinite(column).all():
            continue
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


def held(number: int, noun: str) -> str:
    """How many there are: "is no reading", "is 1 reading", "are 3 readings"."""
    if number == 0:
        return f"is no {noun}"
    return f"{'is' if number == 1 else 'are'} {counted(number, noun)}"


def in_part(
    time: Floats, part: Ends | None, at_least: int = 1, **columns: Floats
) -> tuple[Floats, ...]:
    """Time and columns, each of shape (n,), in a part of the time that counts from the first row.

    Both ends of `part` (s) are in, in either order; None is all of it. What is refused outside of
    the part is the time alone.

    Raises:
        ValueError: columns of different lengths, which is a mistake of the caller.
        NotWorkedOut: fewer than `at_least` readings in that part, NaN or over range there, time
            that does not rise.
    """
    if part is None:
        require_readings(time, max(1, at_least), None, **columns)
        return (time, *columns.values())
    require_readings(time, 1)
    low, high = min(part), max(part)
    since = time - time[0]
    inside = within(since, (low, high))
    found = int(np.count_nonzero(inside))
    if found == 0:
        raise NotWorkedOut(
            f"no reading lies {_between(low, high)}: the trace is {length(since)} long",
            "readings in that part, counted from the first row",
        )
    if found < at_least:
        raise NotWorkedOut(
            f"there {held(found, 'reading')}, and it takes {at_least}",
            "a longer part, or readings closer by",
        )
    require_readings(time, 1, inside, **columns)
    return (time[inside], *(column[inside] for column in columns.values()))


def length(moments: Floats) -> str:
    """How long it is from the first to the last of times, in words."""
    return write(float(moments[-1] - moments[0]), TIME)


def _between(low: float, high: float) -> str:
    if np.isinf(low):
        return f"before {write(high, TIME)}"
    if np.isinf(high):
        return f"after {write(low, TIME)}"
    return f"between {write(low, TIME)} and {write(high, TIME)}"


def within(values: Floats, ends: tuple[float, float]) -> NDArray[np.bool_]:
    """Which values lie between two, both in, also where their last digit is off.

    What is stepped or timed to an end seldom hits it to the last bit.
    """
    low, high = min(ends), max(ends)
    aside = 1e-9 * max((abs(end) for end in (low, high) if np.isfinite(end)), default=0.0)
    found: NDArray[np.bool_] = (values >= low - aside) & (values <= high + aside)
    return found
