"""The pages of `fusewire explain`: one for every kind of problem, read from the texts beside this.

A text holds one group: its title behind `# `, then each page behind `## SLUG`. A page says what the
problem means and why it matters, then a wrong example and a right one. Examples may leave out what
doesn't matter to them. Finds and parses pages; draws nothing and checks no example.
"""

from __future__ import annotations

import re
from pathlib import Path
from typing import NamedTuple

_GROUP = re.compile(r"# (?P<title>[^\n]+)\n")
_PAGE = re.compile(r"^## (?P<slug>[a-z]+(?:-[a-z]+)*)\n(?P<body>.*?)(?=^## |\Z)", re.M | re.S)
_FENCE = re.compile(r"^```(?P<kind>\w*)(?P<words>[^\n]*)\n(?P<text>.*?)^```$", re.M | re.S)
ORDER = (
    "text", "values", "declarations", "names", "sources", "time", "traces", "order", "procedures",
    "worst", "results", "bench", "instrument", "person",
)  # fmt: skip
"""The groups in the order of a recipe's way: how it is written, what it says, where it runs."""


class Page(NamedTuple):
    """One page: its problem's slug, its group's title, its text with fenced examples."""

    slug: str
    group: str
    text: str

    @property
    def gist(self) -> str:
        """Its first sentence."""
        first = " ".join(self.text.strip().split("\n\n")[0].split())
        return re.split(r"(?<=[.:]) ", first)[0].rstrip(":.")

    def pieces(self) -> list[tuple[str, str]]:
        """Its paragraphs and examples in order, each as the kind of fence (none) and the text."""
        found, at = [], 0
        for fence in _FENCE.finditer(self.text):
            found += _paragraphs(self.text[at : fence.start()])
            found.append((fence["kind"], fence["text"].rstrip("\n")))
            at = fence.end()
        return found + _paragraphs(self.text[at:])


def pages() -> dict[str, Page]:
    """Every page by its slug, group by group."""
    found: dict[str, Page] = {}
    for name in ORDER:
        path = Path(__file__).with_name(f"{name}.md")
        text = path.read_text(encoding="utf-8")
        group = _GROUP.match(text)
        if group is None:
            raise ValueError(f"{path.name} begins with no title")
        for match in _PAGE.finditer(text):
            if match["slug"] in found:
                raise ValueError(f"{path.name} has a second page on {match['slug']}")
            found[match["slug"]] = Page(match["slug"], group["title"], match["body"].strip("\n"))
    return found


def _paragraphs(text: str) -> list[tuple[str, str]]:
    return [("", " ".join(part.split())) for part in text.split("\n\n") if part.strip()]
