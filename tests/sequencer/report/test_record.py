"""The end screen, the list of runs and the look at one of them, whole."""

from __future__ import annotations

import io
import math
from collections.abc import Callable

import pytest

from sequencer.record import GuardRow, RunWriter, Store
from sequencer.record.rows import CHANNEL_COLUMNS
from sequencer.report import record as shown
from sequencer.report.terminal import Terminal
from tests.sequencer.report.conftest import verdicts
from tests.sequencer.report.rows_on_record import row

ENDING = """\
Finished, but not every expectation is met.

Results (uncertainty not stated)
  C  271.5 F       Capacitance (80 %-40 % line, IEC 62391-1)
  R  not measured  Resistance: the run ended before

Expectations (compared plainly, uncertainty not stated)
  not met  C in 350 F ± 20 %: C is 271.5 F

Guards: the least that was left to each
  bank current   -4.2 A … 4.2 A  50 mA left at 12.5 s
  bank voltage   -50 mV … 2.8 V  100 mV left at 95 s
  bank energy    up to 2 kJ      600 J left at 95 s
  lid is closed                  held
"""


def test_the_end_screen(
    store: Store, finished: RunWriter, terminal: Terminal, pipe: io.StringIO
) -> None:
    shown.show_ending(terminal, store.run(finished.id))
    assert pipe.getvalue() == ENDING


@pytest.mark.parametrize(
    ("words", "said", "listed"),
    [
        ([], "Finished.", "finished"),
        (["met", "met"], "Finished.", "finished"),
        (
            ["met", "not applicable", "not applicable"],
            "Finished; every expectation that applies is met, 2 not applicable.",
            "finished, not applicable",
        ),
        (
            ["not applicable"],
            "Finished; nothing was judged, since its expectation does not apply.",
            "finished, not applicable",
        ),
        (
            ["not applicable", "not applicable"],
            "Finished; nothing was judged, since none of its 2 expectations applies.",
            "finished, not applicable",
        ),
    ],
)
def test_what_was_never_judged_is_not_called_met(
    store: Store,
    begin: Callable[..., RunWriter],
    terminal: Terminal,
    pipe: io.StringIO,
    words: list[str],
    said: str,
    listed: str,
) -> None:
    writer = begin()
    writer.results(verdicts(*words))
    writer.end("finished", 0)
    run = store.run(writer.id)
    shown.show_ending(terminal, run)
    assert pipe.getvalue().splitlines()[0] == said
    unjudged = [run.meta.id] if shown.not_judged(run.results()) else []
    shown.show_runs(terminal, store.runs(), unjudged)
    assert f"  dry  {listed}  Ridge" in pipe.getvalue().splitlines()[-1]


def test_where_only_the_last_switching_off_failed_that_is_the_reason(
    store: Store, begin: Callable[..., RunWriter], terminal: Terminal, pipe: io.StringIO
) -> None:
    writer = begin()
    writer.event(9.0, "off failed", "smu: the instrument says that its output is still on", "smu")
    writer.event(9.1, "off failed", "smu is told to carry no current", "smu")
    writer.end("failed", 4)
    shown.show_ending(terminal, store.run(writer.id))
    assert pipe.getvalue() == ("Failed:\n  smu: the instrument says that its output is still on\n")


def test_a_trip_comes_first_and_names_its_reason(
    store: Store,
    begin: Callable[..., RunWriter],
    terminal: Terminal,
    pipe: io.StringIO,
) -> None:
    writer = begin()
    writer.guards(
        [
            GuardRow("bank current", "current", -4.2, 4.2, 0.05, 12.5),
            GuardRow("bank voltage", "voltage", -0.05, 2.8, -0.02, 95.0, True),
        ]
    )
    writer.end("tripped", 3, "bank voltage 2.82 V is above the rating of 2.8 V")
    shown.show_ending(terminal, store.run(writer.id), left={"smu": 2.8123})
    assert (
        pipe.getvalue()
        == """\
Tripped:
  bank voltage 2.82 V is above the rating of 2.8 V

Guards: the least that was left to each
  bank voltage  -50 mV … 2.8 V  TRIPPED at 95 s
  bank current  -4.2 A … 4.2 A  50 mA left at 12.5 s

Outputs are off. STILL ON THE TERMINALS, as last read: smu 2.812 V.
  A charged part stays charged: discharge it before you handle it.
"""
    )


