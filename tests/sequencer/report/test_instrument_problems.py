"""What is said of specifications and dialects that are wrong, whole, as a person reads it."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from grammar.diagnostic import draw
from sequencer.explanations import pages
from tests.sequencer.report.examples import examples, said

WORDS = Path(__file__).with_name("instrument_problems.txt").read_text("utf-8")
DRAWN = dict(re.findall(r"^== (\S+)\n(.*?)\n(?=== |\Z)", WORDS, re.M | re.S))


def test_all_of_them_are_read() -> None:
    assert len(DRAWN) == WORDS.count("== ") == 6


@pytest.mark.parametrize("slug", DRAWN)
def test_it_says_what_is_wrong_and_what_to_write(slug: str, tmp_path: Path) -> None:
    wrong, _ = examples(pages()[slug])
    drawn = "\n\n".join(draw(problem, 100) for problem in said(wrong, tmp_path))
    assert drawn.replace(str(tmp_path), "FOLDER") == DRAWN[slug]
