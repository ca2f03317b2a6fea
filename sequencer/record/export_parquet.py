"""A table of a run as an Apache Parquet file, by pyarrow.

All numbers are float64, a place that has no value is null; only the `line` of the recipe is int32
and the `trace` a text. The unit of a column stands in its field's metadata under "unit", the run's
facts, as in the JSON, in the file's under "fusewire". Where pandas keeps the `attrs` of a frame are
the units once more, by column.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from sequencer.record.export_json import exact
from sequencer.record.facts import facts_of
from sequencer.record.failures import missing_package
from sequencer.record.tables import Column, Table, table_of_run, table_of_trace

if TYPE_CHECKING:
    import pyarrow as pa

    from sequencer.record.reader import Run

GROUP = 1 << 17  # rows that are written together
_ATTRIBUTES = "PANDAS_ATTRS"


def write_parquet(run: Run, path: Path, trace: str | None) -> None:
    """Write all readings of a run, or one trace. Raises StoreError or OSError."""
    try:
        import pyarrow as pa
        import pyarrow.parquet as pq
    except ImportError as error:
        raise missing_package("an export to Parquet", "pyarrow") from error
    table = table_of_run(run) if trace is None else table_of_trace(run, trace)
    types = {"trace": pa.string(), "line": pa.int32()} if trace is None else {}
    names = {float(row.number): name for name, row in run.traces().items()}
    fields = [
        pa.field(name, types.get(name, pa.float64()), metadata={"unit": unit})
        for name, unit in table.units.items()
    ]
    facts = {**facts_of(run), "trace": trace}
    attributes = {"run": run.meta.id, "trace": trace, "units": table.units}
    schema = pa.schema(fields, {"fusewire": _text(facts), _ATTRIBUTES: _text(attributes)})

    def array(field: pa.Field, column: Column) -> pa.Array:
        if pa.types.is_string(field.type):
            return pa.array([names.get(number) for number in column.tolist()], field.type)
        found = pa.array(column, pa.float64(), from_pandas=True)  # a NaN becomes null
        return found.cast(field.type)

    with path.open("wb") as file, pq.ParquetWriter(file, schema) as writer:
        for columns in _groups(table):
            arrays = [array(*pair) for pair in zip(fields, columns, strict=True)]
            writer.write_table(pa.Table.from_arrays(arrays, schema=schema))


def _groups(table: Table) -> Iterator[list[Column]]:
    """The table in larger pieces: a Parquet file of small ones is slow to read."""
    held: list[list[Column]] = []
    rows = 0
    for piece in table.pieces():
        held.append(piece)
        rows += len(piece[0])
        if rows >= GROUP:
            yield [np.concatenate(parts) for parts in zip(*held, strict=True)]
            held, rows = [], 0
    if rows:
        yield [np.concatenate(parts) for parts in zip(*held, strict=True)]


def _text(data: Any) -> str:
    return json.dumps(exact(data), ensure_ascii=False, allow_nan=False)
