"""A whole run as one JSON file (RFC 8259).

An object with the run's facts, by the keys of `fusewire show --json` and more; then "traces", and
"readings" with those readings of each channel that no trace holds. A result that is a trace stands
among these, without a channel. A table is {"channels": […],
"columns": [{"name": …, "unit": …}, …], "rows": [[…], …]}, a row a line of the file. Numbers have as
many digits as it takes to read the same number back; where there is none stands null, past a range
"Infinity" or "-Infinity" in quotes, since JSON has no such number.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, TextIO

from sequencer.record.facts import all_facts_of
from sequencer.record.rows import RESULT
from sequencer.record.tables import Table, table_of_channel, table_of_trace

if TYPE_CHECKING:
    from sequencer.record.reader import Run

VERSION = 1
_PARTICULAR = {math.inf: '"Infinity"', -math.inf: '"-Infinity"'}


def write_json(run: Run, path: Path, trace: str | None) -> None:
    """Write a run, or one trace and all that isn't a reading. Raises StoreError or OSError."""
    known = run.traces()
    streams = run.streams() if trace is None else {}
    worked_out = [name.removeprefix(RESULT) for name in streams if name.startswith(RESULT)]
    traces = {
        name: (known[name].channels if name in known else (), table_of_trace(run, name))
        for name in ((*known, *worked_out) if trace is None else (trace,))
    }
    readings = {
        name: ((name,), table_of_channel(run, name, trace=-1.0))
        for name in streams
        if ":" not in name
    }
    with path.open("w", encoding="utf-8", newline="\n") as file:
        facts = exact({"format": "fusewire run", "version": VERSION, **all_facts_of(run)})
        for key, value in facts.items():
            opening = "{\n" if key == "format" else ",\n"
            file.write(f"{opening}{_text(key)}: {_text(value)}")
        for key, tables in (("traces", traces), ("readings", readings)):
            file.write(f",\n{_text(key)}: {{")
            for k, (name, (channels, table)) in enumerate(tables.items()):
                file.write(",\n" if k else "\n")
                _write_table(file, name, channels, table)
            file.write("\n}")
        file.write("\n}\n")


def _write_table(file: TextIO, name: str, channels: Sequence[str], table: Table) -> None:
    columns = [{"name": column, "unit": unit} for column, unit in table.units.items()]
    head = f'{{"channels": {_text(channels)}, "columns": {_text(columns)}, "rows": ['
    file.write(f"{_text(name)}: {head}")
    joint = "\n"
    for row in _rows(table):
        file.write(f"{joint}[{row}]")
        joint = ",\n"
    file.write("\n]}")


def _rows(table: Table) -> Iterator[str]:
    for piece in table.pieces():
        yield from map(
            ", ".join, zip(*(_numbers(column.tolist()) for column in piece), strict=True)
        )


def _numbers(values: list[float]) -> list[str]:
    return [
        repr(value) if math.isfinite(value) else _PARTICULAR.get(value, "null") for value in values
    ]


def _text(value: Any) -> str:
    return json.dumps(value, ensure_ascii=False, allow_nan=False)


def exact(data: Any) -> Any:
    """Plain data with what is no number for JSON in its place."""
    if isinstance(data, float) and not math.isfinite(data):
        return None if math.isnan(data) else "Infinity" if data > 0 else "-Infinity"
    if isinstance(data, Mapping):
        return {key: exact(value) for key, value in data.items()}
    if isinstance(data, list | tuple):
        return [exact(value) for value in data]
    return data
