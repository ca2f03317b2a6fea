"""A table of a run as CSV that a spreadsheet opens.

Form: RFC 4180, with a byte-order mark, without which a common spreadsheet takes "°" and "Ω" for
something else. The head is made of lines of one cell each that begin with "#", so that no text of a
recipe is ever taken for a formula; the first says where the table begins. Numbers are written with
a point and as many digits as it takes to read the same number back.
"""

from __future__ import annotations

import csv
import json
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import TYPE_CHECKING

from sequencer.record.facts import SIGN, VALUES
from sequencer.record.tables import Table, table_of_run, table_of_trace

if TYPE_CHECKING:
    from sequencer.record.reader import Run

_Cells = Callable[[list[float]], list[str]]
"""Makes the cells of a piece of a column."""


def write_csv(run: Run, path: Path, trace: str | None) -> None:
    """Write all readings of a run, or one trace. Raises StoreError or OSError."""
    table = table_of_run(run) if trace is None else table_of_trace(run, trace)
    cells: dict[str, _Cells] = {}
    if trace is None:
        names = {float(row.number): name for name, row in run.traces().items()}
        cells = {
            "trace": lambda numbers: [names.get(number, "") for number in numbers],
            "line": lambda numbers: [f"{number:.0f}" for number in numbers],
        }
    head = _head(run, trace)
    with path.open("w", encoding="utf-8-sig", newline="") as file:
        writer = csv.writer(file)
        begins = len(head) + 2
        for line in (f"record of a run; the table begins on line {begins}", *head):
            writer.writerow(["# " + " ".join(line.split())])
        units = table.units.items()
        writer.writerow([f"{name} ({unit})" if unit else name for name, unit in units])
        file.writelines(_lines(table, cells))


def _head(run: Run, trace: str | None) -> list[str]:
    meta = run.meta
    lines = [
        f"title: {meta.title}",
        f"run: {meta.id} ({meta.mode}), started {meta.started}",
        f"outcome: {meta.outcome or 'still running'} {meta.reason}",
        f"recipe: {meta.recipe_name}, SHA-256 {meta.recipe_sha256}",
    ]
    if meta.mode == "dry run":
        lines.append(f"simulation: seed {meta.seed}, {'ideal' if meta.ideal else 'with noise'}")
    if trace is not None:
        lines.append(f"trace: {trace}")
    for what, values in (("setting", meta.settings), ("condition", meta.conditions)):
        lines += [f"{what}: {name} = {_plain(value)}" for name, value in values.items()]
    for channel, identity in meta.identities.items():
        lines.append(f"instrument: {channel} is {_plain(identity)}")
    return [*lines, f"sign: {SIGN}", f"values: {VALUES}"]


def _plain(value: object) -> str:
    return value if isinstance(value, str) else json.dumps(value, ensure_ascii=False)


def _lines(table: Table, cells: Mapping[str, _Cells]) -> Iterator[str]:
    written = [cells.get(name, _numbers) for name in table.units]
    for piece in table.pieces():
        texts = [write(column.tolist()) for write, column in zip(written, piece, strict=True)]
        for row in zip(*texts, strict=True):
            yield ",".join(row) + "\r\n"


def _numbers(values: list[float]) -> list[str]:
    return ["" if value != value else repr(value) for value in values]
