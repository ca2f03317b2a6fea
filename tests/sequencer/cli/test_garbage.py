"""Garbage isn't looked for while a command loads nor at its end, in a process of its own alone."""

from __future__ import annotations

import gc
import os
import subprocess
import sys
from pathlib import Path

import pytest

from sequencer import garbage
from sequencer.cli import main
from tests.sequencer.cli.conftest import Call
from tests.sequencer.cli.recipes_of_tests import write_bench, write_recipe
from tests.sequencer.cli.served import ROOT

SCRIPT = """\
import atexit, gc, sys
atexit.register(lambda: print(len(gc.get_objects()) < 1000, file=sys.stderr))  # the last of all
from sequencer.cli import main
main()
print(gc.isenabled(), file=sys.stderr)
"""


@pytest.mark.parametrize(
    ("arguments", "looked_for"),
    [
        ("check shunt.recipe", False),
        ("dry-run shunt.recipe", True),
        ("dry-run shunt.recipe --spread 1", True),
        ("runs", True),
    ],
)
def test_a_command_looks_for_garbage_once_it_is_loaded(
    folder: Path, arguments: str, looked_for: bool
) -> None:
    """One that is soon over never does; and at the end nothing is left to be looked through."""
    write_bench(folder)
    write_recipe(folder)
    ran = subprocess.run(
        [sys.executable, "-c", SCRIPT, *arguments.split()],
        env={"PYTHONPATH": str(ROOT), "HOME": str(folder), "PATH": ""},
        capture_output=True,
        text=True,
        timeout=60,
        check=True,
    )
    assert ran.stderr.splitlines()[-2:] == [str(looked_for), "True"], ran.stderr


def test_somebody_elses_process_keeps_its_ways(
    folder: Path, call: Call, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv("PYDANTIC_DISABLE_PLUGINS", raising=False)
    write_bench(folder)
    write_recipe(folder)
    frozen = gc.get_freeze_count()
    for arguments in (["check", "shunt.recipe"], ["dry-run", "shunt.recipe"]):
        assert call(*arguments).code == 0
        assert gc.isenabled()
        assert gc.get_freeze_count() == frozen
    assert "PYDANTIC_DISABLE_PLUGINS" not in os.environ
    gc.disable()
    try:
        garbage.loaded()
        assert main(["runs"]) == 0
        assert not gc.isenabled()
    finally:
        gc.enable()
