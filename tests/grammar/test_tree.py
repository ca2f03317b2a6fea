"""What a text becomes: spans that point at it, and nodes that are compared by meaning."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from grammar import tree
from grammar.diagnostic import Span
from grammar.parse import parse, parse_expression
from grammar.quantity import read
from tests.conftest import examples

SHIPPED = sorted((Path(__file__).parents[2] / "recipes").glob("*.recipe"))
FINE = [
    example.recipe
    for example in examples((Path(__file__).parent / "silence.md").read_text("utf-8"))
]
TEXTS = [*(path.read_text("utf-8") for path in SHIPPED), *FINE]


def nodes(value: Any) -> Iterator[Any]:
    """A node and all nodes in it."""
    if isinstance(value, tuple | list):
        for item in value:
            yield from nodes(item)
    elif isinstance(value, tree.Node):
        yield value
        for name in value._names:
            yield from nodes(getattr(value, name))


def offset(text: str, line: int, column: int) -> int:
    return len("".join(part + "\n" for part in text.split("\n")[: line - 1])) + column - 1


def slice_of(text: str, span: Span) -> str:
    return text[offset(text, span.line, span.column) : offset(text, span.end_line, span.end_column)]


def without_comments(text: str) -> str:
    """An expression may go on over lines with comments, which are no part of an expression."""
    return "\n".join(line.partition("#")[0] for line in text.split("\n"))


@pytest.mark.parametrize("text", TEXTS)
def test_no_node_stands_in_a_field_that_is_said_to_hold_none(text: str) -> None:
    """What goes through a tree by its fields with nodes in them misses none of it."""
    for node in nodes(parse(text)[0]):
        for name in set(node._names) - set(node._inner):
            assert not list(nodes(getattr(node, name))), (node, name)
    assert tree.Name._inner == tree.Number._inner == ()
    assert tree.Member._inner == ("base", "field")


@pytest.mark.parametrize("text", TEXTS)
def test_every_expression_is_what_its_span_says(text: str) -> None:
    """The text at an expression's span, read by itself, is that expression."""
    recipe, problems = parse(text)
    assert not len(problems)
    seen = 0
    for node in nodes(recipe):
        if isinstance(node, tree.Recipe):
            continue
        cut = slice_of(text, node.span)
        assert cut, node
        assert cut == cut.strip()
        if isinstance(node, tree.Range | tree.Within | tree.Tolerance):
            # A span is no value by itself; it stands behind `in`.
            assert parse_expression(f"x in {without_comments(cut)}") == tree.Inside(
                tree.Name("x"), node
            )
        elif isinstance(node, tree.Text):
            assert (cut[0], cut[-1]) == ('"', '"')
        elif isinstance(node, tree.Name):
            # Of a setup's items and of kinds, names have more than one word.
            assert " ".join(cut.split()) == node.id
        elif isinstance(node, tree.Number) and node.text in "²³":
            assert cut == node.text
        elif isinstance(node, tree.Expression):
            assert parse_expression(without_comments(cut)) == node
        seen += 1
    assert seen >= 3


@pytest.mark.parametrize("text", TEXTS)
def test_every_node_lies_within_the_one_that_holds_it(text: str) -> None:
    recipe, _ = parse(text)
    for outer in nodes(recipe):
        for name in outer._names:
            for inner in nodes(getattr(outer, name)):
                if name not in ("body", "otherwise", "arms", "ratings", "facts"):
                    assert outer.span[:2] <= inner.span[:2], (outer, inner)
                    assert inner.span[2:] <= outer.span[2:], (outer, inner)


@pytest.mark.parametrize("text", TEXTS)
def test_a_step_begins_with_its_word(text: str) -> None:
    recipe, _ = parse(text)
    for node in nodes((recipe.steps, recipe.final)):
        if isinstance(node, tree.Step):
            line = text.split("\n")[node.span.line - 1]
            assert node.span.column == len(line) - len(line.lstrip()) + 1


def test_precedence() -> None:
    """As in ISO 80000-2: powers before signs, these before products, sums, comparisons, logic."""
    for text, bracketed in (
        ("a + b * c", "a + (b * c)"),
        ("a - b - c", "(a - b) - c"),
        ("a / b / c", "(a / b) / c"),
        ("a / b * c", "(a / b) * c"),
        ("-a ^ b", "-(a ^ b)"),
        ("-a²", "-(a²)"),
        ("a ^ b ^ c", "a ^ (b ^ c)"),
        ("a ^ -b", "a ^ (-b)"),
        ("2 * -a", "2 * (-a)"),
        ("a + b < c * d", "(a + b) < (c * d)"),
        ("not a < b", "not (a < b)"),
        ("not a and b", "(not a) and b"),
        ("a < b and c < d or e < f", "((a < b) and (c < d)) or (e < f)"),
        ("a or b and c", "a or (b and c)"),
        ("a + b in c to d + e", "(a + b) in (c) to (d + e)"),
        ("a in b ± c * d", "a in (b) ± (c * d)"),
        ("not a in b", "not (a in b)"),
    ):
        assert parse_expression(text) == parse_expression(bracketed), text
    assert parse_expression("(a + b) * c") != parse_expression("a + b * c")


