"""What is worked out when a run has ended: how near each guard came, and the results.

Works from the record alone, a block at a time, so that a long run takes no more memory than a short
one. Switches nothing and reads no channel.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING

from sequencer.analysis.results import evaluate
from sequencer.engine.ending import Ending, Tripped
from sequencer.engine.port import Port
from sequencer.record import GuardRow, ResultRow

if TYPE_CHECKING:
    from sequencer.analysis.verdicts import Outcome as Result
    from sequencer.checker import Checked
    from sequencer.record import Run, RunWriter
    from sequencer.record.trace import Trace

READ = ("voltage", "current", "power")


def keep_guards(
    ports: Mapping[str, Port], ending: Ending, run: Run, record: RunWriter
) -> list[GuardRow]:
    """Put every guard's smallest margin and when it was on record."""
    tripped = ending.cause.guard if isinstance(ending.cause, Tripped) else ""
    rows = []
    for port in ports.values():
        margins = _margins(port, run)
        for quantity, (low, high) in port.ratings.items():
            name = f"{port.part} {quantity}"
            margin, when = margins.get(quantity, (None, None))
            rows.append(
                GuardRow(
                    name,
                    quantity,
                    _finite(low),
                    _finite(high),
                    margin,
                    when,
                    name == tripped,
                )
            )
        for guard in port.extra:
            rows.append(GuardRow(guard.text, "", None, None, None, None, guard.text == tripped))
    record.guards(rows)
    return rows


def _margins(port: Port, run: Run) -> dict[str, tuple[float, float]]:
    """The smallest margin to each rating (SI) and its time (s), of the readings of one channel."""
    import numpy as np

    smallest = {q: (math.inf, 0.0) for q in READ if q in port.ratings}
    if smallest:
        stream = run.stream(port.name)
        for block in run.blocks(stream, ("time", "voltage", "current")):
            time, voltage, current = (np.frombuffer(column) for column in block)
            with np.errstate(invalid="ignore"):  # over range times nothing is no number
                values = {"voltage": voltage, "current": current, "power": voltage * current}
            for quantity, (margin, _) in smallest.items():
                low, high = port.ratings[quantity]
                left = np.minimum(high - values[quantity], values[quantity] - low)
                # An over-range reading says nothing of the margin; it is an event of its own.
                left = np.where(np.isfinite(values[quantity]), left, np.inf)
                at = int(np.argmin(left))
                if left[at] < margin:
                    smallest[quantity] = float(left[at]), float(time[at])
    found = {q: m for q, m in smallest.items() if math.isfinite(m[0])}
    return found | port.counted_margins()


def _finite(value: float) -> float | None:
    return value if math.isfinite(value) else None


class _Traces(Mapping[str, "Trace | None"]):
    """The traces of a run, read when a result asks for one: not all need to be held at once."""

    def __init__(self, run: Run, names: tuple[str, ...]) -> None:
        self._run = run
        self._names = names
        self._read: dict[str, Trace] = {}

    def __getitem__(self, name: str) -> Trace | None:
        if name not in self._names:
            raise KeyError(name)
        if name not in self._read:
            self._read[name] = self._run.trace(name)
        return self._read[name]

    def __iter__(self) -> Iterator[str]:
        return iter(self._names)

    def __len__(self) -> int:
        return len(self._names)


def work_out(
    checked: Checked, run: Run, values: Mapping[str, float], record: RunWriter
) -> list[Result]:
    """The results and expectations from what was measured, put on record."""
    outcomes = evaluate(checked, _Traces(run, tuple(checked.traces)), values)
    record.results(
        ResultRow(o.name, o.value, o.unit, o.title, o.text, o.verdict, o.method, o.reason)
        for o in outcomes
    )
    return outcomes
