"""Slips of the pen that have a better name than "this was expected, that was found".

Units as they are spoken, letters in place of the point without their unit, words of programming
languages, typographic characters. Knows no place in a text and no parser.
"""

from __future__ import annotations

import re
from collections.abc import Iterable

from grammar.near import near
from grammar.quantity import LONGEST_NUMBER, PREFIXES, SIMPLE_UNITS, UnitError, read

NUMBERS = (
    f"a number has at most {LONGEST_NUMBER} characters and lies between 1e-323 and 1e308 in SI"
)

# What word processors and other languages write for what is meant here.
INSTEAD = {
    "≤": "“<=”", "≥": "“>=”", "×": "“*”", "÷": "“/”", "–": "“-”", "—": "“-”", "&": "“and”",
    "|": "“or”", "!": "“not”", "[": "“(”", "]": "“)”", "“": "texts in straight quotes: \"",
    "”": "texts in straight quotes: \"", "„": "texts in straight quotes: \"",
    "'": "texts in double quotes: \"", "°": "°C", "º": "°C",
}  # fmt: skip

# What begins a step in other languages, and what does here.
_OTHER_STEPS = {
    ("while", "loop", "until"): "every 1 s until smu.voltage >= 2.7 V, at most 10 min:",
    ("break",): "leave",
    ("return", "end", "exit", "quit"): "leave, or stop",
    ("call", "run", "gosub"): "do soak(2.7 V)",
    ("print", "echo", "display", "show"): 'say "…", or note "…" for the record alone',
    ("log", "record", "store"): 'note "…"; every reading is on record by itself',
    ("sleep", "delay", "pause", "dwell"): "wait 500 ms",
    ("var", "const", "define"): "let drop = …",
    ("apply", "force", "drive"): "source smu voltage 2.7 V, limit 3 A",
    ("enable", "turn", "on"): "output smu on",
    ("disable", "off"): "output smu off",
    ("read", "acquire"): "measure smu into curve",
    ("prompt", "input"): 'ask "…", into label in 1 F to 500 F',
    ("assert", "verify"): "expect … beneath `results:`, or if … with fail",
    ("elseif", "elif"): "“else if”",
    ("raise", "abort", "error"): 'fail "…"',
}
_OTHER_DECLARATIONS = {
    ("def", "function", "sub", "proc"): "procedure soak(level, time):",
    ("var", "const", "let", "parameter"): "setting rated = 2.7 V in 1 V to 2.7 V",
    ("title", "name"): 'recipe "…"',
    ("description", "note"): 'about "…"',
    ("instrument", "device", "role"): "channel smu: source, sink, measure",
    ("dut", "component", "device_under_test"): "part bank is capacitor on smu:",
    ("limit", "interlock", "trip"): 'guard smu.voltage < 2.75 V "…"',
    ("begin", "main", "start"): "steps:",
}
_OTHERS = {"step": _OTHER_STEPS, "declaration": _OTHER_DECLARATIONS}


_WHILE = re.compile(
    r"(?P<word>while|until)\s+(?P<left>[\w.]+)\s*(?P<sign>[<>]=?)\s*(?P<right>[^:]+)"
)
_OPPOSITE = {"<": ">=", "<=": ">", ">": "<=", ">=": "<"}


def word_of_another_language(word: str, start: str, line: str) -> str | None:
    """What is written here for a line that begins so elsewhere, by its first word `word`."""
    others = _OTHERS.get(start, {})
    here = next((here for words, here in others.items() if word.lower() in words), None)
    if here == "output smu on" and re.search(r"(?<!\w)off(?!\w)", line):
        return "output smu off"
    loop = _WHILE.match(line) if start == "step" else None
    if loop is not None:
        sign = _OPPOSITE[loop["sign"]] if loop["word"] == "while" else loop["sign"]
        return f"every 1 s until {loop['left']} {sign} {loop['right'].strip()}, at most 10 min:"
    return here


