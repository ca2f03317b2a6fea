"""The command called in this process, in a folder and with a store of its own."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

import pytest

from sequencer.cli import main


class Said(NamedTuple):
    """What a command gave: its exit code and its two outputs."""

    code: int
    out: str
    err: str


Call = Callable[..., Said]


@pytest.fixture(autouse=True)
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The folder that commands work in; the person's own data lies beside it."""
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    monkeypatch.setenv("LOCALAPPDATA", str(tmp_path / "data"))
    monkeypatch.delenv("COLUMNS", raising=False)
    work = tmp_path / "work"
    work.mkdir()
    monkeypatch.chdir(work)
    return work


@pytest.fixture
def call(capsys: pytest.CaptureFixture[str]) -> Call:
    def call(*arguments: str) -> Said:
        code = main(arguments)
        out, err = capsys.readouterr()
        return Said(code, out, err)

    return call
