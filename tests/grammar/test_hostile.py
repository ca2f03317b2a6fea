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

from grammar.diagnostic import Problem
from grammar.parse import parse_expression
from tests.conftest import examples
from tests.grammar import fuzz

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


def problems_of(text: str) -> list[Problem]:
    """The problems of a text, each of which can be shown and says what to do."""
    return list(fuzz.problems_of(text)[1])


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


def test_spoilt_recipes_of_random_trees() -> None:
    """A sample of what `python -m tests.grammar.fuzz 1_000_000` reads."""
    inputs = fuzz.Fuzz(seed=0)
    outcomes = {fuzz.examine(inputs.text(number)) for number in range(5_000)}
    assert outcomes == {"read", "refused"}


def test_an_input_is_known_by_its_seed_and_number() -> None:
    assert fuzz.Fuzz(3).text(17) == fuzz.Fuzz(3).text(17)
    assert fuzz.Fuzz(3).text(17) != fuzz.Fuzz(4).text(17)


def test_the_fuzz_notices_what_is_wrong(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(fuzz, "bound_memory", lambda: None)
    monkeypatch.setattr(fuzz, "watch", lambda: None)
    monkeypatch.setattr(fuzz, "parse", lambda text: 1 / 0)
    assert fuzz.main(["3", "--from", "1"]) == 1
    assert "number 1: ZeroDivisionError" in capsys.readouterr().out
