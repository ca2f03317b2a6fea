"""The hooks for pre-commit name commands and files that exist.

The file is read here as the few lines of YAML that it is: a list of mappings of one line each.
"""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from sequencer.commands.catalogue import COMMANDS

ROOT = Path(__file__).parents[2]
HOOKS = (ROOT / ".pre-commit-hooks.yaml").read_text("utf-8")
# https://pre-commit.com, "Creating new hooks", from memory: these must be there.
MUST = {"id", "name", "entry", "language"}


def hooks() -> list[dict[str, str]]:
    found: list[dict[str, str]] = []
    for line in HOOKS.splitlines():
        match = re.fullmatch(r"(?P<new>- |  )(?P<key>\w+): (?P<value>\S.*)", line)
        assert match is not None, line
        if match["new"] == "- ":
            found.append({})
        assert match["key"] not in found[-1]
        found[-1][match["key"]] = match["value"]
    return found


def test_there_are_two() -> None:
    assert [hook["id"] for hook in hooks()] == ["fusewire-check", "fusewire-format"]


@pytest.mark.parametrize("hook", hooks(), ids=lambda hook: hook["id"])
def test_a_hook_names_a_command_and_files_that_exist(hook: dict[str, str]) -> None:
    assert set(hook) >= MUST
    program, command = hook["entry"].split()
    assert program == "fusewire"
    assert command in {known.name for known in COMMANDS}
    assert hook["language"] == "python"
    shipped = [path.name for path in (ROOT / "recipes").iterdir()]
    chosen = [name for name in shipped if re.search(hook["files"], name)]
    assert chosen
    assert all(name.endswith(".recipe") for name in chosen)
    assert len(chosen) == len(list((ROOT / "recipes").glob("*.recipe")))
