"""A part that gives way in the simulation: an outcome where that was foreseen, else the end."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from sequencer import api
from sequencer.engine.ending import Outcome

RECIPE = """recipe "One strong pulse"
channel smu: source, measure, pulse, remote sense
part film is resistor on smu{clause}, not pushed:
    voltage within 40 V
    current within 8 A
    power up to 250 W
    energy up to 1 kJ
steps:
    setup smu: aperture = 1 PLC
    source smu voltage 0 V, limit 500 mA
    output smu on
    pulse smu voltage 30 V, limit 7.5 A, width 1 ms, into shot
    wait 2 s
    measure smu into after
"""
BENCH = """line_frequency = "50 Hz"
[channels.smu]
specification = "demo-source-measure"
part = "film"
[parts.film]
model = "resistor"
resistance = "4.7 ohm"
heating = {{ heat_capacity = "2 mJ/K", thermal_resistance = "200 K/W" }}
pulse_failure_energy = "{bears}"
"""


def ran(folder: Path, clause: str, bears: str, text: str = RECIPE) -> api.Finished:
    recipe, bench = folder / "strong.recipe", folder / "strong.bench.toml"
    recipe.write_text(text.format(clause=clause), encoding="utf-8")
    bench.write_text(BENCH.format(bears=bears), encoding="utf-8")
    return api.dry_run(recipe, bench, ideal=True, store=folder / "store", tell=lambda words: None)


def test_it_bears_it(tmp_path: Path) -> None:
    # 30 V on 4.7 ohm for a millisecond are 191 mJ.
    ending = ran(tmp_path, "", "250 mJ").ending
    assert (ending.outcome, ending.reason) == (Outcome.FINISHED, "")


def test_damage_ends_the_run(tmp_path: Path) -> None:
    finished = ran(tmp_path, "", "100 mJ")
    ending = finished.ending
    assert (ending.outcome, ending.fault, finished.exit_code) == (Outcome.FAILED, "part", 4)
    assert ending.reason.startswith("film: the element opened by a punctured spot: it held 100 mJ")


def test_where_it_may_be_destroyed_that_is_an_outcome(tmp_path: Path) -> None:
    finished = ran(tmp_path, ", may be destroyed", "100 mJ")
    assert (finished.ending.outcome, finished.exit_code) == (Outcome.FINISHED, 0)
    assert finished.ending.reason.startswith("film was destroyed, as it may be: the element opened")


@pytest.mark.parametrize("clause", ["", ", may be destroyed"])
def test_the_moment_is_exact(tmp_path: Path, clause: str) -> None:
    """100 mJ at 30 V on 4.7 ohm take 522.222 us (E R/U²), from the pulse's beginning on."""
    finished = ran(tmp_path, clause, "100 mJ")
    with api.open_record(finished.store) as store:
        kept = store.run(finished.id)
        (event,) = [e for e in kept.events() if e.kind == "destroyed"]
        (pulse,) = [step for step in kept.steps() if step.text.startswith("pulse")]
    assert event.time - pulse.start == pytest.approx(0.1 * 4.7 / 900, abs=2e-6)


AFTER = RECIPE[RECIPE.index("    wait 2 s") :]


@pytest.mark.parametrize("after", ["", "    wait 100 ms\n", "    measure smu into after\n", AFTER])
@pytest.mark.parametrize("clause", ["", ", may be destroyed"])
def test_it_is_told_however_soon_the_run_is_over(tmp_path: Path, clause: str, after: str) -> None:
    """With its time, and with the line in which it happened, not that in which it was heard of."""
    ending = ran(tmp_path, clause, "100 mJ", RECIPE.replace(AFTER, after)).ending
    outcome, begins = (
        (Outcome.FINISHED, "film was destroyed, as it may be: ")
        if clause
        else (Outcome.FAILED, "film: ")
    )
    assert (ending.outcome, ending.line) == (outcome, 0 if clause else 12)
    assert ending.reason.startswith(f"{begins}the element opened by a punctured spot: ")
    assert re.search(r", and was at 73 °C; at [\d.]+ ms, line 12$", ending.reason)
