"""Small pieces of HTML for what a notebook shows: text, tables, text as it stands.

All words are escaped here, and nowhere else. The module knows nothing of what it shows.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from html import escape


def paragraph(words: str, *, heading: bool = False) -> str:
    """Words in a paragraph of their own."""
    text = _escaped(words)
    return f"<p><strong>{text}</strong></p>" if heading else f"<p>{text}</p>"


def verbatim(words: str) -> str:
    """Words as they stand, lines and spaces kept."""
    lines = "\n".join(_escaped(line) for line in words.split("\n"))
    return f"<pre>{lines}</pre>"


def table(caption: str, heads: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    """A table with its caption; the first cell of a row is its head, missing ones are empty."""
    head = "".join(f'<th scope="col">{_escaped(cell)}</th>' for cell in heads)
    lines = []
    for first, *others in rows:
        cells = [*others, *[""] * (len(heads) - 1 - len(others))]
        body = "".join(f"<td>{_escaped(cell)}</td>" for cell in cells)
        lines.append(f'<tr><th scope="row">{_escaped(first)}</th>{body}</tr>')
    return (
        f"<table><caption>{_escaped(caption)}</caption><thead><tr>{head}</tr></thead>"
        f"<tbody>{''.join(lines)}</tbody></table>"
    )


def _escaped(words: str) -> str:
    """What would steer a page or hide itself shows as what it is, or as a space."""
    return escape("".join(char if char.isprintable() else " " for char in words))
