"""The formatter: one text for one tree, nothing lost, and nothing changed that means something."""

from __future__ import annotations

import re
from collections import Counter
from pathlib import Path
from random import Random
from typing import Any

import pytest
from hypothesis import Phase, given, settings
from hypothesis import strategies as st

from grammar import tree
from grammar.layout import format_text, recipe_text, step_text
from grammar.parse import parse, parse_expression
from tests.conftest import examples
from tests.grammar.test_tree import nodes
from tests.grammar.trees import recipe, untidy

SHIPPED = sorted((Path(__file__).parents[2] / "recipes").glob("*.recipe"))
FINE = [
    example.recipe
    for example in examples((Path(__file__).parent / "silence.md").read_text("utf-8"))
]
# A failing recipe is not made smaller: the seed says which it is, and it takes minutes.
randoms = st.integers(0, 2**32).map(Random)
steady = settings(derandomize=True, deadline=None, max_examples=60, phases=[Phase.generate])


def formatted(text: str) -> str:
    """The canonical text of one without errors, which stays as it is and means the same."""
    found, problems = format_text(text)
    assert not len(problems), list(problems)
    assert parse(found)[0] == parse(text)[0]
    assert format_text(found)[0] == found
    return found


def comments(text: str) -> Counter[str]:
    """The comments of a text, by what they say."""
    found = re.findall(r'"(?:[^"\\\n]|\\.)*"|#(.*)', text)
    return Counter(comment.strip() for comment in found if comment.strip())


@steady
@given(randoms)
def test_a_tree_written_and_read_is_the_tree(random: Random) -> None:
    made = recipe(random)
    text = recipe_text(made)
    again, problems = parse(text)
    assert not len(problems), list(problems)
    assert again == made
    # What is written is canonical already.
    assert formatted(text) == text


@steady
@given(randoms)
def test_an_untidy_text_becomes_the_canonical_one_and_keeps_its_comments(random: Random) -> None:
    made = recipe(random)
    text = untidy(random, recipe_text(made))
    again, problems = parse(text)
    assert not len(problems), list(problems)
    assert again == made
    found = formatted(text)
    assert comments(found) == comments(text)
    assert found.endswith("\n")
    assert "\n\n\n" not in found
    assert not found.startswith("\n")
    assert not re.search(r"[ \t]\n", found)


def kinds(value: Any) -> Counter[str]:
    """How often each node, and each optional field given, stands in a tree."""
    found: Counter[str] = Counter()
    for one in nodes(value):
        name = type(one).__name__
        found[name] += 1
        for key in one._names:
            given_it = getattr(one, key) not in (None, (), False, "")
            found[f"{name}.{key}{'' if given_it else ' left out'}"] += 1
    return found


# A recipe is one, and calls are expanded later on.
NEVER = {"Called", "Recipe"}


def test_the_generator_makes_every_node_and_leaves_out_what_can_be() -> None:
    found: Counter[str] = Counter()
    for seed in range(200):
        found += kinds(recipe(Random(seed)))
    made = {name for name in tree.__all__ if isinstance(getattr(tree, name), type)}
    made -= {"Block", "Node"}
    assert {name for name in made - NEVER if found[name] < 10} == set()
    for name in ("Sweep.logarithmic", "Sweep.pulsed", "Sweep.width", "Sweep.reading", "Ramp.rate",
                 "Ramp.duration", "PulseStep.countdown", "CaptureStep.trigger", "Every.otherwise",
                 "Settle.otherwise", "WaitFor.otherwise", "If.otherwise", "Ask.bounds",
                 "Rating.per_pulse", "Rating.by", "Part.may_be_destroyed", "Part.not_pushed",
                 "Result.each", "Result.unit", "Argument.name", "Range.low", "Range.high",
                 "Stop.text", "Repeat.count", "SourceStep.limit", "Measure.columns",
                 "Plot.y_logarithmic"):  # fmt: skip
        assert found[name] > 5, name
        assert found[f"{name} left out"] > 5, name


@pytest.mark.parametrize("path", SHIPPED, ids=lambda path: path.stem)
def test_the_shipped_recipes_are_canonical(path: Path) -> None:
    text = path.read_text("utf-8")
    assert formatted(text) == text


