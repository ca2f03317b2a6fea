"""What is wrong with a line, in words of the trade: the parser's own jargon never shows.

Given a line, the place where it stopped making sense and the terminals that could have followed,
`describe_unexpected` finds the words: what stands there, what was expected, what to write instead.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from functools import lru_cache

from grammar.characters import LONGEST_WORD_SHOWN
from grammar.first_words import FIRST_WORDS, kind_of
from grammar.quantity import SIMPLE_UNITS, UnitError, read
from grammar.tables import GRAMMAR

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
}
_NAMED_VALUE = {"declaration": "setting", "step": "let"}
_VALUE = {"QUANTITY", "NUMBER", "NAME", "STRING", "LPAR", "MINUS"}
_CLASSES = {
    "COMPARISON": "a comparison (<, <=, >, >=)",
    "_PLUS_MINUS": "±",
    "UNIT": "a unit",
    "COLON": "a colon",
    "COMMA": "a comma",
    "EQUAL": "“=”",
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
    text = GRAMMAR.read_text(encoding="utf-8")
    found = re.findall(r"^(\w+)\.\d: /((?:\w|\\s\+)+)\(\?!\\w\)/$", text, re.MULTILINE)
    return {terminal: pattern.replace(r"\s+", " ") for terminal, pattern in found}


def near(word: str, choices: Iterable[str]) -> str | None:
    """The choice that a misspelt word most likely means, None where none is near."""
    import difflib

    folded = {choice.lower(): choice for choice in choices}
    if word.lower() in folded:
        return folded[word.lower()]
    found = difflib.get_close_matches(word.lower(), list(folded), n=1, cutoff=0.7)
    # Two letters changed about in a short word are far apart by the measure above.
    found += [choice for choice in folded if sorted(choice) == sorted(word.lower())]
    return folded[found[0]] if found else None


def listed(words: Iterable[str], most: int = 8) -> str:
    """Words for a sentence: "a, b or c"."""
    words = list(dict.fromkeys(words))
    if len(words) > most:
        words = [*words[: most - 1], "…"]
        return ", ".join(words)
    if len(words) < 2:
        return "".join(words)
    return ", ".join(words[:-1]) + " or " + words[-1]


def wrong_block(kind: str, start: str, text: str, more: int) -> tuple[str, str]:
    """Message and hint for a line of one kind, and `more` after it, in a block of another."""
    hint = _HOME[kind]
    if kind == "result" and start in _NAMED_VALUE and not text.startswith("expect"):
        hint = f"{hint}; a value of your own is named with `{_NAMED_VALUE[start]}`"
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
    if len(word) > LONGEST_WORD_SHOWN:
        hint = f"expected {_expectation(expected, start)}"
        message = f"“{word[:LONGEST_WORD_SHOWN]}…” makes no sense here"
        return "unexpected", message, hint, position, len(word)
    before = text[:position].rstrip()
    if not word:
        what = "value" if start == "expression" else "line"
        hint = f"expected {_expectation(expected, start)}"
        return "unfinished", f"this {what} ends too early", hint, len(text.rstrip()), 0
    if not before:
        return (*_first_word(word, start), position, len(word))
    special = _special(text, before, word, position, expected)
    if special is not None:
        slug, message, hint, length = special
        return slug, message, hint, position, length
    wanted = near(word, _keywords_of(expected))
    hint = f"write “{wanted}”" if wanted else f"expected {_expectation(expected, start)}"
    return "unexpected", f"“{word}” makes no sense here", hint, position, len(word)


def _keywords_of(expected: set[str]) -> list[str]:
    known = keywords()
    return sorted(known[terminal] for terminal in expected if terminal in known)


def _first_word(word: str, start: str) -> tuple[str, str, str]:
    """A line whose first word begins nothing."""
    message = f"“{word}” begins no {_PLACE[start]}"
    words = FIRST_WORDS.get(start, ())
    wanted = near(word, (w for words in FIRST_WORDS.values() for w in words))
    if start == "step" and word.lower() in ("elseif", "elif"):
        return "unknown-word", message, "write “else if”"
    if wanted is not None and start != "expression":
        home = "" if wanted in words else f": {_HOME[kind_of(wanted) or start]}"
        return "unknown-word", message, f"write “{wanted}”{home}"
    if start == "result" and word in RESERVED:
        message = f"“{word}” is a word of the language and can't be a name"
        return "reserved-word", message, "choose another name"
    if start == "result":
        hint = "a line of results is NAME = VALUE, or begins with expect"
        return "unknown-word", message, hint
    hint = f"a {_PLACE[start]} begins with {listed(words, 30)}" if words else "write 1 V or a name"
    return "unknown-word", message, hint


def _special(
    text: str, before: str, word: str, position: int, expected: set[str]
) -> tuple[str, str, str, int] | None:
    """Mistakes that have a better name than "expected this, found that"."""
    is_word = re.match(r"[^\W\d]", word) is not None
    number = re.search(r"(?<![\w.])(\d+(?:\.\d+)?(?:[eE][+-]?\d+)?)$", before)
    wanted = _unit_meant(word)
    if is_word and "UNIT" in expected:
        hint = f"write {wanted}" if wanted else "units are written as V, mohm or W/m^2"
        return "unknown-unit", f"“{word}” is not a unit that is known here", hint, len(word)
    if is_word and number and word not in RESERVED and word not in _keywords_of(expected):
        keyword = near(word, _keywords_of(expected))
        if wanted is None and keyword is not None:
            return "unexpected", f"“{word}” makes no sense here", f"write “{keyword}”", len(word)
        hint = f"write {number[1]} {wanted}" if wanted else "units are written as in 2.7 V"
        return "unknown-unit", f"“{word}” is not a unit that is known here", hint, len(word)
    two = text[position : position + 2]
    if two in ("=>", "=<"):
        return "unexpected", f"“{two}” makes no sense here", f"write “{two[::-1]}”", 2
    if two in ("==", "!=") or word == "≠" or (word == "=" and "COMPARISON" in expected):
        return (
            "equality",
            "the language knows no “equal”: measured values never are",
            "compare with <=, >= or `in A to B`",
            2 if two in ("==", "!=") else 1,
        )
    if word in _INSTEAD:
        return "unexpected", f"“{word}” makes no sense here", f"write {_INSTEAD[word]}", len(word)
    if word in SIMPLE_UNITS and "NAME" not in expected:
        hint = "a unit stands behind a number; a value brings its own"
        return "unexpected", f"“{word}” makes no sense here", hint, len(word)
    if word in RESERVED and "NAME" in expected:
        return (
            "reserved-word",
            f"“{word}” is a word of the language and can't be a name",
            "choose another name",
            len(word),
        )
    if word[0].isdecimal() and not _is_quantity(word):
        digits = re.match(r"\d+(?:\.\d+)?", word)
        amount = digits[0] if digits else ""
        meant = _unit_meant(word[len(amount) :])
        hint = f"write {amount} {meant}" if meant else "write it as 1, 1.5 or 1e-3"
        return "number", f"“{word}” is no number", hint, len(word)
    return None


def _is_quantity(word: str) -> bool:
    try:
        read(word)
    except UnitError:
        return False
    return True


def _unit_meant(word: str) -> str | None:
    """The unit that a word most likely means: the case that fits best wins (mw: mW, not MW)."""
    folded = [unit for unit in SIMPLE_UNITS if unit.lower() == word.lower()]
    if folded:
        return max(folded, key=lambda unit: sum(a == b for a, b in zip(unit, word, strict=False)))
    return _UNIT_WORDS.get(word.lower().rstrip("s")) or near(word, SIMPLE_UNITS)


_UNIT_WORDS = {
    "volt": "V", "ampere": "A", "amp": "A", "ohm": "ohm", "second": "s", "sec": "s",
    "minute": "min", "min": "min", "hour": "h", "hr": "h", "day": "d", "farad": "F", "watt": "W",
    "joule": "J", "percent": "%", "kelvin": "K", "celsiu": "°C", "degree": "°C", "deg": "°C",
    "hertz": "Hz", "millisecond": "ms", "msec": "ms", "millivolt": "mV", "milliamp": "mA",
    "milliampere": "mA", "microamp": "uA", "kiloohm": "kohm",
}  # fmt: skip

# What word processors and other languages write for what is meant here.
_INSTEAD = {
    "≤": "“<=”", "≥": "“>=”", "×": "“*”", "÷": "“/”", "–": "“-”", "—": "“-”", "&": "“and”",
    "|": "“or”", "!": "“not”", "[": "“(”", "]": "“)”", "“": "texts in straight quotes: \"",
    "”": "texts in straight quotes: \"", "„": "texts in straight quotes: \"",
    "'": "texts in double quotes: \"", "°": "°C", "º": "°C",
}  # fmt: skip


def _expectation(expected: set[str], start: str) -> str:
    """What could have followed, in words; operators are left out where more is to be said."""
    words = [f"“{word}”" for word in _keywords_of(expected)]
    if _VALUE & expected >= {"QUANTITY", "NAME"}:
        return listed(["a value", *words])
    ending = "the end of the value" if start == "expression" else "the end of the line"
    if expected <= {"$END"}:
        return "nothing more on this line"
    if "WORDS" in expected:
        words.append(_WORDS[start])
    others = sorted(_CLASSES[t] for t in expected - _OPERATORS if t in _CLASSES)
    end = [ending] if "$END" in expected else []
    operators = sorted(_CLASSES[t] for t in expected & _OPERATORS if t in _CLASSES)
    return listed([*words, *others, *end]) or listed(operators) or "a value"
