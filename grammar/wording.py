"""What is wrong with a line, in words of the trade: the parser's own jargon never shows.

Given a line, the place where it stopped making sense and the terminals that could have followed,
`describe_unexpected` finds the words: what stands there, what was expected, what to write instead.
"""

from __future__ import annotations

import re
from functools import lru_cache

from grammar.characters import LONGEST_WORD_SHOWN
from grammar.examples import example_like
from grammar.first_words import FIRST_WORDS, kind_of
from grammar.near import listed, near
from grammar.quantity import SIMPLE_UNITS
from grammar.slips import (
    INSTEAD,
    letter_code,
    near_keyword,
    no_number,
    other_way,
    prefix_apart,
    unit_meant,
    word_of_another_language,
)
from grammar.tables import load

__all__ = ["RESERVED", "describe_unexpected", "keywords", "listed", "near", "wrong_block"]

RESERVED = frozenset(
    (
        *("and", "at", "confirm", "each", "expect", "for", "from", "in", "not", "or", "over"),
        *("plot", "to", "until", "up", "within"),
    )
)
_PLACE = {
    "declaration": "declaration",
    "rating": "rating of a part",
    "step": "step",
    "result": "line of results",
    "expression": "value",
}
_HOME = {
    "declaration": "it is a declaration and stands at the left edge, outside every block",
    "step": "it is a step and stands beneath `steps:` or in a block of steps",
    "result": "it belongs beneath `results:`",
    "rating": "it is a rating and stands beneath a `part … :`",
}
_WORDS = {
    "declaration": "a capability, such as measure",
    "step": "what is to be set up, such as aperture",
    "rating": "words, such as lithium ion",
}
_NAMED_VALUE = {"declaration": "setting", "step": "let"}
_VALUE_BEGINS = {"QUANTITY", "NAME"}
_CLASSES = {
    "COMPARISON": "a comparison (<, <=, >, >=)",
    "_PLUS_MINUS": "±",
    "UNIT": "a unit",
    "COLON": "a colon",
    "COMMA": "a comma",
    "EQUAL": "“=”",
    "LPAR": "“(”",
    "RPAR": "“)”",
    "DOT": "“.”",
    "POWER": "“^”",
    "STRING": "a text in quotes",
    "NAME": "a name",
}
_OPERATORS = {"PLUS", "MINUS", "TIMES", "SLASH", "POWER", "SQUARE", "DOT", "LPAR"}
_WORD = re.compile(r'[^\W\d]\w*|\d[\w.]*|"(?:[^"\\]|\\.)*"|\S')


@lru_cache(maxsize=1)
def keywords() -> dict[str, str]:
    """The words of the language by the terminal that reads them."""
    words = {
        terminal.name: terminal.pattern.value.removesuffix(r"(?!\w)").replace(r"\s+", " ")
        for terminal in load().terminals
        if terminal.pattern.value.endswith(r"(?!\w)")
    }
    return {terminal: word for terminal, word in words.items() if re.fullmatch("[a-z ]+", word)}


def wrong_block(kind: str, start: str, text: str, more: int) -> tuple[str, str]:
    """Message and hint for a line of one kind, and `more` after it, in a block of another."""
    hint = _HOME[kind]
    if kind == "result" and start in _NAMED_VALUE and not text.startswith("expect"):
        hint = f"{hint}; a value of your own is named with `{_NAMED_VALUE[start]}`"
    if start == "rating" and text.partition("=")[0].strip() in FIRST_WORDS["rating"]:
        hint = "a rating is written without “=”, as in: voltage 0 V to 2.7 V"
    lines = f"this line and {more} after it" if more else "this line"
    return f"{lines} can't stand here: a {_PLACE[start]} was expected", hint


def describe_unexpected(
    text: str, position: int, expected: set[str], start: str
) -> tuple[str, str, str, int, int]:
    """Slug, message, hint, position and length of the culprit, for a line that makes no sense.

    `expected` holds the terminals that could stand at `position`, where the parser stopped.
    """
    match = _WORD.match(text, position)
    word = match[0] if match else ""
    before = text[:position].rstrip()
    if not word:
        what = "value" if start == "expression" else "line"
        hint = _expected(text, expected, start)
        return "unfinished", f"this {what} ends too early", hint, len(text.rstrip()), 0
    if len(word) > LONGEST_WORD_SHOWN:
        message = f"“{word[:LONGEST_WORD_SHOWN]}…” makes no sense here"
        return "unexpected", message, _expected(text, expected, start), position, len(word)
    if not before:
        return (*_first_word(word, text, start), position, len(word))
    special = _special(text, before, word, position, expected)
    if special is not None:
        slug, message, hint, length = special
        return slug, message, hint, position, length
    hint = other_way(text[:position], word) or _missing_comma(text, position, expected)
    if not hint:
        wanted = near_keyword(word, _keywords_of(expected))
        hint = f"write “{wanted}”" if wanted else _expected(text, expected, start, word)
    return "unexpected", f"“{word}” makes no sense here", hint, position, len(word)


def _keywords_of(expected: set[str]) -> list[str]:
    known = keywords()
    return sorted(known[terminal] for terminal in expected if terminal in known)


def _missing_comma(text: str, position: int, expected: set[str]) -> str:
    """What to write where a clause stands without the comma before it."""
    if "COMMA" not in expected:
        return ""
    clause = re.compile(_CLAUSE).match(text, position)
    return f"write a comma before “{' '.join(clause[0].split())}”" if clause else ""


# What stands behind a comma only.
_CLAUSE = (
    r"(?:width|period|limit|settle|until|reading|into|count|when|before|every|logarithmic|pulsed"
    r"|rests|at\s+most|in\s+steps\s+of|after\s+countdown|not\s+pushed|may\s+be\s+destroyed)(?!\w)"
)


