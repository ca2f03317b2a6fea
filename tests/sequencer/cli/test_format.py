"""`format`: what is written and what isn't, with its exit codes."""

from __future__ import annotations

import io
import json
import os
import sys
from pathlib import Path

import pytest

from tests.sequencer.cli.conftest import Call
from tests.sequencer.cli.recipes_of_tests import write_recipe

UNTIDY = """\
recipe   "Ridge weather station, a look"
channel smu: measure,measure open   # the old one
steps:
  measure smu into  looks
"""
TIDY = """\
recipe "Ridge weather station, a look"
channel smu: measure, measure open  # the old one

steps:
    measure smu into looks
"""


def test_a_recipe_is_laid_out_in_its_place(call: Call, folder: Path) -> None:
    path = folder / "look.recipe"
    path.write_text(UNTIDY)
    path.chmod(0o640)
    assert call("format", "look.recipe") == (0, "laid out look.recipe\n", "")
    assert path.read_text() == TIDY
    if sys.platform != "win32":
        assert path.stat().st_mode & 0o777 == 0o640
    before = path.stat().st_mtime_ns, path.stat().st_ino
    assert call("format", "look.recipe") == (0, "", "")
    assert (path.stat().st_mtime_ns, path.stat().st_ino) == before
    assert os.listdir(folder) == ["look.recipe"]


def test_check_writes_nothing_and_gives_1(call: Call, folder: Path) -> None:
    (folder / "a.recipe").write_text(UNTIDY)
    (folder / "b.recipe").write_text(TIDY)
    assert call("format", "--check", "a.recipe", "b.recipe") == (1, "would change a.recipe\n", "")
    assert (folder / "a.recipe").read_text() == UNTIDY
    assert call("format", "--check", "b.recipe") == (0, "", "")


def test_a_recipe_with_errors_is_left_and_the_others_are_laid_out(call: Call, folder: Path) -> None:
    wrong = UNTIDY.replace("measure smu", "meassure smu")
    (folder / "wrong.recipe").write_text(wrong)
    (folder / "right.recipe").write_text(UNTIDY)
    said = call("format", "wrong.recipe", "right.recipe")
    assert said.code == 2
    assert "wrong.recipe:4:3: error: “meassure” begins no step [unknown-word]" in said.out
    assert "\nLeft as written: wrong.recipe.\nlaid out right.recipe\n" in said.out
    assert (folder / "wrong.recipe").read_text() == wrong
    assert (folder / "right.recipe").read_text() == TIDY


def test_a_file_that_is_not_there_leaves_all_others_alone(call: Call, folder: Path) -> None:
    (folder / "look.recipe").write_text(UNTIDY)
    said = call("format", "look.recipe", "lok.recipe")
    assert (said.code, said.out) == (2, "")
    assert said.err.startswith("error: lok.recipe can't be read: No such file")
    assert (folder / "look.recipe").read_text() == UNTIDY


def test_line_ends_of_another_system_are_kept(call: Call, folder: Path) -> None:
    path = folder / "look.recipe"
    path.write_bytes(UNTIDY.replace("\n", "\r\n").encode())
    assert call("format", "look.recipe").code == 0
    assert path.read_bytes() == TIDY.replace("\n", "\r\n").encode()
    assert call("format", "--check", "look.recipe").code == 0


def test_a_link_stays_a_link(call: Call, folder: Path) -> None:
    (folder / "real.recipe").write_text(UNTIDY)
    try:
        (folder / "link.recipe").symlink_to(folder / "real.recipe")
    except OSError:
        pytest.skip("no links on this system")
    assert call("format", "link.recipe").code == 0
    assert (folder / "link.recipe").is_symlink()
    assert (folder / "real.recipe").read_text() == TIDY


@pytest.mark.skipif(
    not hasattr(os, "geteuid") or os.geteuid() == 0, reason="root may write everywhere"
)
def test_a_folder_that_takes_nothing_leaves_the_file_as_it_was(call: Call, folder: Path) -> None:
    (folder / "look.recipe").write_text(UNTIDY)
    folder.chmod(0o500)
    try:
        said = call("format", "look.recipe")
    finally:
        folder.chmod(0o700)
    assert said.code == 2
    assert "it is as it was" in said.err
    assert (folder / "look.recipe").read_text() == UNTIDY


def typed(monkeypatch: pytest.MonkeyPatch, text: str) -> None:
    monkeypatch.setattr(sys, "stdin", io.TextIOWrapper(io.BytesIO(text.encode()), "utf-8"))


def test_standard_input_goes_to_standard_output(
    call: Call, monkeypatch: pytest.MonkeyPatch
) -> None:
    typed(monkeypatch, UNTIDY)
    assert call("format", "-") == (0, TIDY, "")
    typed(monkeypatch, UNTIDY)
    assert call("format", "-", "--check") == (1, "", "standard input would change\n")
    wrong = UNTIDY.replace("measure smu", "meassure smu")
    typed(monkeypatch, wrong)
    said = call("format", "-", "--lines")
    assert said == (
        2, wrong, "standard input:4:3: error: “meassure” begins no step [unknown-word]\n"
    )  # fmt: skip
    typed(monkeypatch, UNTIDY)
    assert call("format", "-", "look.recipe").code == 2


def test_as_data(call: Call, folder: Path) -> None:
    (folder / "look.recipe").write_text(UNTIDY)
    write_recipe(folder)
    said = call("format", "look.recipe", "--check", "--json")
    assert said.code == 1
    assert json.loads(said.out) == [{"file": "look.recipe", "changed": True, "problems": []}]
