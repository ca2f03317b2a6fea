"""The numbers of the shipped recipes on their ideal simulated benches, against closed forms."""

from __future__ import annotations

from pathlib import Path

import pytest

from sequencer import shipped
from sequencer.analysis.verdicts import Outcome
from sequencer.api import dry_run
from tests.sequencer.analysis.made_traces import TwoBranches


def ideally(name: str, store: Path) -> dict[str, Outcome]:
    finished = dry_run(
        shipped.find_recipe(name), ideal=True, store=store / "record.sqlite", tell=lambda _: None
    )
    assert finished.exit_code == 0, finished.ending
    return {outcome.name: outcome for outcome in finished.results if not outcome.is_expectation}


def value(outcome: Outcome) -> float:
    assert outcome.value is not None, outcome.reason
    return outcome.value


def test_supercapacitor(tmp_path: Path) -> None:
    """The closed form of the bench's network from a settled 2.7 V, at 3 A.

    Readings of 20 ms every 100 ms: at an end of the line one of 1296 may be in or out, 7e-4 of the
    resistance by the weight and the distance worked out for the reference network; the hold leaves
    the slow branch settled to e^(−1800 s/15 s).
    """
    found = ideally("characterise-supercapacitor", tmp_path)
    network = TwoBranches(
        series_ohm=3.2e-3, main_f=330.0, branch_ohm=0.5, branch_f=30.0, leak_ohm=5e3,
        start_v=2.7, current_a=3.0,
    )  # fmt: skip
    t80, t40 = network.crossing(2.16, 400.0), network.crossing(1.08, 400.0)
    assert value(found["C"]) == pytest.approx(3.0 * (t40 - t80) / 1.08, rel=1e-6)
    expected_ohm = (2.7 - network.line_at_start(t80, t40)) / 3.0
    assert value(found["R"]) == pytest.approx(expected_ohm, rel=7e-4)
    assert 0.9 < value(found["efficiency"]) < 1.0


def test_diode(tmp_path: Path) -> None:
    """The bench's own n = 1.8 and 60 mΩ; the −1 of Shockley's equation, 2 nA of 1 mA, is left out.

    k/q is 86.17333 µV/K in the recipe, to seven digits.
    """
    found = ideally("sweep-diode", tmp_path)
    assert value(found["n"]) == pytest.approx(1.8, rel=2e-6)
    assert value(found["R_s"]) == pytest.approx(60e-3, rel=2e-5)
    assert value(found["V_t"]) == pytest.approx(0.0256925791, rel=1e-7)  # CODATA, at 298.15 K
    assert 0.2 <= value(found["most"]) < 0.28


def test_hold_between_voltages(tmp_path: Path) -> None:
    """480 Ω draws between 2.3 V/480 Ω and 2.5 V/480 Ω; from look to look the capacitor falls by at
    most 2.3 V/480 Ω over 47 F for 1 min."""
    found = ideally("hold-between-voltages", tmp_path)
    assert 2.3 / 480 < value(found["drawn"]) < 2.5 / 480
    assert 2.3 - 2.3 / 480 / 47.0 * 60 <= value(found["lowest"]) <= 2.3
    assert 2.3 < value(found["highest"]) <= 2.5
    assert value(found["operations"]) == 2 * value(found["count"]) + 2


def test_every_recipe_has_its_row_in_the_table() -> None:
    table = (shipped.folder() / "README.md").read_text(encoding="utf-8").split("\n## ")[0]
    rows = {line.split("`")[1] for line in table.splitlines() if line.startswith("| `")}
    assert rows == set(shipped.names())
