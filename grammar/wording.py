"""What is wrong with a line, in words of the trade: the parser's own jargon never shows.

Given a line, the place where it stopped making sense and the terminals that could have followed,
`describe_unexpected` finds the words: what stands there, what was expected, what to write instead.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable
from functools import lru_cache

from grammar.lines import FIRST_WORDS
from grammar.quantity import SIMPLE_UNITS
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
    "step": "it is a step: it stands beneath `steps:` or in a block of steps",
    "result": "it belongs beneath `results:`",
    "rating": "it is a rating: it stands beneath a `part … :`",
}
_VALUE = {"QUANTITY", "NUMBER", "NAME", "STRING", "LPAR", "MINUS"}
_CLASSES = {
    "COMPARISON": "a comparison (<, <=, >, >=)",
    "_PLUS_MINUS": "±",
    "UNIT": "a unit",
    "WORDS": "what is meant, in words",
    "COLON": "a colon",
    "COMMA": "a comma",
    "EQUAL": "“=”",
    "RPAR": "“)”",
    "DOT": "“.”",
    "STRING": "a text in quotes",
    "NAME": "a name",
}
_OPERATORS = {"PLUS", "MINUS", "TIMES", "OVER", "POWER", "DOT", "LPAR", "__ANON_0"}
_WORD = re.compile(r"[^\W\d]\w*|\d[\w.]*|\S")


@lru_cache(maxsize=1)
def keywords() -> dict[str, str]:
    """The words of the language by the terminal that reads them."""
    text = GRAMMAR.read_text(encoding="utf-8")
    found = re.findall(r"^(\w+)\.\d: /((?:\w|\\s\+)+)\(\?!\\w\)/$", text, re.MULTILINE)
    return {terminal: pattern.replace(r"\s+", " ") for terminal, pattern in found}


def near(word: str, choices: Iterable[str]) -> str | None:
    """The choice that a misspelt word most likely means, None where none is near."""
    import difflib

    choices = list(choices)
    folded = {choice.lower(): choice for choice in choices}
    if word.lower() in folded:
        return folded[word.lower()]
    found = difflib.get_close_matches(word.lower(), list(folded), n=1, cutoff=0.7)
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


def describe_unexpected(
    text: str, position: int, expected: set[str], start: str, fits: Callable[[str, str], bool]
) -> tuple[str, str, str, int]:
    """Slug, message, hint and length of the culprit, for a line that stops making sense.

    `expected` holds the terminals that could stand at `position`; `fits(text, start)` says whether
    the line would be right in a block of another kind.
    """
    match = _WORD.match(text, position)
    word = match[0] if match else ""
    before = text[:position].rstrip()
    if position == 0 or not before:
        return _first_word(text, word, start, fits)
    if not word:
        hint = f"expected {_expectation(expected)}"
        return "unfinished", "this line ends too early", hint, 0
    special = _special(text, before, word, position, expected)
    if special is not None:
        return special
    wanted = near(word, (keywords()[t] for t in expected if t in keywords()))
    if wanted is not None and wanted != word:
        return "unexpected", f"“{word}” makes no sense here", f"write “{wanted}”", len(word)
    return (
        "unexpected",
        f"“{word}” makes no sense here",
        f"expected {_expectation(expected)}",
        len(word),
    )


def _first_word(
    text: str, word: str, start: str, fits: Callable[[str, str], bool]
) -> tuple[str, str, str, int]:
    """A line whose first word begins nothing in this block."""
    for other in ("step", "declaration", "result", "rating"):
        if other != start and fits(text, other):
            message = f"this line can't stand here: a {_PLACE[start]} was expected"
            return "wrong-block", message, _HOME[other], len(text.rstrip().rstrip(":"))
    words = FIRST_WORDS.get(start, ())
    wanted = near(word, words)
    message = f"“{word}” begins no {_PLACE[start]}"
    if wanted is not None:
        return "unknown-word", message, f"write “{wanted}”", len(word)
    hint = f"a {_PLACE[start]} begins with {listed(words, 30)}" if words else ""
    return "unknown-word", message, hint, max(1, len(word))


def _special(
    text: str, before: str, word: str, position: int, expected: set[str]
) -> tuple[str, str, str, int] | None:
    """Mistakes that have a better name than "expected this, found that"."""
    number = re.search(r"(?<![\w.])(\d+(?:\.\d+)?(?:[eE][+-]?\d+)?)$", before)
    known = any(keywords().get(t) == word for t in expected)
    if number and re.match(r"[^\W\d]", word) and word not in RESERVED and not known:
        wanted = near(word, SIMPLE_UNITS) or _UNIT_WORDS.get(word.lower().rstrip("s"))
        hint = f"write {number[1]} {wanted}" if wanted else "units are written as in 2.7 V"
        return "unknown-unit", f"“{word}” is not a unit that is known here", hint, len(word)
    if "UNIT" in expected and re.match(r"[^\W\d]", word):
        wanted = near(word, SIMPLE_UNITS) or _UNIT_WORDS.get(word.lower().rstrip("s"))
        hint = f"write {wanted}" if wanted else "units are written as V, mohm or W/m^2"
        return "unknown-unit", f"“{word}” is not a unit that is known here", hint, len(word)
    if word == "=" and (text[position : position + 2] == "==" or "COMPARISON" in expected):
        return (
            "equality",
            "measured values are never exactly equal to another",
            "compare with <=, >= or `in A to B`",
            2 if text[position : position + 2] == "==" else 1,
        )
    if word in RESERVED and "NAME" in expected:
        return (
            "reserved-word",
            f"“{word}” is a word of the language and can't be a name",
            "choose another name",
            len(word),
        )
    if re.match(r"\d", word) and re.match(r"\d+\.$|\d*\.\d+\.", word):
        return "number", f"“{word}” is no number", "write it as 1, 1.5 or 1e-3", len(word)
    return None


_UNIT_WORDS = {
    "volt": "V", "ampere": "A", "amp": "A", "ohm": "ohm", "second": "s", "sec": "s",
    "minute": "min", "mins": "min", "hour": "h", "day": "d", "farad": "F", "watt": "W",
    "joule": "J", "percent": "%", "kelvin": "K", "celsius": "°C", "hertz": "Hz",
    "millisecond": "ms", "millivolt": "mV", "milliamp": "mA", "milliampere": "mA",
    "microamp": "uA",
}  # fmt: skip


def _expectation(expected: set[str]) -> str:
    """What could have followed, in words; operators are left out where more is to be said."""
    known = keywords()
    words = sorted(f"“{known[t]}”" for t in expected if t in known)
    if _VALUE & expected >= {"QUANTITY", "NAME"}:
        return listed(["a value", *words])
    if expected <= {"$END"}:
        return "nothing more on this line"
    others = sorted(_CLASSES[t] for t in expected - _OPERATORS if t in _CLASSES and t not in known)
    end = ["the end of the line"] if "$END" in expected else []
    return listed([*words, *others, *end]) or "a value"
