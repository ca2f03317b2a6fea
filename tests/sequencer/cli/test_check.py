"""`fusewire check` of several recipes at once, as a hook before a commit calls it."""

from __future__ import annotations

import json
from pathlib import Path

from tests.sequencer.cli.conftest import Call


def test_several_recipes_are_checked_one_after_another(call: Call, tmp_path: Path) -> None:
    wrong = tmp_path / "wrong.recipe"
    wrong.write_text('recipe "Wrong"\nsteps:\n    wait 3\n', encoding="utf-8")
    both = call("check", "sweep-diode", "measure-joints")
    assert both.code == 0
    assert both.out.count("Fit to dry-run") == 2
    one_wrong = call("check", "sweep-diode", str(wrong), "measure-joints", "--lines")
    assert one_wrong.code == 2
    assert one_wrong.out.count("[missing-unit]") == 1
    data = json.loads(call("check", "sweep-diode", str(wrong), "--json").out)
    assert [found["fit"] for found in data] == [True, False]
    assert json.loads(call("check", "sweep-diode", "--json").out)["fit"]
