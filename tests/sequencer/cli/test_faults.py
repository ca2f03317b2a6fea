"""`fusewire dry-run --fault`: a fault of the wiring, rehearsed and on record."""

from __future__ import annotations

from pathlib import Path

from sequencer.api import open_record
from tests.sequencer.cli.conftest import Call
from tests.sequencer.cli.recipes_of_tests import write_bench, write_recipe


def test_a_diode_the_wrong_way_round_is_refused(call: Call, folder: Path) -> None:
    said = call("dry-run", "sweep-diode", "--fault", "reversed", "--quiet")
    assert said.code == 4
    assert "the diode is connected the wrong way round" in said.out + said.err
    with open_record() as store:
        (run,) = store.runs()
        assert "rehearsed: reversed" in [note.text for note in store.run(run.id).notes()]


def test_what_makes_no_sense_is_told_before_anything_is_on_record(call: Call, folder: Path) -> None:
    write_bench(folder)
    said = call("dry-run", str(write_recipe(folder)), "--fault", "smu:led-off@1s")
    assert said.code == 2
    assert said.err == (
        "error: --fault smu:led-off@1s: there is no fault “led-off”\n  Did you mean “lead-off”?\n"
    )


def test_a_spread_has_none(call: Call, folder: Path) -> None:
    write_bench(folder)
    recipe = str(write_recipe(folder))
    said = call("dry-run", recipe, "--spread", "2", "--fault", "reversed")
    assert said.code == 2
    assert "leave out --fault, or --spread" in said.err
