"""`explain`: the list, a page, a name that is nearly one."""

from __future__ import annotations

import json

import pytest

from sequencer.explanations import pages
from tests.sequencer.cli.conftest import Call

PAGE = """\
limit-can-reverse  (The worst that any path can do)

A current source empties a part, and a symmetric voltage limit lets it go on,
past zero, and drive the part the wrong way round. Reversed, supercapacitors and
cells vent and burn. At 0 V, with a current limit, it is emptied as well, and
can't be reversed.

Wrong:

    part bank is capacitor on smu:
        voltage -0.05 V to 2.8 V
        current within 4 A
    steps:
        source smu current -3 A, limit 2.7 V
        output smu on
        measure smu

Right:

    part bank is capacitor on smu:
        voltage -0.05 V to 2.8 V
        current within 4 A
    steps:
        source smu voltage 0 V, limit 3 A
        output smu on
        measure smu
"""


def test_a_page_is_shown_whole(call: Call) -> None:
    assert call("explain", "limit-can-reverse") == (0, PAGE, "")
    assert call("explain", "[limit-can-reverse]").out == PAGE


def test_all_are_listed_group_by_group(call: Call) -> None:
    said = call("explain")
    assert (said.code, said.err) == (0, "")
    lines = said.out.splitlines()
    assert lines[0] == "How a recipe is written"
    assert lines[-1] == "`fusewire explain SLUG` shows one of them."
    listed = [line.split()[0] for line in lines if line.startswith("  ") and line[2] != " "]
    assert listed == list(pages())
    assert max(map(len, lines)) <= 80


@pytest.mark.parametrize("slug", pages())
def test_no_line_of_a_page_is_wider_than_80_columns(call: Call, slug: str) -> None:
    said = call("explain", slug)
    assert [line for line in said.out.splitlines() if len(line) > 80] == []


def test_an_example_is_folded_behind_a_comma_as_a_recipe_may_be(call: Call) -> None:
    said = call("explain", "capture-without-before")
    assert (
        "        capture smu at 10 kHz for 20 ms, when smu.voltage > 0.5 V, before 1 ms,\n"
        "                into wave:\n"
    ) in said.out


def test_a_name_that_is_nearly_one_is_suggested(call: Call) -> None:
    assert call("explain", "limit-can-revers") == (
        2,
        "",
        "error: there is no problem that is called limit-can-revers\n"
        "  did you mean limit-can-reverse?\n",
    )
    assert call("explain", "quux").err.endswith("  `fusewire explain` lists them all\n")


def test_a_page_as_data(call: Call) -> None:
    data = json.loads(call("explain", "tab", "--json").out)
    assert (data["slug"], data["group"]) == ("tab", "How a recipe is written")
    assert data["gist"] == "A tab stands in the indentation"
    assert [page["slug"] for page in json.loads(call("explain", "--json").out)] == list(pages())