_COLUMN = "a further column is a name: write let q = smu.charge before it, and with q"
_UNTIL = "a reading is waited for by: every 1 s until smu.voltage >= 2.7 V, at most 10 min:"
_ASKED = 'yes or no is asked by a line of its own: if confirm "Again?":'
_STATE = "write “is high” or “is low” behind a line's name"
_SPAN = "a span stands behind `in`, as in: in 1 V to 2 V, in at least 1 V"
# What stands before the culprit, the culprit, and how it is said here.
_OTHER_WAYS = (
    (r"wait\s*$", r"until", _UNTIL),
    (r"wait\s+for\s+\w+\s*$", r"\.", _UNTIL),
    (r"wait\s+for\s*$", r"\d.*", "a time is waited by: wait 3 s"),
    (r"repeat\s*$", r"until", _UNTIL),
    (r"measure\b.*,\s*into\s*$", r"\w+", "no comma stands before “into”: measure smu into curve"),
    (r"measure\b.*\bwith\b.*\w\s*$", r"\.", _COLUMN),
    (r"for\s*$", r"each", "write for NAME in …: without “each”"),
    (r"(?:let|set)\s+\w+\s*=\s*ask\s*$", r"\".*", 'write ask "…", into label in 1 F to 500 F'),
    (r".*", r"confirm", _ASKED),
    (r"(?:else\s+)?if\s+confirm\b", r"and|or", _ASKED),
    (r".*\bis\s*$", r"\d.*", "a value is compared with <=, >= or `in A to B`"),
    (r".*\bis\s*$", r"not", "write “is low” for a line that is not high"),
    (r"(?:(?:else )?if|guard|require|every|let)\b.*\w\s*$", r"high|low", _STATE),
    (r"(?:setting|expect|guard|require|if)\b", r"at|within|up|between", _SPAN),
)


def other_way(before: str, word: str) -> str:
    """How a thing is said here that is said otherwise elsewhere; empty where that isn't known."""
    for lead, culprit, hint in _OTHER_WAYS:
        if re.fullmatch(culprit, word) and re.match(lead, before, re.DOTALL):
            return hint
    return ""


def prefix_apart(before: str, unit: str) -> str:
    """What to write where a unit's prefix stands apart from it, as in 10 K ohm."""
    match = re.search(r"(\d+(?:\.\d+)?)\s*([KkMGmunpµ])$", before)
    if match is None:
        return ""
    prefixed = ("k" if match[2] == "K" else match[2]) + unit
    return f"write {match[1]} {prefixed}" if prefixed in SIMPLE_UNITS else ""


# A number with a letter in it, with or without reason: 4k7, 4.7k, 47R, 4k7ohms.
_CODED = re.compile(r"(?P<whole>\d+(?:\.\d+)?)(?P<letter>[RLKkMGTpnuµμm])(?P<rest>\d*)(?P<unit>.*)")
_PREFIX_OF = {"R": "", "L": "m", "K": "k"}


def letter_code(word: str, after: str) -> tuple[str, str, int] | None:
    """Message, hint and length for a number with a letter in it, None where it is another thing.

    `word` is the number, `after` the text behind it.
    """
    match = _CODED.fullmatch(word)
    if match is None:
        return None
    if len(word) > LONGEST_NUMBER:
        message = f"a number of {len(word)} characters is too long"
        return message, NUMBERS, len(word)
    whole, letter, rest, unit = match.groups()
    prefix = _PREFIX_OF.get(letter, letter)
    usual = "F" if letter in "pnuµμ" else "ohm"
    number = f"{whole}.{rest}" if rest else whole
    length = len(word)
    behind = re.match(r"[ ]*([^\W\d]\w*)", after)
    if not unit and behind and unit_meant(behind[1]):
        unit, length = behind[1], length + behind.end()
    meant = unit_meant(unit) if unit else None
    if meant is None:
        if rest:
            return f"“{word}” has no unit", f"write {whole}{letter}{rest} {usual}", length
        return f"“{word}” has no unit", f"write it as in {number} {prefix}{usual}", length
    code = f"{whole}{letter}{rest} {meant}"
    if rest and _reads(code):
        return f"“{unit}” is not a unit that is known here", f"write {code}", length
    if rest and meant == prefix + usual:
        message = f"the letter in “{word}” is its prefix, and the unit has it again"
        return message, f"write {whole}{letter}{rest} {usual}", length
    prefixed = prefix + meant if prefix + meant in SIMPLE_UNITS else meant
    if rest:
        message = f"“{word}” is no number: a letter is a point for ohm and F alone"
    else:
        message = f"“{word}” is no number: its prefix stands with the unit"
    return message, f"write {number} {prefixed}", length