@pytest.mark.parametrize("text", FINE)
def test_what_is_fine_can_be_formatted(text: str) -> None:
    assert comments(formatted(text)) == comments(text)


def test_a_text_with_errors_is_not_touched() -> None:
    text = 'recipe  "Ridge weather station"\nsteps:\n  wait 3 x\n'
    found, problems = format_text(text, "buffer.recipe")
    assert found == text
    assert [p.place for p in problems] == ["buffer.recipe:3:10"]


def test_a_line_that_would_grow_too_long_is_said_and_not_touched() -> None:
    text = f'recipe "Ridge weather station"\nsteps:\n say "{"x" * 3_993}"\n'
    assert not len(parse(text)[1])
    found, problems = format_text(text)
    assert found == text
    assert [p.slug for p in problems] == ["too-long"]


def test_ends_of_lines_and_the_mark_at_the_start() -> None:
    text = '\ufeffrecipe "Ridge weather station"\r\nsteps:\r\n    wait 1 s'
    assert formatted(text) == 'recipe "Ridge weather station"\n\nsteps:\n    wait 1 s\n'


UNTIDY = """\


# about it
recipe   "Ridge weather station: {{buffer}}"
about "One."


about "Two."
channel smu: source,  sink , measure,   # what it must
    # and with four wires
    remote  sense
part bank is capacitor on smu,not pushed , may be destroyed: # an old one
    voltage -.05V to 2.8 V   #by its label
    # nothing else is known
# before settings
setting rated = 2.7V in up to 2.7 V
steps:

    # first
    sweep smu voltage from 0V to 1 V in 71 points, into curve, until smu.current>=3 A, # why
        reading a and b, logarithmic, settle 20ms, limit (up_to + rated)
    let x = (a*(b+c))−(d-(e)) + (5 mΩ)² - 2² * 4k7Ω
    let y = (rise_2 - rise_1) / ((I_3 - I_2)/ln(I_3 / I_2) - (I_2 - I_1)/ln(I_2/I_1)) * V_thermal²
    do soak(
        # the first
        a, b = up to 3 V)
    if not (a < 1 V and b>2):
        wait 1 s
        # an inner end

    # an outer beginning

    else :
        leave
# at the edge
    wait 2 s

        # far in
results:
  C = x  for  each curve.a as mΩ/m² "the \\"title\\""
"""

TIDY = """\
# about it
recipe "Ridge weather station: {{buffer}}"
about "One."

about "Two."
channel smu: source, sink, measure,  # what it must
    # and with four wires
    remote sense

part bank is capacitor on smu, may be destroyed, not pushed:  # an old one
    voltage -.05 V to 2.8 V  # by its label
    # nothing else is known

# before settings
setting rated = 2.7 V in up to 2.7 V

steps:
    # first
    sweep smu voltage from 0 V to 1 V in 71 points, logarithmic,  # why
        limit up_to + rated, settle 20 ms, until smu.current >= 3 A,
        reading a and b, into curve
    let x = a * (b + c) - (d - e) + (5 mohm)^2 - 2^2 * 4k7 ohm
    let y = (rise_2 - rise_1) / ((I_3 - I_2) / ln(I_3 / I_2)
        - (I_2 - I_1) / ln(I_2 / I_1)) * V_thermal^2
    # the first
    do soak(a, b = up to 3 V)
    if not (a < 1 V and b > 2):
        wait 1 s
        # an inner end

    # an outer beginning
    else:
        leave
    # at the edge
    wait 2 s

    # far in

results:
    C = x for each curve.a as mohm/m^2 "the \\"title\\""
"""


def test_an_untidy_recipe() -> None:
    assert formatted(UNTIDY) == TIDY


