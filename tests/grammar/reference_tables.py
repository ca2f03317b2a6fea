"""The tables of the language's reference, made of what the program itself goes by.

    python -m tests.grammar.reference_tables

writes them between their marks in `grammar/LANGUAGE.md`; a test compares.
"""

from __future__ import annotations

import re
from pathlib import Path

from drivers.kinds import KINDS
from grammar.first_words import FIRST_WORDS
from grammar.quantity import PREFIXES, UNITS, Dimension
from grammar.wording import RESERVED, keywords
from sequencer.analysis.signatures import GROUPS, answers_in_words, usage
from sequencer.commands.shared import Exit

REFERENCE = Path(__file__).parents[2] / "grammar" / "LANGUAGE.md"
_TABLE = re.compile(r"(<!-- table: (?P<name>\w+) -->\n).*?(<!-- end -->)", re.DOTALL)
# One of several spellings; the others are named in the text.
_OTHER_SPELLINGS = {"Ω", "\u2126", "degC"}


def table(heads: tuple[str, ...], rows: list[tuple[str, ...]]) -> str:
    """A table in Markdown."""
    lines = [heads, tuple("---" for _ in heads), *rows]
    return "".join(f"| {' | '.join(cells)} |\n" for cells in lines)


def code(words: list[str]) -> str:
    """Words as code, with commas between."""
    return ", ".join(f"`{word}`" for word in words)


def _reserved() -> str:
    return code(sorted(RESERVED)) + "\n"


def _quantity(dimension: Dimension) -> str:
    return "plain number" if dimension.is_plain else dimension.name


def _units() -> str:
    by_quantity: dict[str, list[str]] = {}
    alone: dict[str, list[str]] = {}
    for symbol, unit in UNITS.items():
        if symbol not in _OTHER_SPELLINGS:
            name = _quantity(unit.dimension)
            (by_quantity if unit.prefixed else alone).setdefault(name, []).append(symbol)
    names = list(dict.fromkeys([*by_quantity, *alone]))
    rows = [(name, code(by_quantity.get(name, [])), code(alone.get(name, []))) for name in names]
    return table(("of", "with prefixes", "as it is"), rows)


def _prefixes() -> str:
    rows = [
        (f"`{prefix}`", f"{factor:e}".replace("e+0", "").replace("1e", "10^"))
        for prefix, factor in PREFIXES.items()
        if prefix not in "µμ"
    ]
    heads = tuple(prefix for prefix, _ in rows)
    return table(heads, [tuple(power for _, power in rows)])


def _kinds() -> str:
    rows = [(f"`{kind.name}`", kind.forces, kind.off, kind.trip) for kind in KINDS.values()]
    return table(("kind", "forces by itself", "goes off", "at a trip"), rows)


def _calculations() -> str:
    parts = []
    for group, signatures in GROUPS.items():
        rows = [(f"`{usage(s)}`", answers_in_words(s), s.text) for s in signatures]
        parts.append(f"**{group[0].upper()}{group[1:]}**\n\n" + table(("call", "gives", ""), rows))
    return "\n".join(parts)


def _exits() -> str:
    return table(("code", ""), [(str(int(code)), code.text) for code in Exit])


def _words() -> str:
    first = {
        "declaration": "at the left edge",
        "rating": "beneath a part",
        "step": "in steps",
        "result": "beneath `results:`",
    }
    rows = [(first[kind], code(sorted(words))) for kind, words in FIRST_WORDS.items()]
    begins = {word for words in FIRST_WORDS.values() for word in words}
    rows.append(("within a line", code(sorted(set(keywords().values()) - begins))))
    return table(("where", "words"), rows)


TABLES = {
    "reserved": _reserved,
    "units": _units,
    "prefixes": _prefixes,
    "kinds": _kinds,
    "calculations": _calculations,
    "exits": _exits,
    "words": _words,
}


def filled(text: str) -> str:
    """A text with its tables as they are now."""
    return _TABLE.sub(lambda match: f"{match[1]}\n{TABLES[match['name']]()}\n{match[3]}", text)


def main() -> None:
    """Write the tables into the reference."""
    REFERENCE.write_text(filled(REFERENCE.read_text("utf-8")), "utf-8")


if __name__ == "__main__":
    main()
