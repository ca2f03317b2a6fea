"""The documents tell the truth: every command that they show runs, in the order shown.

`.ci/run` runs the README's two set-up commands on a fresh copy; here are the others. A command that
asks before power is answered with --yes, since nobody sits here.
"""

from __future__ import annotations

import os
import re
import shlex
import socket
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")
LONGEST_S = 120


def blocks(language: str) -> list[str]:
    """The fenced blocks of the README in a language."""
    return re.findall(rf"^```{language}\n(.*?)^```$", README, re.MULTILINE | re.DOTALL)


def commands() -> list[list[str]]:
    """The commands of its console blocks, without their comments."""
    lines = [line for block in blocks("console") for line in block.splitlines()]
    shown = [line.removeprefix("$ ").split("#")[0] for line in lines if line.startswith("$ ")]
    return [shlex.split(line) for line in shown]


def fusewire(folder: Path, *arguments: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "sequencer", *arguments],
        cwd=folder,
        env=environment(folder),
        capture_output=True,
        text=True,
        timeout=LONGEST_S,
        stdin=subprocess.DEVNULL,
        check=False,
    )


def environment(folder: Path) -> dict[str, str]:
    return {**os.environ, "PYTHONPATH": str(ROOT), "XDG_DATA_HOME": str(folder / "data")}


@pytest.fixture
def served(tmp_path: Path) -> Iterator[Path]:
    """A folder with the recipe that the README uses, its bench served on a free port."""
    assert fusewire(tmp_path, "new", "sweep-diode").returncode == 0
    bench = tmp_path / "sweep-diode.bench.toml"
    with socket.create_server(("127.0.0.1", 0)) as listener:
        port = listener.getsockname()[1]
    text = bench.read_text(encoding="utf-8")
    bench.write_text(re.sub(r"127\.0\.0\.1::\d+", f"127.0.0.1::{port}", text), encoding="utf-8")
    process = subprocess.Popen(
        [sys.executable, "-m", "sequencer", "serve", bench.name],
        cwd=tmp_path,
        env=environment(tmp_path) | {"PYTHONUNBUFFERED": "1"},
        stdout=subprocess.PIPE,
        text=True,
    )
    assert process.stdout is not None
    try:
        for line in process.stdout:
            if f"::{port}::" in line:
                break
        else:
            pytest.fail("the bench was not served")
        yield tmp_path
    finally:
        process.terminate()
        process.wait(10)
        process.stdout.close()


def test_every_command_that_the_readme_shows(served: Path) -> None:
    ran = []
    for program, command, *rest in commands():
        assert program == "fusewire"
        if command == "new":
            for copied in served.glob("sweep-diode.recipe"):
                copied.unlink()
            bench = served / "sweep-diode.bench.toml"
            kept = bench.read_text(encoding="utf-8")
            bench.unlink()
        said = fusewire(served, command, *rest, *(["--yes"] if command == "run" else []))
        assert said.returncode == 0, (command, said.stdout, said.stderr)
        if command == "new":
            bench.write_text(kept, encoding="utf-8")
        ran.append(command)
    assert ran == [
        *("new", "check", "explain", "format", "dry-run", "dry-run", "show"),
        *("plot", "report", "export", "bench", "measure", "run", "manual", "manual"),
    ]
    (exported,) = served.glob("*.csv")
    assert "smu.voltage" in exported.read_text(encoding="utf-8-sig")


def test_the_recipe_of_the_readme_checks_and_dry_runs(tmp_path: Path) -> None:
    (text,) = blocks("recipe")
    (tmp_path / "readme.recipe").write_text(text, encoding="utf-8")
    arguments = ("dry-run", "readme.recipe", "--bench", "characterise-supercapacitor")
    said = fusewire(tmp_path, *arguments)
    assert said.returncode == 0, said.stdout + said.stderr
    swapped = text.replace(
        "source smu voltage 0 V, limit 3 A", "source smu current -3 A, limit 2.7 V"
    )
    assert swapped != text
    (tmp_path / "readme.recipe").write_text(swapped, encoding="utf-8")
    said = fusewire(tmp_path, "check", "readme.recipe")
    assert said.returncode == 2
    assert "[limit-can-reverse]" in said.stdout + said.stderr