@pytest.mark.parametrize(
    ("written", "laid_out"),
    [
        ("a-(b-c)", "a - (b - c)"),
        ("(a-b)-c", "a - b - c"),
        ("a/(b*c)", "a / (b * c)"),
        ("(a*b)/c", "a * b / c"),
        ("(a^b)^c", "(a^b)^c"),
        ("a^(b^c)", "a^b^c"),
        ("a^(-b)", "a^-b"),
        ("(-a)^b", "(-a)^b"),
        ("-(a^b)", "-a^b"),
        ("-(a*b)", "-(a * b)"),
        ("(2 m)^2", "(2 m)^2"),
        ("2 m^2", "2 m^2"),
        ("(-5 °C)^2", "(-5 °C)^2"),
        ("- 5degC", "-5 °C"),
        ("20 °C - -5 °C", "20 °C - -5 °C"),
        ("(not a) and b", "not a and b"),
        ("not (a and b)", "not (a and b)"),
        ("a or (b and c)", "a or b and c"),
        ("(a or b) and c", "(a or b) and c"),
        ("a or (b or c)", "a or (b or c)"),
        ("(a<b) and (c in 1 V+/-2%)", "a < b and c in 1 V ± 2 %"),
        ("(a < b) + c", "(a < b) + c"),
        ("5V/s_total", "5 V / s_total"),
        ("max( a,b , at  least 3 )", "max(a, b, at least 3)"),
        ("3 · x³", "3 * x^3"),
        ('"{{}}" < "\\\\"', '"{{}}" < "\\\\"'),
    ],
)
def test_a_value_has_the_brackets_that_it_needs(written: str, laid_out: str) -> None:
    text = 'recipe "Ridge"\n\nsteps:\n    let x = {}\n'
    assert formatted(text.format(written)) == text.format(laid_out)
    assert parse_expression(written) == parse_expression(laid_out)


@pytest.mark.parametrize(
    ("written", "laid_out"),
    [
        # In the order of the reference.
        (
            "pulse smu current 5 A, into kick, count 3, period 1 s, width 1 ms, limit 3 V",
            "pulse smu current 5 A, limit 3 V, width 1 ms, period 1 s, count 3, into kick",
        ),
        (
            "ramp smu voltage to 1 V over 3 s, into upwards, reading a and b, until a > b, "
            "in steps of 10 mV",
            "ramp smu voltage to 1 V over 3 s, in steps of 10 mV, until a > b, reading a and b, "
            "into upwards",
        ),
        (
            "settle meter.temperature within 1 K over 1 min, at most 1 h, every 1 s",
            "settle meter.temperature within 1 K over 1 min, every 1 s, at most 1 h",
        ),
        # A line that a person has broken stays so; one that has grown too long is broken.
        ("measure smu,\n        meter into curve", "measure smu,\n        meter into curve"),
        (
            f"measure {', '.join(f'channel_{n}' for n in range(10))} into curve",
            f"measure {', '.join(f'channel_{n}' for n in range(8))},\n"
            f"        {', '.join(f'channel_{n}' for n in range(8, 10))} into curve",
        ),
        # A name that begins a line of its own elsewhere doesn't begin one here.
        (
            f"let x = max({'a' * 80}, source - b, set - c)",
            f"let x = max({'a' * 80}, source\n        - b, set - c)",
        ),
        ("wait for lid high,at most 3 min", "wait for lid high, at most 3 min"),
        ('ask "How long?",into time in 1 s to 2 s', 'ask "How long?", into time in 1 s to 2 s'),
        ('say "At {  smu.voltage*2 }"', 'say "At {smu.voltage * 2}"'),
        ("stop", "stop"),
    ],
)
def test_a_step_laid_out(written: str, laid_out: str) -> None:
    text = 'recipe "Ridge"\n\nsteps:\n    {}\n'
    assert formatted(text.format(written)) == text.format(laid_out)


def test_a_step_by_itself() -> None:
    text = (
        "every 1 s until smu.voltage > 1 V, at most 1 min:\n"
        "    measure smu\n"
        "otherwise:\n"
        '    if confirm "Again?":\n'
        "        leave\n"
        "    else if a > 1:\n"
        "        stop\n"
        "    else:\n"
        '        fail "No."'
    )
    recipe_around = 'recipe "Ridge"\nsteps:\n' + re.sub("^", "    ", text, flags=re.MULTILINE)
    (step,) = parse(recipe_around)[0].steps
    assert step_text(step) == text
