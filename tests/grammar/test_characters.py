"""Line ends, invisible characters and lines too long: what a Markdown file can't show.

Every message is asserted whole, as it is drawn.
"""

from __future__ import annotations

import pytest

from grammar.blocks import DEEPEST_BLOCK, LONGEST_TEXT
from grammar.characters import DEEPEST_BRACKET, LONGEST_LINE
from grammar.diagnostic import draw
from grammar.lines import LONGEST_CONTINUED_LINE, MOST_PROBLEMS
from grammar.parse import parse
from grammar.tree import Recipe

RECIPE = 'recipe "Ridge weather station: buffer"\nsteps:\n    wait 1 s\n    repeat 3 times:\n'
TURN = "        wait 2 s\n"


def said(text: str) -> str:
    """All problems of a text, drawn."""
    return "\n".join(draw(problem) for problem in parse(text, "test.recipe")[1])


def tree_of(text: str) -> Recipe:
    """The tree of a text that has no problem."""
    tree, problems = parse(text)
    assert not len(problems), said(text)
    return tree


@pytest.mark.parametrize(
    "text",
    [
        (RECIPE + TURN).removesuffix("\n"),
        (RECIPE + TURN).replace("\n", "\r\n"),
        (RECIPE + TURN).replace("\n", "\r"),
        "\ufeff" + RECIPE + TURN,
        "\ufeff" + (RECIPE + TURN).replace("\n", "\r\n").removesuffix("\r\n"),
        RECIPE + TURN + "\n\n   \n",
        RECIPE + TURN + "# the last line is a comment",
        RECIPE + TURN + "        # the last line is an indented comment",
        RECIPE.replace("\n", "   \n") + TURN,
    ],
    ids=[
        "no final newline", "CR LF", "CR", "byte-order mark", "byte-order mark and CR LF",
        "blank lines at the end", "comment at the end", "indented comment at the end",
        "spaces at the ends of lines",
    ],
)  # fmt: skip
def test_the_way_lines_end_changes_nothing(text: str) -> None:
    assert tree_of(text) == tree_of(RECIPE + TURN)


def test_places_are_the_same_with_any_line_end() -> None:
    wrong = RECIPE + "        wait 2 x\n"
    expected = (
        "test.recipe:5:16: error: “x” is not a unit that is known here [unknown-unit]\n"
        "    5 |         wait 2 x\n"
        "      |                ^\n"
        "  units are written as in 2.7 V"
    )
    for text in (wrong, wrong.replace("\n", "\r\n"), wrong.replace("\n", "\r"), "\ufeff" + wrong):
        assert said(text) == expected


@pytest.mark.parametrize(
    ("char", "code"),
    [
        ("\u00a0", "U+00A0"),  # no-break space
        ("\u202f", "U+202F"),  # narrow no-break space, as in “5 V” on a page
        ("\u200b", "U+200B"),  # zero-width space
        ("\ufeff", "U+FEFF"),  # byte-order mark not at the start
        ("\u2028", "U+2028"),  # line separator
        ("\u202e", "U+202E"),  # right-to-left override: the line would be shown in another order
        ("\u00ad", "U+00AD"),  # soft hyphen
        ("\f", "U+000C"),
        ("\v", "U+000B"),
        ("\x00", "U+0000"),
        ("\x1b", "U+001B"),  # escape: would steer the terminal that shows the line
    ],
)
def test_an_invisible_character_is_named_and_shown_as_a_space(char: str, code: str) -> None:
    assert said(f"{RECIPE}        wait{char}2 s\n") == (
        f"test.recipe:5:13: error: there is an invisible character here ({code}) [odd-character]\n"
        "    5 |         wait 2 s\n"
        "      |             ^\n"
        "  write a space in its place, or nothing"
    )


def test_invisible_characters_of_one_kind_are_named_once_a_line() -> None:
    assert said(f"{RECIPE}\u00a0\u00a0\u00a0\u00a0    wait\u00a02\u00a0s\n") == (
        "test.recipe:5:1: error: there is an invisible character here (U+00A0) [odd-character]\n"
        "    5 |         wait 2 s\n"
        "      | ^\n"
        "  write a space in its place, or nothing"
    )


def test_invisible_characters_are_at_home_in_texts_and_comments() -> None:
    tree_of(f'{RECIPE}        say "5\u00a0V\u200b\t"  # 5\u202fV\t\u00ad\n')


def test_a_page_feed_between_blocks_is_named() -> None:
    assert said(f"{RECIPE}{TURN}\f\nresults:\n    C = 1\n") == (
        "test.recipe:6:1: error: there is an invisible character here (U+000C) [odd-character]\n"
        "    6 |  \n"
        "      | ^\n"
        "  write a space in its place, or nothing"
    )


def test_the_mark_stands_beneath_wide_and_combining_letters() -> None:
    """A wide character takes two columns, a combining accent none (Unicode annex 11)."""
    assert said(f'{RECIPE}        say "電池 e\u0301" 5 x\n') == (
        "test.recipe:5:21: error: “5” makes no sense here [unexpected]\n"
        '    5 |         say "電池 e\u0301" 5 x\n'
        "      |                      ^\n"
        "  expected nothing more on this line"
    )