def _reads(text: str) -> bool:
    try:
        read(text)
    except UnitError:
        return False
    return True


def no_number(word: str) -> str | None:
    """What to write instead of a word that begins like a number and is none."""
    if _reads(word):
        return None
    digits = re.match(r"\d+(?:\.\d+)?", word)
    amount = digits[0] if digits else ""
    meant = unit_meant(word[len(amount) :])
    return f"write {amount} {meant}" if meant else "write it as 1, 1.5 or 1e-3"


def unit_meant(word: str) -> str | None:
    """The unit that a word most likely means: the case that fits best wins (mw: mW, not MW)."""
    folded = [unit for unit in SIMPLE_UNITS if unit.lower() == word.lower()]
    if folded:
        return max(folded, key=lambda unit: sum(a == b for a, b in zip(unit, word, strict=False)))
    spoken = _UNIT_WORDS.get(word.lower().rstrip("s"))
    return spoken or _prefixed(word.lower().rstrip("s")) or near(word, SIMPLE_UNITS)


def _prefixed(word: str) -> str | None:
    """The unit of a word with a prefix spelt out or not: kilovolt, kvolt, Mohms."""
    for spoken, prefix in (*_PREFIX_WORDS.items(), *((p, p) for p in PREFIXES)):
        unit = _UNIT_WORDS.get(word.removeprefix(spoken)) if word.startswith(spoken) else None
        if unit is not None and prefix + unit in SIMPLE_UNITS:
            return prefix + unit
    return None


def near_keyword(word: str, choices: Iterable[str]) -> str | None:
    """The word of the language that is meant by one of another form: rest, log, steps."""
    choices = list(choices)
    meant = _FORMS.get(word.lower())
    return meant if meant in choices else near(word, choices)


_FORMS = {
    "log": "logarithmic",
    "lin": "linear",
    "steps": "points",
    "step": "in steps of",
    "duration": "width",
    "length": "width",
    "times": "count",
    "after": "after countdown",
    "delay": "settle",
    "compliance": "limit",
    "max": "limit",
    "trigger": "when",
    "if": "when",
    "pretrigger": "before",
    "pre": "before",
    "timeout": "at most",
    "vs": "against",
    "versus": "against",
    "over": "against",
    "can": "may be destroyed",
    "while": "until",
    "for": "for each",
    "each": "for each",
    "out": "output",
    "to": "into",
}

_UNIT_WORDS = {
    "volt": "V", "ampere": "A", "amp": "A", "ohm": "ohm", "second": "s", "sec": "s",
    "minute": "min", "min": "min", "hour": "h", "hr": "h", "day": "d", "farad": "F", "watt": "W",
    "joule": "J", "percent": "%", "kelvin": "K", "celsiu": "°C", "degree": "°C", "deg": "°C",
    "hertz": "Hz", "msec": "ms", "henry": "H", "siemen": "S", "coulomb": "C", "metre": "m",
    "meter": "m", "r": "ohm", "gram": "g", "pascal": "Pa",
}  # fmt: skip
_PREFIX_WORDS = {
    "femto": "f", "pico": "p", "nano": "n", "micro": "u", "milli": "m", "kilo": "k", "mega": "M",
    "giga": "G", "tera": "T",
}  # fmt: skip
