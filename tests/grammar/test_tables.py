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
from lark import Lark, Token, Tree
from lark.exceptions import LarkError, UnexpectedInput

from grammar import lalr, tables
from grammar.first_words import FIRST_WORDS, kind_of
from grammar.layout import recipe_text
from grammar.quantity import SIMPLE_UNITS
from grammar.wording import RESERVED, keywords
from tests.grammar.fuzz import SPOILS
from tests.grammar.trees import recipe


def test_the_baked_tables_are_those_of_the_grammar() -> None:
    """Else: python -m grammar.tables."""
    assert lalr.TABLES.read_bytes() == tables.bake()


def changed_grammar(monkeypatch: pytest.MonkeyPatch, folder: Path, old: str, new: str) -> None:
    """A grammar with one piece exchanged takes the place of the real one."""
    text = tables.GRAMMAR.read_text("utf-8")
    assert text.count(old) == 1
    changed = folder / "changed.lark"
    changed.write_text(text.replace(old, new), "utf-8")
    monkeypatch.setattr(tables, "GRAMMAR", changed)


def test_a_changed_grammar_is_noticed(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    changed_grammar(monkeypatch, tmp_path, "_STOP [STRING]", "_STOP STRING")
    assert lalr.TABLES.read_bytes() != tables.bake()


def same(ours: Any, theirs: Any) -> bool:
    """Whether a branch is the tree that Lark makes, its words and places as well."""
    if isinstance(theirs, Tree):
        return (
            (ours.data, len(ours.children)) == (theirs.data, len(theirs.children))
            and (ours.start_pos, ours.end_pos) == (theirs.meta.start_pos, theirs.meta.end_pos)
            and all(map(same, ours.children, theirs.children))
        )
    if isinstance(theirs, Token):
        return (str(ours), ours.type, ours.start_pos, ours.end_pos) == (
            str(theirs), theirs.type, theirs.start_pos, theirs.end_pos
        )  # fmt: skip
    return ours is None and theirs is None


def assert_read_alike(line: str, start: str, judge: Lark) -> bool:
    """Ours and Lark make the same of a line; whether it could be read."""
    try:
        theirs = judge.parse(line, start=start)
    except UnexpectedInput as error:
        place = error.pos_in_stream
        if place is None or getattr(getattr(error, "token", None), "type", "") == "$END":
            place = len(line)
        with pytest.raises(lalr.Unexpected) as refused:
            lalr.load().parse(line, start)
        accepted: set[str] = error.interactive_parser.accepts()  # type: ignore[no-untyped-call]
        assert (refused.value.position, refused.value.expected) == (place, accepted), line
        return False
    assert same(lalr.load().parse(line, start), theirs), line
    return True


@pytest.fixture(scope="module")
def judge() -> Lark:
    return tables.build()


def test_every_line_is_read_as_lark_reads_it(judge: Lark) -> None:
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


def test_a_recipe_is_read_without_lark_and_without_what_is_slow_to_load() -> None:
    """Lark takes 50 ms to load and dataclasses, by way of inspect, 10."""
    script = (
        "import sys\n"
        "from grammar.parse import parse\n"
        "text = 'recipe \"Ridge\"\\nsteps:\\n    wait 1 s\\n'\n"
        "assert not len(parse(text)[1])\n"
        "print(*sorted(sys.modules.keys() & {'lark', 'dataclasses', 'inspect', 'pickle'}))\n"
    )
    ran = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    assert ran.stdout.split() == []
