"""The reference of the language tells the truth: its tables are the program's, its examples run."""

from __future__ import annotations

import re
from typing import NamedTuple

import pytest

from grammar.diagnostic import Problem, draw
from grammar.examples import EXAMPLES, RESULT
from grammar.first_words import FIRST_WORDS, kind_of
from grammar.layout import format_text
from grammar.parse import parse
from grammar.wording import keywords
from sequencer.analysis.signatures import SIGNATURES
from sequencer.checker import check
from tests.grammar.reference_tables import REFERENCE, TABLES, filled

TEXT = REFERENCE.read_text("utf-8")
_FENCE = re.compile(
    r"^```(?P<kind>\w+)(?P<wrong> wrong)?\n(?P<text>.*?)^```\n"
    r"(?:\n```problems\n(?P<slugs>.*?)^```)?",
    re.MULTILINE | re.DOTALL,
)

# What stands around an example that is no whole recipe.
BENCH = """recipe "An example"
channel smu: source, sink, measure, measure open, pulse, two-sided limit
"""
LINES = """digital lid: input
digital fan: output, rests low
"""
PART = """part bank is capacitor on smu:
    voltage -0.05 V to 2.8 V
    current within 1.1 A
    energy up to 10 kJ
"""
METER = "channel meter: measure temperature\n"
REST = "steps:\n    wait 1 s\n"


class Shown(NamedTuple):
    """An example of the reference: its text, its kind, and the problems that it must have."""

    kind: str
    text: str
    slugs: list[str]


def shown() -> list[Shown]:
    """The examples of the reference in order."""
    return [
        Shown(match["kind"], match["text"], (match["slugs"] or "").split())
        for match in _FENCE.finditer(TEXT)
    ]


def whole(example: Shown) -> str:
    """An example as a recipe, with what it goes without."""
    if example.kind == "recipe":
        return example.text
    if example.kind == "steps":
        return (
            BENCH + LINES + PART + "steps:\n" + re.sub(r"^(?=.)", "    ", example.text, flags=re.M)
        )
    text = 'recipe "An example"\n' if "channel smu" in example.text else BENCH
    text += LINES if "lid" in example.text and "digital" not in example.text else ""
    text += METER if "by meter" in example.text else ""
    text += "" if "part " in example.text else PART
    return text + example.text + REST


def problems_of(example: Shown) -> list[Problem]:
    """What is said of it: all of a whole recipe, the errors of others, which use but a part."""
    tree, problems = parse(whole(example), "reference")
    check(tree, problems)
    is_whole = example.kind == "recipe"
    return [p for p in problems if is_whole or p.severity == "error"]


EXAMPLES_SHOWN = shown()


def test_the_reference_has_examples_of_each_kind() -> None:
    kinds = [example.kind for example in EXAMPLES_SHOWN]
    assert kinds.count("recipe") >= 3
    assert kinds.count("steps") >= 5
    assert kinds.count("declarations") >= 3
    assert len(kinds) == len(re.findall(r"^```\w+", TEXT, re.MULTILINE)) - TEXT.count("```problems")


@pytest.mark.parametrize("example", EXAMPLES_SHOWN, ids=range(len(EXAMPLES_SHOWN)))
def test_an_example_is_grammatical_and_canonical(example: Shown) -> None:
    text = whole(example)
    formatted, problems = format_text(text, "reference")
    assert not len(problems), "\n".join(map(draw, problems))
    if example.kind == "recipe" and not example.slugs:
        assert formatted == re.sub(r"\n(?=steps:|procedure|part|results:)(?<!\n\n)", "\n\n", text)


@pytest.mark.parametrize("example", EXAMPLES_SHOWN, ids=range(len(EXAMPLES_SHOWN)))
def test_an_example_is_checked_without_complaint(example: Shown) -> None:
    found = problems_of(example)
    assert [problem.slug for problem in found] == example.slugs, "\n".join(map(draw, found))


def test_the_tables_are_those_of_the_program() -> None:
    """Else: python -m tests.grammar.reference_tables."""
    assert filled(TEXT) == TEXT
    assert set(re.findall(r"<!-- table: (\w+) -->", TEXT)) == set(TABLES)


def test_a_table_that_has_drifted_is_noticed() -> None:
    assert filled(TEXT.replace("| `ohm` |", "| `ohms` |")) == TEXT
    assert "`ohms`" in TEXT.replace("| `ohm` |", "| `ohms` |")


def test_every_word_unit_and_calculation_is_in_the_reference() -> None:
    for word in [*keywords().values(), *(w for words in FIRST_WORDS.values() for w in words)]:
        assert re.search(rf"\b{word}\b", TEXT), word
    for name in SIGNATURES:
        assert f"`{name}(" in TEXT, name


@pytest.mark.parametrize("words", EXAMPLES)
def test_the_line_that_a_message_shows_is_one(words: str) -> None:
    """An example that a message gives must itself be right."""
    line = EXAMPLES[words]
    kind = kind_of(line)
    assert kind is not None
    assert kind_of(words) == kind
    block = "\n        wait 1 s" if line.endswith(":") else ""
    texts = {
        "step": f'recipe "R"\nsteps:\n    {line}{block}\n',
        "result": f'recipe "R"\n{REST}results:\n    {line}\n',
        "rating": f'recipe "R"\npart bank is cell on smu:\n    {line}\n{REST}',
        "declaration": f'recipe "R"\n{line}\n{REST}',
    }
    text = texts[kind]
    if words in ("else", "else if"):
        text = text.replace(line, f"if 2 V > 1 V:\n        leave\n    {line}")
    if words == "otherwise":
        text = text.replace(line, f"{EXAMPLES['wait for']}\n    {line}")
    if words == "part":
        text = text.replace(line, f"{line}\n    voltage up to 1 V")
    if words == "procedure":
        text = text.replace(line, f"{line}\n    wait 1 s")
    if words == "steps":
        text = f'recipe "R"\n{REST}'
    if words == "finally":
        text = text.replace(line, f"{line}\n    wait 1 s")
    if words == "recipe":
        text = f"{line}\n{REST}"
    problems = parse(text)[1]
    assert not len(problems), "\n".join(map(draw, problems))


def test_every_first_word_has_an_example() -> None:
    assert {word.split()[0] for word in EXAMPLES} == {
        word for words in FIRST_WORDS.values() for word in words
    }
    assert not len(parse(f'recipe "R"\n{REST}results:\n    {RESULT}\n')[1])
