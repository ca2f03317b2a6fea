"""How a store, a run, its results and its traces show themselves in a notebook: short, as HTML.

Reads the record and nothing else. The module knows no notebook: whatever calls `_repr_html_` of an
object gets these texts.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

import numpy as np

from grammar import markup

if TYPE_CHECKING:
    from sequencer.record.reader import Run
    from sequencer.record.rows import ResultRow, RunRow
    from sequencer.record.trace import Trace

SHOWN = 40  # rows of anything


def store_as_html(path: str, rows: Sequence[RunRow]) -> str:
    """The newest runs of a store, the newest last."""
    table = [
        [row.id, row.started[:16].replace("T", " "), row.mode, _outcome(row.outcome),
         f"{row.readings}", row.title or row.recipe_name]
        for row in rows[-SHOWN:]
    ]  # fmt: skip
    heads = ["run", "begun", "kind", "outcome", "readings", "title"]
    count = f"{len(rows)} run" + ("" if len(rows) == 1 else "s")
    return markup.table(f"{count} in {path}", heads, table)


def run_as_html(run: Run) -> str:
    """A run: which, how it ended, its results and expectations, its traces."""
    meta = run.meta
    ended = _outcome(meta.outcome)
    if meta.reason not in ("", meta.outcome):
        ended += f": {meta.reason}"
    parts = [
        markup.paragraph(meta.title or meta.recipe_name, heading=True),
        markup.paragraph(f"{meta.mode} {meta.id}, {ended}"),
    ]
    results = run.results()
    if results:
        parts.append(results_as_html("Results", results))
    if run.traces():
        parts.append(markup.paragraph(f"Traces: {', '.join(run.traces())}"))
    return "".join(parts)


def results_as_html(caption: str, results: Iterable[ResultRow]) -> str:
    """Results with their rows, and expectations with their verdicts, a line each."""
    lines: list[list[str]] = []
    for line in results:
        said = [line.title, line.method, line.reason]
        name = line.name or f"expect {line.text}"
        value = line.verdict or line.text
        lines.append([name, value, "; ".join(filter(None, said))])
        if line.name:
            for row in line.rows[:SHOWN]:
                label = " ".join(filter(None, (line.name, row.label, row.answer)))
                lines.append([label, row.verdict or row.text, row.reason])
            if len(line.rows) > SHOWN:
                lines.append([line.name, f"{len(line.rows) - SHOWN} rows more", "in its `rows`"])
    return markup.table(caption, ["name", "value", "what it is"], lines)


def trace_as_html(trace: Trace) -> str:
    """The columns of a trace with their units and what they span."""
    lines = []
    for name, column in trace.columns.items():
        values = column[~np.isnan(column)]
        ends = [f"{value:.6g}" for value in (values.min(), values.max())] if len(values) else []
        lines.append([name, trace.units.get(name, ""), *ends])
    heads = ["column", "unit", "least", "greatest"]
    return markup.table(f"trace {trace.name}, {len(trace)} rows", heads, lines)


def _outcome(word: str | None) -> str:
    return word or "still running"
