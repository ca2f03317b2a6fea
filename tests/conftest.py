"""Specifications in Markdown: recipes with the whole of what is said about each, run as tests.

Any `.md` file below this folder may hold them. A block fenced as `recipe` is checked, one fenced as
`parsed` is read and no more, and the block fenced as `problems` after it holds every problem as it
is drawn, or “none”. Words behind `recipe` are settings as the command line gives them
(`rated=2.5 V, rate=1 A`); a block fenced as `bench` before it is the bench file that it is checked
against. Headings name the tests.

`pytest --rewrite-specifications` writes what is said now in place of what stands there; the change
is then for a person to read.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any, NamedTuple

import pytest
from hypothesis import settings

# The same examples each time, however long the machine takes over one.
settings.register_profile("steady", derandomize=True, deadline=None)
settings.load_profile("steady")

_FENCE = re.compile(
    r"^(?P<mark>#+) (?P<heading>[^\n]+)$"
    r"|^```(?P<kind>recipe|parsed|problems|bench)(?P<words>[^\n]*)\n(?P<text>.*?)^```$",
    re.MULTILINE | re.DOTALL,
)


class Example(NamedTuple):
    """One recipe with what is to be said about it, and where that stands in the file."""

    name: str
    recipe: str
    settings: str
    bench: str
    checked: bool
    expected: str
    place: tuple[int, int]


def examples(text: str) -> Iterator[Example]:
    """The recipes of a specification with their problems, in order."""
    heading, bench, count = "", "", 0
    waiting: re.Match[str] | None = None
    for match in _FENCE.finditer(text):
        if match["heading"]:
            heading, bench, count = match["heading"].strip(), "", 0
        elif match["kind"] == "bench":
            bench = match["text"]
        elif match["kind"] != "problems":
            assert waiting is None, f"a recipe beneath “{heading}” has no block of problems"
            waiting = match
        else:
            assert waiting is not None, f"problems beneath “{heading}” belong to no recipe"
            count += 1
            name = heading if count == 1 else f"{heading} ({count})"
            yield Example(
                name, waiting["text"], waiting["words"].strip(), bench,
                waiting["kind"] == "recipe", match["text"].strip("\n"), match.span("text"),
            )  # fmt: skip
            waiting = None
    assert waiting is None, f"the last recipe beneath “{heading}” has no block of problems"


def said_about(example: Example, folder: Path) -> str:
    """All problems of a recipe, drawn."""
    from drivers.bench_file import read_bench
    from grammar.diagnostic import draw
    from grammar.parse import parse
    from grammar.quantity import read
    from sequencer.checker import check

    overrides = {}
    for setting in filter(None, example.settings.split(", ")):
        name, _, value = setting.partition("=")
        overrides[name] = read(value)
    bench = None
    if example.bench:
        bench, found = read_bench(folder / "test.bench.toml", example.bench)
        assert bench is not None, "\n".join(map(draw, found))
        assert not found.has_errors, "\n".join(map(draw, found))
    tree, problems = parse(example.recipe, "test.recipe")
    if example.checked:
        check(tree, problems, overrides, bench)
    return "\n\n".join(draw(problem, 100) for problem in problems) or "none"


class OtherWords(Exception):
    """What is said of a recipe is not what the specification has."""


class Specification(pytest.File):
    """A Markdown file with recipes."""

    def collect(self) -> Iterator[pytest.Item]:
        for example in examples(self.path.read_text("utf-8")):
            yield Said.from_parent(self, name=example.name, example=example)


class Said(pytest.Item):
    """One recipe and what is said about it."""

    def __init__(self, *, example: Example, **rest: Any) -> None:
        super().__init__(**rest)
        self.example = example

    def runtest(self) -> None:
        said = said_about(self.example, self.path.parent)
        if self.config.getoption("--rewrite-specifications"):
            rewrite(self.path, self.example, said)
        elif said != self.example.expected:
            raise OtherWords(said)

    def repr_failure(self, excinfo: Any, style: Any = None) -> Any:
        if isinstance(excinfo.value, OtherWords):
            expected = self.example.expected
            return f"{self.path}: {self.name}\n\nexpected:\n{expected}\n\nsaid:\n{excinfo.value}"
        return super().repr_failure(excinfo, style)

    def reportinfo(self) -> tuple[Path, int, str]:
        return self.path, 0, self.name


def rewrite(path: Path, example: Example, said: str) -> None:
    """Put what is said now in the place of what stands in the file."""
    text = path.read_text("utf-8")
    for current in examples(text):
        if (current.name, current.recipe) == (example.name, example.recipe):
            start, end = current.place
            path.write_text(f"{text[:start]}{said}\n{text[end:]}", "utf-8")
            return


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption(
        "--rewrite-specifications",
        action="store_true",
        help="write what is said now into the specifications in Markdown",
    )


def pytest_collect_file(file_path: Path, parent: pytest.Collector) -> pytest.Collector | None:
    if file_path.suffix == ".md":
        return Specification.from_parent(parent, path=file_path)
    return None