def test_a_line_too_long_is_cut_around_the_mark() -> None:
    names = " + ".join(f"reading_{k}" for k in range(40))
    text = f"{RECIPE}        wait {names} + 3 x + {names}\n"
    assert said(text) == (
        "test.recipe:5:526: error: “x” is not a unit that is known here [unknown-unit]\n"
        "    5 | ing_38 + reading_39 + 3 x + reading_0 + reading_1 + reading_2 + reading_\n"
        "      |                         ^\n"
        "  units are written as in 2.7 V"
    )


def test_lines_and_texts_have_a_longest() -> None:
    assert said(f"{RECIPE}        wait {'1' * LONGEST_LINE} s\n{TURN}    wait 3 x\n") == (
        "test.recipe:5:9: error: this line has 4015 characters, at most 4000 are read [too-long]\n"
        f"    5 |         wait {'1' * 59}\n"
        "      |         ^\n"
        "  a line may go on after a comma or inside brackets\n"
        "test.recipe:7:12: error: “x” is not a unit that is known here [unknown-unit]\n"
        "    7 |     wait 3 x\n"
        "      |            ^\n"
        "  units are written as in 2.7 V"
    )
    many = ",\n".join(["reading"] * (LONGEST_CONTINUED_LINE // 8))
    assert said(f"{RECIPE}        let a = max({many})\n    wait 3 x\n") == (
        "test.recipe:5:9: error: this line goes on for more than 100000 characters [too-long]\n"
        "    5 |         let a = max(reading,\n"
        "      |         ^\n"
        "  give its parts names with `let`\n"
        "test.recipe:12505:12: error: “x” is not a unit that is known here [unknown-unit]\n"
        "12505 |     wait 3 x\n"
        "      |            ^\n"
        "  units are written as in 2.7 V"
    )
    assert said("#" * (LONGEST_TEXT + 1)) == (
        "test.recipe:1:1: error: this recipe has 1000001 characters, at most 1000000 are read "
        "[too-long]\n"
        f"    1 | {'#' * 72}\n"
        "      | ^\n"
        "  split it into several recipes"
    )


def test_brackets_and_blocks_have_a_deepest() -> None:
    opened, closed = "(" * (DEEPEST_BRACKET + 1), ")" * (DEEPEST_BRACKET + 1)
    assert said(f"{RECIPE}        let a = {opened}1{closed}\n    wait 3 x\n") == (
        "test.recipe:5:77: error: brackets are nested more than 60 deep [too-deep]\n"
        f"    5 | {'(' * 25}1{')' * 46}\n".replace(")" * 46, ")" * 46)
        + "      |                         ^\n"
        "  give the inner parts names with `let`\n"
        "test.recipe:6:12: error: “x” is not a unit that is known here [unknown-unit]\n"
        "    6 |     wait 3 x\n"
        "      |            ^\n"
        "  units are written as in 2.7 V"
    )
    tree_of(f"{RECIPE}        let a = {opened[1:]}1{closed[1:]}\n")
    deeper = "".join(f"{' ' * (4 + k)}repeat 3 times:\n" for k in range(DEEPEST_BLOCK))
    assert said(f"{RECIPE[:46]}{deeper}{' ' * 60}wait 1 s\n") == (
        "test.recipe:43:61: error: blocks are nested more than 40 deep [too-deep]\n"
        f"   43 | {' ' * 60}wait 1 s\n"
        f"      | {' ' * 60}^^^^^^^^\n"
        "  take the inner steps out of some of the blocks"
    )


@pytest.mark.parametrize(
    ("expression", "column", "mark"),
    [
        (" + ".join(["1 V"] * 100), 17, 55),
        ("-" * 100 + "1 V", 17, 55),
        ("^".join(["2"] * 100), 17, 55),
        ("not " * 100 + "1 V > 2 V", 17, 55),
    ],
)  # fmt: skip
def test_expressions_have_a_deepest(expression: str, column: int, mark: int) -> None:
    found = said(f"{RECIPE}        let a = {expression}\n").split("\n")
    assert [found[0].partition(": ")[2], found[-1]] == [
        "error: this expression is nested more than 80 deep [too-deep]",
        "  give its parts names with `let`",
    ]
    assert len(found) == 4


def test_after_fifty_problems_no_more_are_sought() -> None:
    wrong = RECIPE + "        wait 2 x\n" * 200
    drawn = [draw(problem) for problem in parse(wrong, "test.recipe")[1]]
    assert len(drawn) == MOST_PROBLEMS + 1
    assert drawn[-1] == (
        "test.recipe:54:16: error: this is the last of 50 problems; what follows is not read "
        "[too-many]\n"
        "   54 |         wait 2 x\n"
        "      |                ^\n"
        "  correct these first"
    )
