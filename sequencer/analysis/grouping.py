"""Groups of a trace: its rows by the values of a column, for results that have a row each.

Knows traces as tables; no recipe, and works no result out.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from sequencer.analysis.verdicts import NOT_WORKED_OUT, Missing

if TYPE_CHECKING:
    from sequencer.analysis.calculations import Trace

MOST_ROWS = 10_000
"""More groups than that come of a column that is measured, not set: nobody reads them."""


class Groups:
    """A trace by the values of one of its columns, sorted once however many groups are taken.

    `keys` are those values (SI), each once, in the order in which they come first. Rows in which
    the column is empty or over range belong to no group. Raises Missing where there are more groups
    than anybody wants.
    """

    def __init__(self, trace: Trace, column: str) -> None:
        self._trace = trace
        self._name = column_in(trace, column)
        self.keys: list[float] = []
        if self._name is None:
            return
        by = trace.columns[self._name]
        self.keys = [key for key in dict.fromkeys(by.tolist()) if math.isfinite(key)]
        if len(self.keys) > MOST_ROWS:
            raise Missing(
                NOT_WORKED_OUT,
                f"`for each {column}` would give {len(self.keys)} rows: group by a loop variable, "
                "or by a value that is set",
            )
        # A stable sort keeps the rows of a group in the order of time.
        order = by.argsort(kind="stable")
        self._sorted = {name: values[order] for name, values in trace.columns.items()}

    def of(self, key: float) -> Trace:
        """The rows that have a value in the column; the whole trace where it has no such column."""
        from sequencer.analysis.calculations import Table

        if self._name is None:
            return self._trace
        by = self._sorted[self._name]
        rows = slice(int(by.searchsorted(key, "left")), int(by.searchsorted(key, "right")))
        return Table(self._trace.name, {name: v[rows] for name, v in self._sorted.items()})


def column_in(trace: Trace, column: str) -> str | None:
    """The full name of a column, None where the trace has none, or several, of that name."""
    if column in trace.columns:
        return column
    found = [name for name in trace.columns if name.endswith(f".{column}")]
    return found[0] if len(found) == 1 else None
