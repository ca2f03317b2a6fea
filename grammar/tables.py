"""The grammar's parse tables: made of `recipe.lark` by Lark, and baked into the package as JSON.

`python -m grammar.tables` writes `recipe.tables`, which `grammar.lalr` walks; a test makes them
anew and compares. Lark is loaded here alone, and where a recipe is read it isn't.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

from grammar.lalr import TABLES
from grammar.quantity import LETTER_CODE_PATTERN, NUMBER_PATTERN, SIMPLE_UNITS, UNIT_PATTERN

if TYPE_CHECKING:
    from lark import Lark

GRAMMAR = Path(__file__).parent / "recipe.lark"
STARTS = ["declaration", "rating", "step", "result", "expression"]


def grammar_text() -> str:
    """The grammar with the patterns of units and numbers put in."""
    text = GRAMMAR.read_text(encoding="utf-8")
    patterns = {
        "%QUANTITY%": rf"{LETTER_CODE_PATTERN}|{NUMBER_PATTERN}[ ]*(?:{UNIT_PATTERN})",
        "%UNIT%": UNIT_PATTERN,
        "%NUMBER%": rf"{NUMBER_PATTERN}(?![^\W²³]|\.)",
    }
    for name, pattern in patterns.items():
        text = text.replace(name, pattern.replace("/", r"\/"))
    return text


def build(strict: bool = False) -> Lark:
    """Lark's own parser of the grammar; `strict` looks for collisions of terminals."""
    from lark import Lark

    return Lark(
        grammar_text(),
        parser="lalr",
        lexer="contextual",
        start=STARTS,
        propagate_positions=True,
        maybe_placeholders=True,
        strict=strict,
    )


def bake() -> bytes:
    """The tables, the same for the same grammar: states are numbered as they are met."""
    parser: Any = build().parser
    table = parser.parser._parse_table
    number: dict[int, int] = {}
    queue = [table.start_states[start] for start in STARTS]
    for state in queue:
        number.setdefault(state, len(number))
    rules: dict[Any, int] = {}
    states: list[dict[str, int]] = []
    scanners: dict[tuple[str, ...], int] = {}
    scanner_of: list[int] = []
    for state in queue:
        row = {}
        for symbol, (action, argument) in sorted(table.states[state].items()):
            if action.name == "Reduce":
                row[symbol] = ~rules.setdefault(argument, len(rules))
                continue
            if argument not in number:
                number[argument] = len(number)
                queue.append(argument)
            row[symbol] = number[argument]
        states.append(row)
        # Lark puts them in the order of their priority, the longer pattern first.
        names = tuple(t.name for t in parser.lexer.lexers[state].terminals if t.name in row)
        scanner_of.append(scanners.setdefault(names, len(scanners)))
    used = {name for names in scanners for name in names}
    data = {
        "terminals": {
            t.name: t.pattern.to_regexp()
            for t in sorted(parser.lexer_conf.terminals, key=lambda t: t.name)
            if t.name in used
        },
        "starts": {
            start: [number[table.start_states[start]], number[table.end_states[start]]]
            for start in STARTS
        },
        "rules": [_rule(rule) for rule in rules],
        "scanners": [list(names) for names in scanners],
        "scanner_of": scanner_of,
        "states": states,
    }
    lines = (f'"{name}": {json.dumps(value)}' for name, value in data.items())
    return ("{\n" + ",\n".join(lines) + "\n}\n").encode()


def _rule(rule: Any) -> list[Any]:
    """How a rule's symbols become a branch, as Lark's tree builder does it."""
    # One mark a symbol and optional part: those that are left out, by the symbol after them.
    marks = "".join(str(int(left_out)) for left_out in rule.options.empty_indices)
    missing = [len(ones) for ones in marks.split("0")] if marks else [0] * (len(rule.expansion) + 1)
    kept, waiting = [], 0
    for index, symbol in enumerate(rule.expansion):
        waiting += missing[index]
        if rule.options.keep_all_tokens or not (symbol.is_term and symbol.filter_out):
            opened = not symbol.is_term and symbol.name.startswith("_")
            kept.append([index, opened, waiting])
            waiting = 0
    name = rule.alias or rule.options.template_source or rule.origin.name
    passes = bool(rule.options.expand1 and not rule.alias)
    left_out = waiting + missing[len(rule.expansion)]
    return [rule.origin.name, str(name), len(rule.expansion), kept, left_out, passes]


def main() -> None:
    """Write the tables beside the grammar."""
    TABLES.write_bytes(bake())
    print(f"{len(SIMPLE_UNITS)} units; tables written")


if __name__ == "__main__":
    main()
