"""Texts in quotes: their escapes, and the values in their braces. Knows no line and no step."""

from __future__ import annotations

import re
from collections.abc import Callable

from grammar import tree
from grammar.diagnostic import Span
from grammar.mistake import Mistake

SpanOf = Callable[[int, int], Span]
_PLAIN = r"[^\\{}]+"
"""What stands in a text as it is written."""


def read_text(
    quoted: str, start: int, span_of: SpanOf, expression: Callable[[str, int], tree.Expression]
) -> tree.Text:
    """A text with its escapes resolved and the expressions in its braces parsed. Raises Mistake.

    `quoted` is the text with its quotes, `start` the offset of the first one; `expression` parses
    what stands in braces, given with its offset.
    """
    parts: list[str | tree.Expression] = []
    plain, index, end = "", 1, len(quoted) - 1
    as_written = re.compile(_PLAIN)
    while index < end:
        if run := as_written.match(quoted, index, end):
            plain += run[0]
            index = run.end()
            continue
        char, at = quoted[index], span_of(start + index, start + index + 1)
        if char == "\\":
            plain += _escaped(quoted[index + 1], span_of(start + index, start + index + 2))
            index += 2
        elif char in "{}" and quoted[index + 1] == char:
            plain += char
            index += 2
        elif char == "{":
            close = quoted.find("}", index)
            inner = quoted[index + 1 : close]
            if close < 0:
                raise Mistake(
                    "value-in-text",
                    "this brace is never closed",
                    "write the missing “}”, or {{ for a brace itself",
                    at,
                )
            if not inner.strip():
                raise Mistake(
                    "value-in-text",
                    "the brace opens a value, and none follows",
                    "write {smu.voltage}, or {{ for a brace itself",
                    at,
                )
            if plain:
                parts.append(plain)
                plain = ""
            parts.append(expression(inner, start + index + 1))
            index = close + 1
        else:
            raise Mistake(
                "value-in-text",
                "this brace closes no value",
                "write }} for a brace itself",
                at,
            )
    if plain or not parts:
        parts.append(plain)
    return tree.Text(tuple(parts), span_of(start, start + len(quoted)))


def plain_text(text: tree.Text) -> str:
    """What a text says that can hold no values: a title, a reason. Raises Mistake."""
    if any(not isinstance(part, str) for part in text.parts):
        raise Mistake(
            "value-in-text",
            "this text can't hold a value in braces",
            "values stand in the texts of `say`, `note`, `stop` and `fail`; "
            "write {{ and }} for braces",
            text.span,
        )
    return "".join(str(part) for part in text.parts)


def _escaped(char: str, at: Span) -> str:
    if char not in '"\\':
        raise Mistake(
            "escape", f"“\\{char}” means nothing in a text", 'a text knows \\" and \\\\', at
        )
    return char