def test_an_output_in_an_unknown_state_cannot_be_missed(
    store: Store,
    begin: Callable[..., RunWriter],
    terminal: Terminal,
    pipe: io.StringIO,
) -> None:
    writer = begin(mode="run")
    writer.end("failed", 4, "smu: the link is silent")
    shown.show_ending(terminal, store.run(writer.id), unknown=("smu", "supply"))
    bar = "!" * 72
    assert (
        pipe.getvalue()
        == f"""\
Failed:
  smu: the link is silent

{bar}
!! THE STATE OF THE OUTPUT IS UNKNOWN: smu, supply
!! Use the instrument's own output key, then its mains switch.
!! Don't pull live leads. Keep off until it is measured dead.
{bar}
"""
    )


def test_little_that_is_left_is_said_without_alarm(terminal: Terminal, pipe: io.StringIO) -> None:
    shown.show_left(terminal, {"smu": 0.0123, "supply": 0.0})
    assert pipe.getvalue() == (
        "\nOutputs are off. Left on the terminals: smu 12.3 mV, supply 0 V.\n"
    )


def test_a_negative_voltage_that_is_left_is_as_loud_as_a_positive_one(
    terminal: Terminal, pipe: io.StringIO
) -> None:
    shown.show_left(terminal, {"smu": -2.0})
    assert "STILL ON THE TERMINALS, as last read: smu -2 V" in pipe.getvalue()


def test_what_was_not_read_after_its_output_went_off_counts_as_charged(
    store: Store, begin: Callable[..., RunWriter], terminal: Terminal, pipe: io.StringIO
) -> None:
    writer = begin()
    for name in ("read", "unread"):
        writer.stream(name, CHANNEL_COLUMNS).append(row(1.0, 2.7, 0.1))
        writer.event(0.5, "output", f"{name} on", name)
        writer.event(2.0, "output", f"{name} off", name)
    writer.stream("read", CHANNEL_COLUMNS).append(row(3.0, 2.69, 0.0))
    writer.stream("never on", CHANNEL_COLUMNS).append(row(3.0, 0.01, 0.0))
    writer.end("finished", 0)
    left = shown.last_voltages(store.run(writer.id))
    shown.show_left(terminal, left)
    assert (
        pipe.getvalue()
        == """
Outputs are off. STILL ON THE TERMINALS, as last read: read 2.69 V.
  A charged part stays charged: discharge it before you handle it.
Not read since the output went off: unread. What can hold a charge may hold it.
"""
    )


def test_one_run_whole(
    store: Store, finished: RunWriter, terminal: Terminal, pipe: io.StringIO
) -> None:
    shown.show_run(terminal, store.run(finished.id), "records.sqlite")
    digest = store.run(finished.id).meta.recipe_sha256[:16]
    assert (
        pipe.getvalue()
        == f"""\
Ridge weather station, one of the bank
  run      2026-03-14-001 (dry run on a simulated bench, seed 7)
  recipe   bank.recipe, SHA-256 {digest}…
  begun    2026-03-14 09:26:53 +00:00
  ended    2026-03-14 09:26:53 +00:00
  setting  rated = 2.7 V
  traces   none
  store    records.sqlite

{ENDING}
What happened
  0:00:00.00  smu: RIDGE DEMO-SMU 1 2.0
  0:00:00.00  you: armed with Enter
  0:00:00.10  smu on
  0:00:09.25  smu: the current limit took control
  0:00:09.50  note: Half of it is in.
"""
    )


def test_the_list_of_runs(
    store: Store,
    finished: RunWriter,
    begin: Callable[..., RunWriter],
    terminal: Terminal,
    pipe: io.StringIO,
) -> None:
    begin(mode="run").end("stopped by the person", 5, "stopped by the person")
    begin(mode="run")
    shown.show_runs(terminal, store.runs())
    assert (
        pipe.getvalue()
        == """\
run             at          outcome            title
2026-03-14-001  09:26  dry  finished, not met  Ridge weather station, one of the bank
2026-03-14-002  09:26  run  stopped            Ridge weather station, one of the bank
2026-03-14-003  09:26  run  still running      Ridge weather station, one of the bank
"""
    )


def test_a_run_as_data_names_what_the_screen_shows(store: Store, finished: RunWriter) -> None:
    data = shown.as_data(store.run(finished.id), left={"smu": math.inf})
    assert data["outcome"] == "finished"
    assert data["exit_code"] == 1
    assert [row["verdict"] for row in data["results"]] == ["", "not measured", "not met"]
    assert data["results"][0]["value"] == 271.5
    assert data["guards"][0] == {
        "name": "bank current",
        "quantity": "current",
        "low": -4.2,
        "high": 4.2,
        "margin": 0.05,
        "margin_time": 12.5,
        "tripped": False,
    }
