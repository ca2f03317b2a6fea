"""A trace as a table of numpy arrays, or as a frame of pandas.

The module knows no recipe and no calculation.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from sequencer.record.failures import missing_package
from sequencer.record.tables import Column, full_name, table_of_trace

if TYPE_CHECKING:
    import pandas as pd

    from sequencer.record.reader import Run


@dataclass(frozen=True, repr=False)
class Trace:
    """A table of one length throughout.

    `columns` has "time" (s from the run's start; with several channels, that of the first one's
    reading), loop variables and further columns by their names, and "CHANNEL.quantity" with voltage
    (V), current (A), power (W, the product of the two), limited (1 where the limit was in control),
    level (V or A, as sourced), charge (C), energy (J), voltage_range (V), current_range (A), and of
    a channel that reads a sensor its quantity (SI). A place that has no value holds NaN. The rows
    of a capture are its samples, at their own times. `units` has the unit of each column.
    """

    name: str
    columns: Mapping[str, Column]
    units: dict[str, str] = field(default_factory=dict)

    def __len__(self) -> int:
        return len(self.columns["time"])

    def __getitem__(self, column: str) -> Column:
        """A column, shape (rows,); a quantity alone means the only column of that quantity.

        Raises StoreError that names the columns there are.
        """
        return self.columns[full_name(self.name, column, self.columns)]

    def frame(self, index: str | None = "time") -> pd.DataFrame:
        """The same as a frame of pandas, float64.

        Args:
            index: the column that the rows go by; None for their numbers from 0.

        Returns:
            A frame whose `attrs` has "trace" (the name) and "units" (of each column, by name).

        Raises:
            StoreError: pandas isn't installed; or there is no such column, or several.
        """
        try:
            import pandas as pd
        except ImportError as error:
            raise missing_package("a frame", "pandas") from error
        table = pd.DataFrame(dict(self.columns))
        if index is not None:
            table = table.set_index(full_name(self.name, index, self.columns))
        table.attrs = {"trace": self.name, "units": dict(self.units)}
        return table

    def _repr_html_(self) -> str:
        """How a notebook shows it: its columns, their units, what they span."""
        from sequencer.record.notebook import trace_as_html

        return trace_as_html(self)

    def __repr__(self) -> str:
        return f"Trace({self.name!r}, {len(self)} rows of {', '.join(self.columns)})"


def read_trace(run: Run, name: str) -> Trace:
    """Put a trace together. Raises StoreError where the run has none of that name.

    Where a run was cut off between the channels of a row, that row is left out.
    """
    table = table_of_trace(run, name)
    return Trace(name, table.read(), table.units)
