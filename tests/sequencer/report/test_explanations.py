"""Every problem has its page, and every page shows a wrong example and a right one that are so."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from grammar.diagnostic import draw
from sequencer.explanations import ORDER, Page, pages
from tests.sequencer.report.examples import examples, said
from tests.sequencer.report.slugs import ROOT, Unfollowed, slugs

PAGES = pages()
REPORTED = slugs()


def test_every_problem_has_a_page_and_every_page_a_problem() -> None:
    assert len(REPORTED) > 150
    assert {slug: place for slug, place in REPORTED.items() if slug not in PAGES} == {}
    assert [slug for slug in PAGES if slug not in REPORTED] == []


def test_every_problem_is_shown_by_a_test_with_its_words() -> None:
    """In a specification in Markdown, or by name in a test of what reports it."""
    tests = ROOT / "tests"
    drawn = "\n".join(path.read_text("utf-8") for path in tests.rglob("*.md"))
    shown = set(re.findall(r"\[([a-z]+(?:-[a-z]+)*)\]$", drawn, re.M))
    for path in [*tests.rglob("test_*.py"), *tests.rglob("*.txt")]:
        if path != Path(__file__):
            text = path.read_text("utf-8")
            shown |= {slug for slug in REPORTED if f'"{slug}"' in text or f"[{slug}]" in text}
    assert {slug: place for slug, place in REPORTED.items() if slug not in shown} == {}


def test_every_group_is_shown() -> None:
    folder = ROOT / "sequencer" / "explanations"
    assert sorted(path.stem for path in folder.glob("*.md")) == sorted(ORDER)


@pytest.mark.parametrize("page", PAGES.values(), ids=lambda page: page.slug)
def test_the_wrong_example_is_wrong_in_that_way(page: Page, tmp_path: Path) -> None:
    wrong, _ = examples(page)
    found = said(wrong, tmp_path)
    assert page.slug in {problem.slug for problem in found}, "\n\n".join(map(draw, found)) or "none"


@pytest.mark.parametrize("page", PAGES.values(), ids=lambda page: page.slug)
def test_the_right_example_is_right(page: Page, tmp_path: Path) -> None:
    _, right = examples(page)
    found = [p for p in said(right, tmp_path) if p.severity == "error" or p.slug == page.slug]
    assert not found, "\n\n".join(map(draw, found))


@pytest.mark.parametrize("page", PAGES.values(), ids=lambda page: page.slug)
def test_a_page_says_what_it_means_before_its_examples(page: Page) -> None:
    words = page.text.split("\nWrong:\n")[0]
    assert "```" not in words
    assert 20 < len(words) < 900
    assert words.strip().endswith(".")
    assert len(page.gist) < 200


def test_a_slug_that_cannot_be_followed_is_seen(tmp_path: Path) -> None:
    for package in ("grammar", "drivers", "sequencer"):
        (tmp_path / package).mkdir()
    source = tmp_path / "grammar" / "made_up.py"
    source.write_text('def f(problems):\n    problems.error("no-page", 1, "m")\n')
    taker = "def error(self, slug, span, message):\n    pass\n"
    (tmp_path / "grammar" / "taker.py").write_text(taker)
    assert slugs(tmp_path) == {"no-page": "grammar/made_up.py:2"}
    source.write_text('def f(problems, x):\n    problems.error(f"no-{x}", 1, "m")\n')
    with pytest.raises(Unfollowed, match=re.escape("no-{x}")):
        slugs(tmp_path)
