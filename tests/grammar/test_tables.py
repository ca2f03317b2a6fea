"""The baked tables are those of the grammar, the grammar is clean, and its words are all known."""

from __future__ import annotations

import re
import subprocess
import sys
from itertools import pairwise
from pathlib import Path
from random import Random
from typing import Any

import pytest
from lark import Lark
from lark.exceptions import LarkError, UnexpectedInput

from grammar import tables
from grammar.first_words import FIRST_WORDS, kind_of
from grammar.layout import recipe_text
from grammar.quantity import SIMPLE_UNITS
from grammar.wording import RESERVED, keywords
from tests.grammar.fuzz import SPOILS
from tests.grammar.trees import recipe


def test_the_baked_tables_are_those_of_the_grammar() -> None:
    """Else: python -m grammar.tables."""
    assert tables.TABLES.read_bytes().startswith(tables.mark())


def changed_grammar(monkeypatch: pytest.MonkeyPatch, folder: Path, old: str, new: str) -> None:
    """A grammar with one piece exchanged takes the place of the real one."""
    text = tables.GRAMMAR.read_text("utf-8")
    assert text.count(old) == 1
    changed = folder / "changed.lark"
    changed.write_text(text.replace(old, new), "utf-8")
    monkeypatch.setattr(tables, "GRAMMAR", changed)


