"""The parser of one line: it walks the tables that Lark made of the grammar, without Lark.

Loading Lark takes half the time in which a recipe is to be checked, so that its tables are baked
(`grammar.tables`) and walked here: LALR(1), with a lexer that tries at each place just the words
that may stand there. A test holds both to the same trees and the same errors. Knows no grammar.
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from functools import lru_cache
from pathlib import Path
from typing import Any, NamedTuple

TABLES = Path(__file__).parent / "recipe.tables"
END = "$END"


class Word(str):
    """A word of a line: its text, its terminal, and the stretch of text."""

    __slots__ = ("end_pos", "start_pos", "type")
    start_pos: int
    end_pos: int
    type: str


class Branch:
    """What a rule has read: the rule's name, what it is made of, and the stretch of text."""

    __slots__ = ("children", "data", "end_pos", "start_pos")

    def __init__(self, data: str, children: list[Any], start_pos: int, end_pos: int) -> None:
        self.data = data
        self.children = children
        self.start_pos = start_pos
        self.end_pos = end_pos


class Unexpected(Exception):
    """A line that makes no sense from `position` on, where one of `expected` could stand."""

    def __init__(self, position: int, expected: set[str]) -> None:
        super().__init__(position)
        self.position = position
        self.expected = expected


class Rule(NamedTuple):
    """How a rule's symbols become a branch.

    `kept` has, for each symbol that is kept, its index, whether its own children take its place,
    and how many optional parts were left out before it; `left_out` is how many after the last. With
    `passes`, a single child stands for itself.
    """

    origin: str
    name: str
    length: int
    kept: list[tuple[int, bool, int]]
    left_out: int
    passes: bool


_Match = Callable[[str, int], re.Match[str] | None]
_WORD = re.compile(r"[^\W\d]\w*").match
_KEYWORD = re.compile(r"([a-z]+)((?:\\s\+[a-z]+)*)\(\?!\\w\)")


class _Scanner(NamedTuple):
    """What reads the word at a state.

    Numbers and units are tried first, then words of the language (by the first of their words,
    with a pattern where they have more than one), then the rest.
    """

    numbers: list[tuple[str, _Match]]
    keywords: dict[str, list[tuple[str, _Match | None]]]
    others: list[tuple[str, _Match]]
    signs: _Match


