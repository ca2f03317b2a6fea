"""The baked tables are those of the grammar, the grammar is clean, and its words are all known."""

from __future__ import annotations

import json
import pickle
import re
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from lark import Lark
from lark import __version__ as lark_version
from lark.exceptions import LarkError

from grammar import tables
from grammar.first_words import FIRST_WORDS
from grammar.quantity import SIMPLE_UNITS
from grammar.wording import RESERVED, keywords


def comparable(baked: bytes) -> tuple[Any, ...]:
    """Tables without the numbers of states and words, which differ from one build to the next.

    States are numbered anew in the order in which they are met from the start symbols.
    """
    version, _, saved = baked.partition(b"\n")
    data = pickle.loads(saved)  # noqa: S301 - it is the package's own file
    memo = {key: json.dumps(value, sort_keys=True) for key, value in data["memo"].items()}
    parser = data["data"]["parser"]["parser"]
    names = parser["tokens"]
    number: dict[int, int] = {}
    queue = [parser["start_states"][start] for start in sorted(parser["start_states"])]
    table = []
    for state in queue:
        number.setdefault(state, len(number))
    for state in queue:
        row: list[tuple[Any, ...]] = []
        for token in sorted(parser["states"][state], key=names.__getitem__):
            action, argument = parser["states"][state][token]
            if isinstance(argument, dict):
                row.append((names[token], action, memo[argument["@"]]))
                continue
            if argument not in number:
                number[argument] = len(number)
                queue.append(argument)
            row.append((names[token], action, number[argument]))
        table.append(row)
    assert len(table) == len(parser["states"])
    ends = {start: number[state] for start, state in parser["end_states"].items()}
    lexer = data["data"]["parser"]["lexer_conf"]
    terminals = sorted(memo[terminal["@"]] for terminal in lexer["terminals"])
    rules = sorted(memo[rule["@"]] for rule in data["data"]["rules"])
    return version, table, ends, terminals, lexer["ignore"], rules, data["data"]["options"]


def test_the_baked_tables_are_those_of_the_grammar() -> None:
    """Else: python -m grammar.tables."""
    assert comparable(tables.TABLES.read_bytes()) == comparable(tables.bake())


def changed_grammar(monkeypatch: pytest.MonkeyPatch, folder: Path, old: str, new: str) -> None:
    """A grammar with one piece exchanged takes the place of the real one."""
    text = tables.GRAMMAR.read_text("utf-8")
    assert text.count(old) == 1
    changed = folder / "changed.lark"
    changed.write_text(text.replace(old, new), "utf-8")
    monkeypatch.setattr(tables, "GRAMMAR", changed)


def test_a_changed_grammar_is_noticed(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    changed_grammar(monkeypatch, tmp_path, "_STOP [STRING]", "_STOP STRING")
    assert comparable(tables.TABLES.read_bytes()) != comparable(tables.bake())


def test_tables_of_another_version_of_lark_are_built_anew(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    other = tmp_path / "recipe.tables"
    other.write_bytes(b"0.0.1\nno pickle at all")
    assert tables.TABLES.read_bytes().startswith(lark_version.encode() + b"\n")
    monkeypatch.setattr(tables, "TABLES", other)
    parser = tables.load.__wrapped__()
    assert parser.parse("wait 1 s", start="step").data == "wait"


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
    assert read_in_two_ways(tables.load()) == set()


def test_a_word_that_is_read_in_two_ways_is_found(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """Without its priority the “on” behind a kind of part would be the second word of the kind."""
    changed_grammar(monkeypatch, tmp_path, "_ON.2:", "_ON:")
    assert ("on", "NAME", "_ON") in {
        (w, *sorted(ab)) for w, *ab in read_in_two_ways(tables.build())
    }


WORDS = {t.name: t.pattern.value for t in tables.load().terminals if t.name not in (
    "NAME", "WORDS", "QUANTITY", "UNIT", "NUMBER", "STRING"
)}  # fmt: skip


def test_every_word_of_the_grammar_ends_where_a_word_ends() -> None:
    """Else “andb” were “and b”, and “limitrate” a limit."""
    spelt = {name: value for name, value in WORDS.items() if re.search(r"[a-z]{2}", value)}
    assert len(spelt) > 50
    for name, value in spelt.items():
        assert re.fullmatch(r"[a-z]+(\\s\+[a-z]+)*\(\?!\\w\)", value), (name, value)
    # None is a plain text, and each goes before names.
    for terminal in tables.load().terminals:
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
    (name,) = [t for t in tables.load().terminals if t.name == "NAME"]
    inside = re.search(r"\(\?!\(\?:([a-z|]+)\)", name.pattern.value)
    assert inside is not None
    assert set(inside[1].split("|")) == RESERVED


@pytest.mark.parametrize("start", ["declaration", "step", "result", "rating"])
def test_the_first_words_are_those_that_the_grammar_begins_with(start: str) -> None:
    accepted: set[str] = tables.load().parse_interactive("", start=start).accepts()  # type: ignore[no-untyped-call]
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
