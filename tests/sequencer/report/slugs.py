"""Every slug that the sources can report, found by reading them.

Whatever takes a `slug` is given one: constants there are slugs, and so are those that are assigned
to a name `slug` or returned first of a tuple where words are found for a line. A slug that is put
together must be listed here with all that it can come to; another one fails.
"""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path

ROOT = Path(__file__).parents[3]
PACKAGES = ("grammar", "drivers", "sequencer")
_SLUG = re.compile(r"[a-z]+(-[a-z]+)*").fullmatch
# Where a tuple of words about a line begins with its slug.
RETURNED_IN = ("grammar/wording.py",)

PUT_TOGETHER = {
    "{prefix}-toml": ("bench-toml", "specification-toml", "dialect-toml"),
    "{prefix}-key": ("bench-key", "specification-key", "dialect-key"),
    "{prefix}-missing": ("bench-missing", "specification-missing", "dialect-missing"),
    "{prefix}-unit": ("bench-unit", "specification-unit"),
    "{prefix}-value": ("bench-value", "specification-value", "dialect-value"),
    "not-a-{_word(role)}": ("not-a-channel", "not-a-line", "not-a-trace"),
    "unknown-{role.replace(' ', '-')}": (
        "unknown-channel", "unknown-trace", "unknown-digital-line",
    ),
    "unknown-{kind.replace(' ', '-')}": (
        "unknown-channel", "unknown-trace", "unknown-digital-line", "unknown-name",
    ),
    "unused-{definition.role.replace(' ', '-')}": (
        "unused-setting", "unused-let", "unused-typed-value", "unused-channel",
        "unused-digital-line",
    ),
    "pulse-without-{missing[0]}": (
        "pulse-without-width", "pulse-without-period", "pulse-without-count",
    ),
    "{quantity}-beyond-rating": (
        "voltage-beyond-rating", "current-beyond-rating", "power-beyond-rating",
        "energy-beyond-rating", "charge-beyond-rating",
    ),
}  # fmt: skip


class Unfollowed(AssertionError):
    """A slug that is put together, and isn't listed above."""


def slugs(root: Path = ROOT) -> dict[str, str]:
    """Every slug with the first place that reports it."""
    sources = {
        path.relative_to(root).as_posix(): ast.parse(path.read_text("utf-8"))
        for package in PACKAGES
        for path in sorted((root / package).rglob("*.py"))
    }
    takers = {name: place for tree in sources.values() for name, place in _takers(tree)}
    found: dict[str, str] = {}
    for path, tree in sources.items():
        for line, node in _given(tree, takers, path in RETURNED_IN):
            for slug in _constants(node, f"{path}:{line}"):
                found.setdefault(slug, f"{path}:{line}")
    return found


def _takers(tree: ast.AST) -> Iterator[tuple[str, int]]:
    """Functions and classes that take a `slug`, and at which place."""
    for node in ast.walk(tree):
        if isinstance(node, ast.FunctionDef):
            names = [argument.arg for argument in node.args.args]
            if "slug" in names and node.name != "__init__":
                yield node.name, names.index("slug") - (names[0] == "self")
        elif isinstance(node, ast.ClassDef):
            fields = [
                item.target.id
                for item in node.body
                if isinstance(item, ast.AnnAssign) and isinstance(item.target, ast.Name)
            ]
            if "slug" in fields:
                yield node.name, fields.index("slug")


def _given(tree: ast.AST, takers: dict[str, int], returned: bool) -> Iterator[tuple[int, ast.expr]]:
    for node in ast.walk(tree):
        if isinstance(node, ast.Call):
            name = getattr(node.func, "attr", getattr(node.func, "id", ""))
            place = 0 if name == "Mistake" else takers.get(name)
            if place is not None and len(node.args) > place and _says_more(node, name):
                yield node.lineno, node.args[place]
        elif isinstance(node, ast.Assign):
            for target in node.targets:
                yield from _assigned(target, node.value)
        elif isinstance(node, ast.Return) and returned and isinstance(node.value, ast.Tuple):
            first = node.value.elts[:1]
            if first and isinstance(first[0], ast.Constant):
                yield node.lineno, first[0]


def _says_more(node: ast.Call, name: str) -> bool:
    """Words follow a slug; other calls of the same name say theirs first."""
    return len(node.args) > 2 or name not in ("Mistake", "error", "keep")


def _assigned(target: ast.expr, value: ast.expr) -> Iterator[tuple[int, ast.expr]]:
    pairs = [(target, value)]
    if isinstance(target, ast.Tuple) and isinstance(value, ast.Tuple):
        pairs = list(zip(target.elts, value.elts, strict=False))
    for name, given in pairs:
        if isinstance(name, ast.Name) and name.id == "slug":
            yield given.lineno, given


def _constants(node: ast.expr, place: str) -> Iterator[str]:
    if isinstance(node, ast.Constant):
        if isinstance(node.value, str) and _SLUG(node.value):
            yield node.value
    elif isinstance(node, ast.IfExp):
        yield from _constants(node.body, place)
        yield from _constants(node.orelse, place)
    elif isinstance(node, ast.JoinedStr):
        template = ast.unparse(node)[2:-1]
        if "-" in template and " " not in re.sub(r"\{[^}]*\}", "", template):
            if template not in PUT_TOGETHER:
                raise Unfollowed(f"{place}: {template}")
            yield from PUT_TOGETHER[template]