class Parser:
    """The tables of a grammar, walked."""

    def __init__(self, baked: bytes) -> None:
        data = json.loads(baked)
        self.terminals: dict[str, str] = data["terminals"]
        # An entry is the state that follows, or for a reduction ~ the number of its rule.
        self.states: list[dict[str, int]] = data["states"]
        self.rules = [Rule(*rule) for rule in data["rules"]]
        self.starts: dict[str, tuple[int, int]] = data["starts"]
        self._scanners: list[list[str]] = data["scanners"]
        self._scanner_of: list[int] = data["scanner_of"]
        self._made: dict[int, _Scanner] = {}
        self._compiled: dict[str, _Match] = {}
        self._passed: dict[tuple[int, int, str], int] = {}

    def _scanner(self, state: int) -> _Scanner:
        """What reads the word at a state: made where it is needed, as few are for a recipe.

        Every pattern is compiled once for all; one pattern a state would take the most of the time
        in which a recipe is to be read.
        """
        number = self._scanner_of[state]
        scanner = _Scanner([], {}, [], self._pattern("(?!)"))
        signs = []
        for name in self._scanners[number]:
            pattern = self.terminals[name]
            keyword = _KEYWORD.fullmatch(pattern)
            if keyword:
                longer = self._pattern(pattern) if keyword[2] else None
                scanner.keywords.setdefault(keyword[1], []).append((name, longer))
            elif name in ("QUANTITY", "UNIT", "NUMBER"):
                scanner.numbers.append((name, self._pattern(pattern)))
            elif name in ("NAME", "WORDS", "STRING"):
                scanner.others.append((name, self._pattern(pattern)))
            else:
                signs.append(f"(?P<{name}>{pattern})")
        scanner = scanner._replace(signs=self._pattern("|".join(signs) or "(?!)"))
        for other, its in enumerate(self._scanner_of):
            if its == number:
                self._made[other] = scanner
        return scanner

    def _pattern(self, pattern: str) -> _Match:
        if pattern not in self._compiled:
            self._compiled[pattern] = re.compile(pattern).match
        return self._compiled[pattern]

    def _read(self, scanner: _Scanner, text: str, position: int) -> tuple[str, int]:
        """The terminal at a place and where it ends; an empty one where none is."""
        for name, match in scanner.numbers:
            found = match(text, position)
            if found:
                return name, found.end()
        word = _WORD(text, position)
        if word:
            for name, longer in scanner.keywords.get(word.group(), ()):
                found = longer(text, position) if longer else word
                if found:
                    return name, found.end()
        for name, match in scanner.others:
            found = match(text, position)
            if found:
                return name, found.end()
        found = scanner.signs(text, position)
        return (found.lastgroup or "", found.end()) if found else ("", position)

    def parse(self, text: str, start: str) -> Any:
        """The branch of a line; raises Unexpected."""
        state, end_state = self.starts[start]
        states, rules, made, passed = self.states, self.rules, self._made, self._passed
        stack: list[int] = [state]
        values: list[Any] = [None]
        position, length = 0, len(text)
        while True:
            while position < length and text[position].isspace():
                position += 1
            if position < length:
                scanner = made.get(state) or self._scanner(state)
                terminal, after = self._read(scanner, text, position)
                word = Word(text[position:after])
                word.type = terminal
                word.start_pos = position
                word.end_pos = after
            else:
                terminal, word, after = END, Word(), length
            while True:
                action = states[state].get(terminal)
                if action is None:
                    raise Unexpected(position, self.accepts(stack, end_state))
                if action >= 0:
                    break
                rule = rules[~action]
                size = rule.length
                if size == 1 and rule.passes:
                    key = (stack[-2], state, terminal)
                    state = passed.get(key) or self._pass(key, end_state)
                    stack[-1] = state
                else:
                    values[-size:] = [_branch(rule, values[-size:])]
                    del stack[-size:]
                    state = states[stack[-1]][rule.origin]
                    stack.append(state)
                if state == end_state and terminal == END:
                    return values[-1]
            stack.append(action)
            values.append(word)
            state, position = action, after

    def _pass(self, key: tuple[int, int, str], end_state: int) -> int:
        """The state after all rules that only pass a value on: ten of them, in an expression."""
        below, state, terminal = key
        while state != end_state or terminal != END:
            action = self.states[state].get(terminal, 0)
            if action >= 0 or not (self.rules[~action].length == 1 and self.rules[~action].passes):
                break
            state = self.states[below][self.rules[~action].origin]
        self._passed[key] = state
        return state

    def accepts(self, stack: list[int], end_state: int) -> set[str]:
        """The terminals that could follow where the parser stands."""
        return {
            terminal
            for terminal in self.states[stack[-1]]
            if (terminal == END or terminal in self.terminals)
            and self._follows(list(stack), terminal, end_state)
        }

    def _follows(self, stack: list[int], terminal: str, end_state: int) -> bool:
        while True:
            action = self.states[stack[-1]].get(terminal)
            if action is None or action >= 0:
                return action is not None
            rule = self.rules[~action]
            del stack[-rule.length :]
            stack.append(self.states[stack[-1]][rule.origin])
            if stack[-1] == end_state and terminal == END:
                return True


def _branch(rule: Rule, values: list[Any]) -> Any:
    """The branch of a rule whose symbols have been read."""
    children: list[Any] = []
    for index, opened, missing in rule.kept:
        if missing:
            children += [None] * missing
        if opened:
            children += values[index].children
        else:
            children.append(values[index])
    if rule.left_out:
        children += [None] * rule.left_out
    if rule.passes and len(children) == 1:
        return children[0]
    return Branch(rule.name, children, values[0].start_pos, values[-1].end_pos)


@lru_cache(maxsize=1)
def load() -> Parser:
    """The parser from the baked tables, shared by all texts."""
    return Parser(TABLES.read_bytes())