@pytest.mark.parametrize(
    ("one", "other"),
    [
        ("a − b", "a - b"),
        ("a · b", "a * b"),
        ("a²", "a ^ 2"),
        ("a³", "a^3"),
        ("a in 3 V +/- 2 %", "a in 3 V ± 2 %"),
        ("5 μA", "5 uA"),
        ("5 µA", "5 uA"),
        ("5 Ω", "5 ohm"),
        ("5 \u2126", "5 ohm"),
        ("25 °C", "25 degC"),
        ("5 W/m²", "5 W/m^2"),
        ("5 V·s", "5 V*s"),
        ("2.7V", "2.7 V"),
        ("0.35 F", "350 mF"),
    ],
)
def test_two_ways_of_writing_mean_the_same(one: str, other: str) -> None:
    assert parse_expression(one) == parse_expression(other)


def number(text: str) -> tree.Number:
    return tree.Number(read(text), text)


def test_a_recipe_s_tree() -> None:
    recipe, problems = parse(
        'recipe "Ridge weather station: {{buffer}}"\n'
        'about "It says \\"done\\"."\n'
        "channel smu: source, remote  sense\n"
        "part bank is solar cell on smu, not pushed:\n"
        "    voltage up to 2.8 V\n"
        "setting rated = 2.7 V in at least 1 V\n"
        "steps:\n"
        "    every 1 s until smu.voltage >= rated, at most 1 h:\n"
        "        measure smu into curve with rated\n"
        "    otherwise:\n"
        '        fail "At {smu.voltage} still."\n'
        "    if rated > 1 V:\n"
        "        leave\n"
        "    else if not confirmed:\n"
        "        stop\n"
        "    else:\n"
        "        repeat:\n"
        "            reset smu.charge\n"
        "results:\n"
        "    C = capacitance(curve, start = 1 V to 2 V) as mF\n"
    )
    assert not len(problems)
    name = tree.Name
    smu, rated = name("smu"), name("rated")
    assert recipe == tree.Recipe(
        "Ridge weather station: {buffer}",
        ('It says "done".',),
        (tree.Channel(smu, (tree.Capability("source"), tree.Capability("remote sense"))),),
        (),
        (
            tree.Part(
                name("bank"), name("solar cell"), smu, True, False,
                (tree.Rating(name("voltage"), tree.Range(None, number("2.8 V"))),), (),
            ),
        ),
        (tree.Setting(rated, number("2.7 V"), tree.Range(number("1 V"), None), ""),),
        (),
        (),
        (),
        (
            tree.Every(
                number("1 s"), None, tree.Compare(">=", tree.Member(smu, name("voltage")), rated),
                number("1 h"), (tree.Measure((smu,), name("curve"), (rated,)),),
                (tree.Fail(tree.Text(("At ", tree.Member(smu, name("voltage")), " still."))),),
            ),
            tree.If(
                (
                    tree.Arm(tree.Compare(">", rated, number("1 V")), (tree.Leave(),)),
                    tree.Arm(tree.Not(name("confirmed")), (tree.Stop(None),)),
                ),
                (tree.Repeat(None, (tree.Reset(tree.Member(smu, name("charge"))),)),),
            ),
        ),
        (),
        (
            tree.Result(
                name("C"),
                tree.Call(
                    name("capacitance"),
                    (
                        tree.Argument(name("curve")),
                        tree.Argument(tree.Range(number("1 V"), number("2 V")), "start"),
                    ),
                ),
                None,
                "mF",
                "",
            ),
        ),
    )  # fmt: skip


def test_nodes_are_compared_by_meaning_and_do_not_change() -> None:
    here, there = tree.Name("a", Span(1, 1, 1, 2)), tree.Name("a", Span(7, 3, 7, 4))
    assert here == there
    assert hash(here) == hash(there)
    assert here != tree.Name("b")
    assert here != "a"
    assert tree.Leave() != tree.Stop(None)
    assert repr(here) == "Name(id='a')"
    with pytest.raises(dataclasses.FrozenInstanceError, match="a Name doesn't change"):
        here.id = "b"  # type: ignore[misc]
    for wrong in ((), ("a", Span(1, 1, 1, 2), 3)):
        with pytest.raises(TypeError, match="Name takes id, span"):
            tree.Name(*wrong)


def test_an_expression_by_itself_has_its_problems_too() -> None:
    for text, message in (
        ("", "this value ends too early"),
        ("1 V +", "this value ends too early"),
        ("1 Volt", "“Volt” is not a unit that is known here"),
        ("wait 1 s", "“1” makes no sense here"),
        ("1e400 V", "the number is too large"),
    ):
        with pytest.raises(ValueError, match=message) as refused:
            parse_expression(text)
        assert str(refused.value) == message
    assert parse_expression("2 * 3 V") == tree.Binary("*", number("2"), number("3 V"))
