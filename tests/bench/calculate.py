"""Every calculation of the registry on a million readings, and on a tenth of them.

The data are the examples of the tests, stretched: between two rows a column that only rises or only
falls goes straight, as time does, and any other has the next row's value, so that steps stay steps.
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[2]))

from sequencer.analysis.calculations import CALCULATIONS, NotWorkedOut, Table
from tests.sequencer.analysis.examples import EXAMPLES

MANY = 1_000_000
ITERATED = {"single_diode_fit", "two_time_constants", "time_constant"}
"""Named fits, which go over their readings as often as it takes."""


def stretched(table: Table, count: int) -> Table:
    """The same course in so many rows."""
    rows = len(table.columns["time"])
    place = np.linspace(0, rows - 1, count)
    columns = {}
    for name, column in table.columns.items():
        steps = np.diff(column)
        straight = np.all(steps > 0) or np.all(steps < 0)
        columns[name] = (
            np.interp(place, np.arange(rows), column)
            if straight
            else column[np.ceil(place).astype(int)]
        )
    return Table(table.name, columns)


def seconds(name: str, count: int) -> tuple[float, str]:
    """The processor's time that a calculation takes, and what it refuses, if it does."""
    example = EXAMPLES[name]
    traces = [stretched(table, count) for table in example.traces]
    refused = ""
    start = time.process_time()
    try:
        CALCULATIONS[name](*traces, **example.others)
    except NotWorkedOut as error:
        refused = f", refused: {error.message}"
    return time.process_time() - start, refused


def main() -> None:
    """Print a line a calculation, and what is over the bound."""
    over = []
    for name in CALCULATIONS:
        if not EXAMPLES[name].traces:
            continue
        seconds(name, 1000)  # what is loaded at the first call
        few, _ = seconds(name, MANY // 10)
        many, refused = seconds(name, MANY)
        if many > 1 and name not in ITERATED:
            over.append(name)
        print(f"{name}: {many:.3f} s, {few:.3f} s for a tenth of it{refused}")
    print(f"a million readings, at most 1 s: {', '.join(over) + ': OVER' if over else 'ok'}")


if __name__ == "__main__":
    main()
