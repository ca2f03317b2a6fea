"""What is worked out when a run has ended: how near each guard came, and the results.

Works from the record alone, a block at a time, so that a long run takes no more memory than a short
one. Switches nothing and reads no channel.
"""

from __future__ import annotations

import math
from array import array
from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING

from grammar import tree
from sequencer.analysis.names import written as column_written
from sequencer.analysis.results import evaluate
from sequencer.engine.ending import Ending, Tripped
from sequencer.engine.judging import READ
from sequencer.engine.port import Port
from sequencer.engine.sensing import SensorPort
from sequencer.record import GuardRow, PlotRow, ResultRow
from sequencer.record.rows import capture_stream, result_stream

if TYPE_CHECKING:
    from sequencer.analysis.verdicts import Outcome as Result
    from sequencer.checker import Checked
    from sequencer.record import Run, RunWriter
    from sequencer.record.reader import Columns
    from sequencer.record.trace import Trace


def keep_guards(
    ports: Mapping[str, Port], ending: Ending, run: Run, record: RunWriter
) -> list[GuardRow]:
    """Put every guard's smallest margin and when it was on record."""
    tripped = ending.cause.guard if isinstance(ending.cause, Tripped) else ""
    rows = []
    for port in ports.values():
        margins = _margins(port, run)
        for rated in port.rated:
            margin, when = margins.get(rated.name, (None, None))
            rows.append(
                GuardRow(
                    rated.name,
                    rated.quantity,
                    _finite(rated.low),
                    _finite(rated.high),
                    margin,
                    when,
                    rated.name == tripped,
                )
            )
        for guard in port.judge.conditions:
            rows.append(GuardRow(guard.text, "", None, None, None, None, guard.text == tripped))
    record.guards(rows)
    return rows


def _margins(port: Port, run: Run) -> dict[str, tuple[float, float]]:
    """The smallest margin to each rating (SI) and its time (s), of the readings of one channel.

    What governs pulses is compared to the readings of pulses, what doesn't to all others.
    """
    import numpy as np

    known = (port.quantity,) if isinstance(port, SensorPort) else READ
    smallest = {rated: (math.inf, 0.0) for rated in port.rated if rated.quantity in known}
    lines = np.array(sorted(port.pulse_lines), dtype=float)
    for block in _blocks(port, run) if smallest else ():
        time, step, *columns = (np.frombuffer(column) for column in block)
        values = dict(zip(known, columns, strict=False))
        pulses = np.isin(step, lines) if len(lines) else np.zeros(len(step), dtype=bool)
        # Over range times nothing is no number, nor is over range less an open end of a rating.
        with np.errstate(invalid="ignore"):
            if "current" in values:
                values["power"] = values["voltage"] * values["current"]
            for rated, (margin, _) in smallest.items():
                value, when = values[rated.quantity], time
                # An over-range reading says nothing of the margin; it is an event of its own.
                counts = np.isfinite(value) & (pulses == rated.per_pulse)
                if not counts.all():
                    value, when = value[counts], when[counts]
                if not len(value):
                    continue
                above, below = int(value.argmax()), int(value.argmin())
                left, at = min(
                    (rated.high - value[above], above), (value[below] - rated.low, below)
                )
                if left < margin:
                    smallest[rated] = float(left), float(when[at])
    found = {rated.name: m for rated, m in smallest.items() if math.isfinite(m[0])}
    return found | {f"{port.part} {q}": m for q, m in port.counters.margins().items()}


def _blocks(port: Port, run: Run) -> Iterator[Columns]:
    """Time, line, voltage and current of all readings of a channel, and of what it sampled.

    Of one that reads a sensor its quantity in place of the two. What a channel sampled while it
    made pulses is left out: samples of both stand in one record.
    """
    read = (port.quantity,) if isinstance(port, SensorPort) else ("voltage", "current")
    yield from run.blocks(run.stream(port.name), ("time", "step", *read))
    for name, trace in run.traces().items():
        stream = run.streams().get(capture_stream(name))
        if stream is not None and trace.channels == (port.name,) and not port.pulse_lines:
            for time, *block in run.blocks(stream, ("time", "voltage", "current")):
                yield [time, array("d", [0.0]) * len(time), *block]


def _finite(value: float) -> float | None:
    return value if math.isfinite(value) else None


class Traces(Mapping[str, "Trace | None"]):
    """The traces of a run, each column read when a result asks for it: not all need to be held."""

    def __init__(self, run: Run, names: tuple[str, ...]) -> None:
        self._run = run
        self._names = names
        self._read: dict[str, Trace] = {}

    def __getitem__(self, name: str) -> Trace | None:
        if name not in self._names:
            raise KeyError(name)
        if name not in self._read:
            from sequencer.record.tables import LazyColumns, table_of_trace
            from sequencer.record.trace import Trace

            table = table_of_trace(self._run, name)
            self._read[name] = Trace(name, LazyColumns(table), table.units)
        return self._read[name]

    def __iter__(self) -> Iterator[str]:
        return iter(self._names)

    def __len__(self) -> int:
        return len(self._names)


def work_out(
    checked: Checked, run: Run, values: Mapping[str, float], record: RunWriter
) -> list[Result]:
    """The results and expectations from what was measured, put on record."""
    outcomes = evaluate(checked, Traces(run, tuple(checked.traces)), values)
    record.results(
        ResultRow(
            o.name, o.value, o.unit, o.title, o.text, o.verdict, o.method, o.reason, o.each, o.rows
        )
        for o in outcomes
    )
    plots = [line for line in checked.recipe.results if isinstance(line, tree.Plot)]
    plotted = {name.id for plot in plots for name in plot.traces}
    for outcome in outcomes:
        if outcome.trace is not None and outcome.name in plotted:
            columns = outcome.trace.columns
            names = ("time", *(name for name in columns if name != "time"))
            rows = [columns[name] for name in names]
            record.stream(result_stream(outcome.name), names, at_once=True).extend(
                rows, len(rows[0])
            )
    record.plots(
        PlotRow(
            tuple(name.id for name in plot.traces),
            column_written(plot.y),
            plot.y_logarithmic,
            column_written(plot.x),
            plot.x_logarithmic,
        )
        for plot in plots
    )
    return outcomes
