"""Whatever is written: problems with a place, in bounded number and time, and never an exception.

Time is bounded by the bounds on texts, lines and nesting, which the sizes here go beyond; a reading
that is not linear in its text would be noticed by whoever waits for this file.
"""

from __future__ import annotations

from contextlib import suppress
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from grammar.diagnostic import Problem, draw, draw_short
from grammar.lines import MOST_PROBLEMS
from grammar.parse import parse, parse_expression
from tests.conftest import examples

HEAD = 'recipe "Ridge weather station: buffer"\nsteps:\n'
SHIPPED = sorted((Path(__file__).parents[2] / "recipes").glob("*.recipe"))
RECIPES = [
    *(path.read_text("utf-8") for path in SHIPPED),
    *(
        example.recipe
        for path in sorted(Path(__file__).parent.glob("*.md"))
        for example in examples(path.read_text("utf-8"))
    ),
]
# A block after which more may stand than the most problems: those of lines that open one, and the
# word that no more are sought.
MOST_FOUND = MOST_PROBLEMS + 10


def problems_of(text: str) -> list[Problem]:
    """The problems of a text, each of which can be shown and says what to do."""
    tree, problems = parse(text)
    lines = problems.source.text.split("\n")
    found = list(problems)
    assert len(found) <= MOST_FOUND
    for problem in found:
        line, column, end_line, end_column = problem.span
        assert 1 <= line <= end_line <= len(lines), problem
        assert 1 <= column <= len(lines[line - 1]) + 1, problem
        assert 1 <= end_column <= len(lines[end_line - 1]) + 2, problem
        assert (line, column) < (end_line, end_column), problem
        assert problem.message
        assert problem.hint
        assert problem.severity == "error"
        assert max(map(len, draw(problem).split("\n"))) <= 400
        assert draw_short(problem).isprintable()
    assert [p.span for p in found] == sorted(p.span for p in found)
    assert len({(p.slug, p.span) for p in found}) == len(found)
    assert tree.span.line == 1
    return found


pieces = st.sampled_from(
    sorted({piece for recipe in RECIPES for piece in recipe.replace("\n", " \n ").split(" ")})
)
characters = st.text(
    alphabet='()",:.#{}\\\t\n =<>*/^-+±²µΩ°%5e\u00a0\u200b\x00\r[]~é電', max_size=8
)


@settings(derandomize=True, deadline=None, max_examples=300)
@given(st.lists(pieces | characters, max_size=60), st.booleans())
def test_texts_of_pieces_of_recipes(words: list[str], in_steps: bool) -> None:
    problems_of((HEAD + "    " if in_steps else "") + " ".join(words))


@settings(derandomize=True, deadline=None, max_examples=200)
@given(st.sampled_from(RECIPES), st.lists(st.tuples(st.floats(0, 1), characters), max_size=4))
def test_recipes_with_characters_put_in(recipe: str, changes: list[tuple[float, str]]) -> None:
    for where, what in changes:
        at = int(where * len(recipe))
        recipe = recipe[:at] + what + recipe[at + len(what) // 2 :]
    problems_of(recipe)


@settings(derandomize=True, deadline=None, max_examples=200)
@given(st.sampled_from(RECIPES), st.floats(0, 1))
def test_recipes_cut_off(recipe: str, where: float) -> None:
    problems_of(recipe[: int(where * len(recipe))])


@settings(derandomize=True, deadline=None, max_examples=200)
@given(st.text())
def test_any_text(text: str) -> None:
    problems_of(text)
    problems_of(HEAD + "    " + text)
    problems_of(f'{HEAD}    say "{text}"')


@settings(derandomize=True, deadline=None, max_examples=200)
@given(st.text() | st.lists(pieces, max_size=12).map(" ".join))
def test_any_expression(text: str) -> None:
    with suppress(ValueError):
        parse_expression(text)


@pytest.mark.parametrize(
    ("text", "slugs"),
    [
        (HEAD + "    let a = " + "(" * 100_000 + "1" + ")" * 100_000, ["too-long"]),
        (HEAD + "    let a = " + "(\n" * 100_000 + "1" + ")\n" * 100_000, ["too-deep"]),
        (HEAD + "    let a = " + "(\n" * 100_000, ["unclosed-bracket", "too-deep"]),
        (HEAD + "    let a = 1)\n" * 50_000, ["unopened-bracket"] * 50 + ["too-many"]),
        (HEAD + "".join(f"{' ' * (k + 1)}if 1 > 2:\n" for k in range(1_300)), ["too-deep"]),
        (HEAD + "".join(f"{' ' * (k + 1)}if 1 > 2:\n" for k in range(10_000)), ["too-long"]),
        (HEAD + "    if 1 > 2:\n" * 10_000, ["empty-block"] * 50 + ["too-many"]),
        (HEAD + "    let a = " + "1" * 1_000_000, ["too-long"]),
        (HEAD + "    let a = " + "1" * 900_000, ["too-long"]),
        (HEAD + "    let a = (" + ("1" * 3_900 + "\n") * 200 + ")", ["too-long"]),
        (HEAD + "    let a = " + " + ".join(["1"] * 5_000), ["too-long"]),
        (HEAD + "    let a = (" + "\n + ".join(["1"] * 5_000) + ")", ["too-deep"]),
        (HEAD + "    let a = " + "^".join(["2"] * 1_900), ["too-deep"]),
        (HEAD + "    let a = " + "-" * 3_900 + "1", ["too-deep"]),
        (HEAD + "    let a = " + "not " * 950 + "1 > 2", ["too-deep"]),
        (HEAD + "    let a = max(" + ",\n".join(["1"] * 40_000) + ")", ["too-long"]),
        (HEAD + "    measure smu,\n" + "    smu,\n" * 90_000, ["too-long"]),
        (HEAD + "    " + "x" * 1_000_000, ["too-long"]),
        (HEAD + " " * 900_000 + "wait 1 s", ["too-long"]),
        (HEAD + '    say "' + "\\" * 3_900, ["unclosed-text"]),
        (HEAD + '    say "x\n' * 50_000, ["unclosed-text"] * 50 + ["too-many"]),
        (HEAD + '    say "' + "{" * 3_901 + '"', ["value-in-text"]),
        (HEAD + '    say "' + "{x}" * 1_300 + '"', []),
        (HEAD + "    let a = 1 " + "*".join(["V"] * 1_900), ["number"]),
        (HEAD + "    let a = max(" + "1," * 1_900 + "1)", ["decimal-comma"]),
        (HEAD + "    let a = " + "1." * 1_900, ["unexpected"]),
        (HEAD + "    " + "x" * 3_900 + " 1", ["unexpected"]),
        (HEAD + "\twait 1 s\n" * 20_000, ["tab"]),
        (HEAD + "    wait\u00a01 s\n" * 20_000, ["odd-character"] * 50 + ["too-many"]),
        (HEAD + "    wait 1 s\n  wait 1 s\n" * 20_000, ["indentation"] * 50 + ["too-many"]),
        (HEAD + "    else:\n        wait 1 s\n" * 5_000, ["else-of-what"]),
        (HEAD + "    wiat 1 s\n" * 20_000, ["unknown-word"] * 50 + ["too-many"]),
        (HEAD + "    wait 1 s\n" * 20_000, []),
        ("\n" * 999_999, ["no-title", "no-steps"]),
        ("(" * 1_000_001, ["too-long"]),
    ],
    ids=range(35),
)  # fmt: skip
def test_hostile_sizes_end_with_a_clear_problem(text: str, slugs: list[str]) -> None:
    assert [problem.slug for problem in problems_of(text)] == slugs