def _first_word(word: str, text: str, start: str) -> tuple[str, str, str]:
    """A line whose first word begins nothing."""
    message = f"“{word}” begins no {_PLACE[start]}"
    words = FIRST_WORDS.get(start, ())
    other = word_of_another_language(word, start, text)
    if other is not None:
        return "unknown-word", message, f"write {other}"
    wanted = near(word, (w for words in FIRST_WORDS.values() for w in words))
    if wanted == word and start != "expression":
        return "unknown-word", message, "write it on the line before, behind what it belongs to"
    if wanted is not None and start != "expression":
        home = "" if wanted in words else f": {_HOME[kind_of(wanted) or start]}"
        return "unknown-word", message, f"write “{wanted}”{home}"
    if start == "step" and re.match(r"\w+\s*\(", text):
        return "unknown-word", message, f"a procedure is called by: do {word}(…)"
    if start == "result" and word in RESERVED:
        message = f"“{word}” is a word of the language and can't be a name"
        return "reserved-word", message, "choose another name"
    if start == "result":
        hint = "a line of results is NAME = VALUE, or begins with expect or plot"
        return "unknown-word", message, hint
    hint = f"a {_PLACE[start]} begins with {listed(words, 30)}" if words else "write 1 V or a name"
    return "unknown-word", message, hint


def _special(
    text: str, before: str, word: str, position: int, expected: set[str]
) -> tuple[str, str, str, int] | None:
    """Mistakes that have a better name than "expected this, found that"."""
    is_word = re.match(r"[^\W\d]", word) is not None
    number = re.search(r"(?<![\w.])(\d+(?:\.\d+)?(?:[eE][+-]?\d+)?)$", before)
    if is_word and "UNIT" in expected:
        wanted = unit_meant(word)
        hint = f"write {wanted}" if wanted else "units are written as V, mohm or W/m^2"
        return "unknown-unit", f"“{word}” is not a unit that is known here", hint, len(word)
    if is_word and number and word not in keywords().values() and word not in RESERVED:
        return _behind_number(word, number[1], expected)
    two = text[position : position + 2]
    if two in ("=>", "=<"):
        return "unexpected", f"“{two}” makes no sense here", f"write “{two[::-1]}”", 2
    if two in ("==", "!=") or word == "≠" or (word == "=" and "COMPARISON" in expected):
        return (
            "equality",
            "the language knows no “equal”: measured values never are",
            "compare with <=, >= or `in A to B`; a digital line is compared by `is high`",
            2 if two in ("==", "!=") else 1,
        )
    if word in INSTEAD:
        return "unexpected", f"“{word}” makes no sense here", f"write {INSTEAD[word]}", len(word)
    if word in SIMPLE_UNITS and "NAME" not in expected:
        hint = prefix_apart(before, word) or "a unit stands behind a number; a value brings its own"
        return "unexpected", f"“{word}” makes no sense here", hint, len(word)
    if word in RESERVED and "NAME" in expected and not expected >= _VALUE_BEGINS:
        return (
            "reserved-word",
            f"“{word}” is a word of the language and can't be a name",
            "choose another name",
            len(word),
        )
    if word[0].isdecimal():
        coded = letter_code(word, text[position + len(word) :])
        if coded is not None:
            return "number", *coded
        instead = no_number(word)
        if instead is not None:
            return "number", f"“{word}” is no number", instead, len(word)
    return None


def _behind_number(word: str, number: str, expected: set[str]) -> tuple[str, str, str, int]:
    """A word behind a number: a unit that isn't known, or another word than the one meant."""
    if re.fullmatch(r"[RKkMGmnpuµ]\d+", word):
        usual = "F" if word[0] in "npuµ" else "ohm"
        hint = f"write {number}{word} {usual}, without a space before the letter"
        return "number", f"“{number} {word}” is no number", hint, len(word)
    wanted = unit_meant(word)
    could_be = _keywords_of(expected)
    keyword = near_keyword(word, could_be)
    if wanted is None and keyword is None and len(could_be) == 1 and "points" in could_be:
        keyword = "points"
    if wanted is None and keyword is not None:
        return "unexpected", f"“{word}” makes no sense here", f"write “{keyword}”", len(word)
    hint = f"write {number} {wanted}" if wanted else "units are written as in 2.7 V"
    return "unknown-unit", f"“{word}” is not a unit that is known here", hint, len(word)


def _expected(text: str, expected: set[str], start: str, word: str = "") -> str:
    """What could have followed in place of a word, and a whole line of the kind."""
    example = example_like(text, start)
    shown = f"; as in: {example}" if example and (expected != {"$END"} or start == "result") else ""
    no_name = "NAME" in expected and word in RESERVED
    note = f" (“{word}” is a word of the language and no name)" if no_name else ""
    return f"expected {_expectation(expected, start)}{note}{shown}"


def _expectation(expected: set[str], start: str) -> str:
    """What could have followed, in words; operators are left out where more is to be said."""
    words = [f"“{word}”" for word in _keywords_of(expected)]
    if expected >= _VALUE_BEGINS:
        return listed(["a value", *words])
    if "RPAR" in expected and "NAME" not in expected:
        return listed(["a comma", "“)”"] if "COMMA" in expected else ["“)”"])
    ending = "the end of the value" if start == "expression" else "the end of the line"
    if expected <= {"$END"}:
        return "nothing more on this line"
    if "WORDS" in expected:
        words.append(_WORDS[start])
    others = sorted(_CLASSES[t] for t in expected - _OPERATORS if t in _CLASSES)
    end = [ending] if "$END" in expected else []
    operators = sorted(_CLASSES[t] for t in expected & _OPERATORS if t in _CLASSES)
    return listed([*words, *others, *end]) or listed(operators) or "a value"