def test_a_changed_grammar_is_noticed(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    changed_grammar(monkeypatch, tmp_path, "_STOP [STRING]", "_STOP STRING")
    assert not tables.TABLES.read_bytes().startswith(tables.mark())


@pytest.fixture(scope="module")
def judge() -> Lark:
    return tables.build()


def assert_read_alike(line: str, start: str, judge: Lark) -> bool:
    """The baked parser and one made anew make the same of a line; whether it could be read."""
    try:
        theirs = judge.parse(line, start=start)
    except UnexpectedInput as error:
        with pytest.raises(tables.Unexpected) as refused:
            tables.parse_line(line, start)
        accepted: set[str] = error.interactive_parser.accepts()  # type: ignore[attr-defined, no-untyped-call]
        assert refused.value.expected == accepted, line
        return False
    assert tables.parse_line(line, start) == theirs, line
    return True


def test_every_line_is_read_as_by_a_parser_made_anew(judge: Lark) -> None:
    """Lines of random recipes, as they are and spoilt: the same tree, or the same refusal."""
    random = Random(0)
    read = refused = 0
    for seed in range(60):
        for line in recipe_text(recipe(Random(seed))).split("\n"):
            line = line.strip()
            start = kind_of(line) or "step"
            if line.split("#")[0]:
                read += assert_read_alike(line, start, judge)
            for _ in range(3):
                spoilt = random.choice(SPOILS)(random, line).replace("\n", " ").strip()
                start = random.choice((kind_of(spoilt) or "step", *tables.STARTS))
                refused += not assert_read_alike(spoilt, start, judge)
    assert read > 1_500
    assert refused > 3_000


@pytest.mark.parametrize(
    ("line", "start", "position"),
    [
        ("wait 5 s 3", "step", 9),  # a word too many
        ("source smu voltage 2.7 V, limit", "step", 31),  # the line ends
        ("wait ?", "step", 5),  # no word of the language
        ("", "expression", 0),
    ],
)
def test_what_cannot_be_read_has_its_place(line: str, start: str, position: int) -> None:
    with pytest.raises(tables.Unexpected) as refused:
        tables.parse_line(line, start)
    assert refused.value.position == position
    assert refused.value.expected


class TestStrict:
    """Lark resolves conflicts in silence unless it is strict, which takes interegular."""

    @pytest.fixture(autouse=True)
    def _interegular(self) -> None:
        pytest.importorskip("interegular", reason="Lark finds collisions of terminals with it only")

    def test_no_conflict_and_no_collision(self) -> None:
        tables.build(strict=True)

    @pytest.mark.parametrize(
        ("old", "new"),
        [
            # “-” is both a difference and a product.
            ("TIMES: /[*·]/", "TIMES: /[*·-]/"),
            # “repeat 3 -2” is one count or two.
            ('_REPEAT [sum _TIMES] ":"', "_REPEAT sum [sum]"),
        ],
    )
    def test_conflicts_and_collisions_would_be_found(
        self, monkeypatch: pytest.MonkeyPatch, tmp_path: Path, old: str, new: str
    ) -> None:
        changed_grammar(monkeypatch, tmp_path, old, new)
        with pytest.raises(LarkError):
            tables.build(strict=True)


def read_in_two_ways(parser: Lark) -> set[tuple[str, str, str]]:
    """Words, and the two terminals of one priority that read it where both may stand.

    interegular can't tell for patterns with a look-ahead, as all words of the language have.
    """
    words = [
        *keywords().values(),
        *SIMPLE_UNITS,
        "rated",
        "5",
        "2.7 V",
        "2.7",
        '"text"',
        *"()<>=:,.",
    ]
    lexers: Any = parser.parser.lexer
    found = set()
    for terminals in {tuple(lexer.terminals) for lexer in lexers.lexers.values()}:
        compiled = [(t, re.compile(t.pattern.to_regexp())) for t in terminals]
        for word in words:
            matching = [t for t, pattern in compiled if pattern.fullmatch(word)]
            first = [t for t in matching if t.priority == max(m.priority for m in matching)]
            found |= {(word, a.name, b.name) for a, b in pairwise(first)}
    return found


def test_no_word_is_read_in_two_ways() -> None:
    assert read_in_two_ways(tables.build()) == set()


def test_a_word_that_is_read_in_two_ways_is_found(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """Without its priority the “on” behind a kind of part would be the second word of the kind."""
    changed_grammar(monkeypatch, tmp_path, "_ON.2:", "_ON:")
    assert ("on", "NAME", "_ON") in {
        (w, *sorted(ab)) for w, *ab in read_in_two_ways(tables.build())
    }


TERMINALS = tables.build().terminals
WORDS = {t.name: t.pattern.value for t in TERMINALS if t.name not in (
    "NAME", "WORDS", "QUANTITY", "UNIT", "NUMBER", "STRING"
)}  # fmt: skip


def test_every_word_of_the_grammar_ends_where_a_word_ends() -> None:
    """Else “andb” were “and b”, and “limitrate” a limit."""
    spelt = {name: value for name, value in WORDS.items() if re.search(r"[a-z]{2}", value)}
    assert len(spelt) > 50
    for name, value in spelt.items():
        assert re.fullmatch(r"[a-z]+(\\s\+[a-z]+)*\(\?!\\w\)", value), (name, value)
    # None is a plain text, and each goes before names.
    for terminal in TERMINALS:
        if terminal.name in spelt:
            assert (terminal.pattern.type, terminal.priority >= 2) == ("re", True), terminal.name


def test_the_keywords_of_the_messages_are_those_of_the_grammar() -> None:
    spelt = {n: v for n, v in WORDS.items() if re.search(r"[a-z]{2}", v)}
    assert keywords() == {
        name: value.removesuffix(r"(?!\w)").replace(r"\s+", " ") for name, value in spelt.items()
    }
    for name, words in keywords().items():
        assert name.strip("_").lower() == words.replace(" ", "_")


def test_the_reserved_words_are_those_that_no_name_can_be() -> None:
    (name,) = [t for t in TERMINALS if t.name == "NAME"]
    inside = re.search(r"\(\?!\(\?:([a-z|]+)\)", name.pattern.value)
    assert inside is not None
    assert set(inside[1].split("|")) == RESERVED


@pytest.mark.parametrize("start", ["declaration", "step", "result", "rating"])
def test_the_first_words_are_those_that_the_grammar_begins_with(start: str) -> None:
    accepted: set[str] = tables.build().parse_interactive("", start=start).accepts()  # type: ignore[no-untyped-call]
    words = {keywords()[t].split()[0] for t in accepted if t in keywords()}
    if start == "rating":
        # A rating begins with any name; which there are is the checker's business.
        # Facts have words of their own.
        assert words <= set(FIRST_WORDS[start])
        assert accepted - keywords().keys() == {"NAME"}
    else:
        assert words == set(FIRST_WORDS[start])
        assert accepted - keywords().keys() == ({"NAME"} if start == "result" else set())


def test_no_first_word_begins_two_kinds_of_lines() -> None:
    words = [word for kind in FIRST_WORDS.values() for word in kind]
    assert len(words) == len(set(words))


def test_tables_are_loaded_and_not_made_where_a_recipe_is_read() -> None:
    """Making them takes longer than a check may."""
    script = (
        "import grammar.tables as tables\n"
        "from grammar.parse import parse\n"
        "def made(*_): raise AssertionError\n"
        "tables.build = tables.grammar_text = made\n"
        "assert not len(parse('recipe \"Ridge\"\\nsteps:\\n    wait 1 s\\n')[1])\n"
    )
    subprocess.run([sys.executable, "-c", script], check=True)


def test_lines_that_repeat_are_parsed_once_and_placed_each_for_itself() -> None:
    from grammar.parse import parse

    text = 'recipe "Ridge"\nsteps:\n' + "    wait 1 s\n" * 3
    recipe_read, problems = parse(text)
    assert not len(problems)
    assert [step.span.line for step in recipe_read.steps] == [3, 4, 5]
