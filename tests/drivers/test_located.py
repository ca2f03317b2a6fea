"""Where keys and values stand in a TOML text, judged by the standard library's parser."""

from __future__ import annotations

import tomllib
from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.located import Path as KeyPath
from drivers.located import Places

TOML = """\
# A table of tables, dotted keys, quoted keys, texts with brackets, lines that go on
title = "a # b"   # comment
a.b.c = 1
"quoted.key" = 'x ] y'
many = [ 1, [2, 3],
  # between
  { p = "}", q.r = [true, false] }, ]
text = \"\"\"
two "lines"
\"\"\"
[ table . "inner" ]
k = 1979-05-27T07:32:00Z
[[list]]
n = 1
[[list]]
n = 2.5e3
[list.sub]
m = {}
"""


def leaves(data: Any, path: KeyPath = ()) -> list[tuple[KeyPath, Any]]:
    found: list[tuple[KeyPath, Any]] = []
    items: Any = data.items() if isinstance(data, dict) else enumerate(data)
    for key, value in items:
        if isinstance(value, dict | list) and value:
            found += leaves(value, (*path, key))
        else:
            found.append(((*path, key), value))
    return found


def judge_places(text: str) -> None:
    """The standard library's parser judges: each value read from its own place is itself."""
    places, lines = Places(text), text.split("\n")
    for path, value in leaves(tomllib.loads(text)):
        span = places.value(path)
        if span.line == span.end_line:
            piece = lines[span.line - 1][span.column - 1 : span.end_column - 1]
        else:
            piece = "\n".join(
                [
                    lines[span.line - 1][span.column - 1 :],
                    *lines[span.line : span.end_line - 1],
                    lines[span.end_line - 1][: span.end_column - 1],
                ]
            )
        assert tomllib.loads(f"x = {piece}")["x"] == value, (path, piece)


def test_places() -> None:
    judge_places(TOML)


NAMES = st.text("abc_-1", min_size=1, max_size=4) | st.text("a.#[]= ", min_size=1, max_size=4)
SCALARS = st.sampled_from(
    ["1", "-2.5", "true", '"a # b"', "'[x]'", '"q\\"\\\\"', "07:32:00", '"""m\nn"""', "'''}\n'''"]
)


@st.composite
def values(draw: st.DrawFn, depth: int = 0) -> str:
    kinds = ("scalar", "scalar", "list", "table") if depth < 2 else ("scalar",)
    kind = draw(st.sampled_from(kinds))
    if kind == "scalar":
        return draw(SCALARS)
    pieces = draw(st.lists(values(depth + 1), max_size=3))
    if kind == "list":
        gap = draw(st.sampled_from(("", " ", "\n", " # ]\n")))
        return "[" + gap + f",{gap}".join(pieces) + gap + "]"
    return "{ " + ", ".join(f"k{i} = {piece}" for i, piece in enumerate(pieces)) + " }"


@settings(max_examples=200, deadline=None, derandomize=True)
@given(st.lists(st.tuples(NAMES, values()), max_size=5, unique_by=lambda pair: pair[0]))
def test_places_of_any_file(pairs: list[tuple[str, str]]) -> None:
    half = len(pairs) // 2
    lines = [f'"{name}" = {value}' for name, value in pairs]
    judge_places("\n".join([*lines[:half], "[ table ] # x", "z = 0", *lines[half:], ""]))
