"""A store with a finished run, an unfinished one, and a pipe of 80 columns to read them on."""

from __future__ import annotations

import io
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest

from sequencer.record import GuardRow, ResultRow, RunInfo, RunWriter, Store
from sequencer.record.rows import CHANNEL_COLUMNS
from sequencer.report.terminal import Terminal
from tests.sequencer.report.rows_on_record import row

MORNING = datetime(2026, 3, 14, 9, 26, 53, tzinfo=UTC)

RECIPE = """\
recipe "Ridge weather station, one of the bank"

channel smu: source, sink, measure, measure open, two-sided limit

part bank is capacitor on smu:
    voltage -0.05 V to 2.8 V
    current within 4.2 A
    energy up to 2 kJ

setting rated = 2.7 V in 1 V to 2.7 V "rated voltage"

steps:
    source smu voltage rated, limit 3 A
    output smu on
    every 1 s until smu.current <= 100 mA, at most 20 min:
        measure smu into charging
    source smu voltage 0 V, limit -2 A to 1 A
    every 1 s until smu.voltage <= 0.1 V, at most 20 min:
        measure smu into discharging

results:
    C = capacitance(discharging, 2.16 V to 1.08 V) "Capacitance"
    expect C in 350 F ± 20 %
"""


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store.open(tmp_path / "records.sqlite", wall=lambda: MORNING) as opened:
        yield opened


@pytest.fixture
def begin(store: Store) -> Callable[..., RunWriter]:
    def begin(**fields: object) -> RunWriter:
        given: dict[str, object] = {
            "mode": "dry run",
            "seed": 7,
            "settings": {"rated": "2.7 V"},
            **fields,
        }
        return store.begin(
            RunInfo(
                title="Ridge weather station, one of the bank",
                recipe=RECIPE,
                recipe_name="bank.recipe",
                **given,  # type: ignore[arg-type]
            )
        )

    return begin


@pytest.fixture
def finished(begin: Callable[..., RunWriter]) -> RunWriter:
    """A run that finished, whose expectation was not met."""
    writer = begin()
    stream = writer.stream("smu", CHANNEL_COLUMNS)
    for k in range(3):
        stream.append(row(float(k), 0.5 * k, 3.0))
    writer.event(0.0, "identity", "RIDGE DEMO-SMU 1 2.0", "smu")
    writer.event(0.1, "output", "smu on", "smu")
    writer.event(9.25, "limit", "the current limit took control", "smu")
    writer.note(9.5, "Half of it is in.")
    writer.note(0.0, "armed with Enter", "person")
    writer.guards(
        [
            GuardRow("bank voltage", "voltage", -0.05, 2.8, 0.1, 95.0),
            GuardRow("bank energy", "energy", None, 2000.0, 600.0, 95.0),
            GuardRow("bank current", "current", -4.2, 4.2, 0.05, 12.5),
            GuardRow("lid is closed", "", None, None, None, None),
        ]
    )
    writer.results(
        [
            ResultRow(
                "C", 271.5, "F", "Capacitance", "271.5 F", "", "80 %-40 % line, IEC 62391-1", ""
            ),
            ResultRow(
                "R", None, "mohm", "Resistance", "", "not measured", "", "the run ended before"
            ),
            ResultRow("", None, "", "", "C in 350 F ± 20 %", "not met", "", "C is 271.5 F"),
        ]
    )
    writer.end("finished", 1, "")
    return writer


def verdicts(*words: str) -> list[ResultRow]:
    """Expectations on record with these verdicts."""
    return [ResultRow("", None, "", "", f"C > {k} F", word, "", "") for k, word in enumerate(words)]


@pytest.fixture
def pipe() -> io.StringIO:
    return io.StringIO()


@pytest.fixture
def terminal(pipe: io.StringIO) -> Terminal:
    return Terminal(pipe, {})
