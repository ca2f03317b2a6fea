"""What the README shows is what its commands give."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from PIL import Image

from tests.readme import (
    PAGE,
    PICTURES,
    ROOT,
    by_hand,
    checked,
    draw,
    made_in,
    typed_by_hand,
)

README = (ROOT / "README.md").read_text("utf-8")


def test_the_table_is_that_of_the_check(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("COLUMNS", raising=False)
    assert made_in(README)[0] == checked()


def test_what_is_said_by_hand_is_what_the_lines_bring(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv("COLUMNS", raising=False)
    typed = typed_by_hand(README)
    assert len(typed) == 3
    assert made_in(README)[1] == by_hand(typed, tmp_path)


def test_the_pictures_are_those_of_the_run(tmp_path: Path) -> None:
    draw(tmp_path)
    for name in ("discharge.svg", "area.svg"):
        assert (PICTURES / name).read_bytes() == (tmp_path / name).read_bytes(), name


def test_every_picture_is_there_and_has_words() -> None:
    shown = dict(re.findall(r"!\[([^\]]+)\]\(([^)]+)\)", README))
    assert sorted(Path(path).name for path in shown.values()) == [
        "area.svg",
        "discharge.svg",
        PAGE,
    ]
    for words, path in shown.items():
        assert len(words) > 20
        assert (ROOT / path).is_file()
    with Image.open(PICTURES / PAGE) as page:
        assert page.size == (900, 1400)
