"""The whole table of a recipe for every construct; `constructs.md` has them, with their figures.

Beneath each heading there a block fenced as `steps` follows the lines of `HEAD`, a block fenced as
`declarations` comes before its part, one fenced as `ratings` is more of the part, and one fenced as
`table` is what is to be drawn. `pytest --rewrite-specifications` writes what is drawn now, for a
person to read.
"""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from grammar.diagnostic import draw_short
from grammar.parse import parse
from sequencer.checker import check
from sequencer.checker.worst.table import render

PAGE = Path(__file__).parent / "constructs.md"
HEAD = """recipe "Ridge weather station: heater"
channel smu: source, sink, measure, measure open, two-sided limit, pulse, capture
{declarations}part dut is resistor on smu:
    voltage within 20 V
    current within 4 A
    power up to 40 W
    energy up to 100 J
{ratings}steps:
    source smu voltage 1 V, limit 2 A
    output smu on
{steps}"""
_BLOCK = re.compile(r"^```(?P<kind>\w+)\n(?P<text>.*?)^```$", re.MULTILINE | re.DOTALL)
SECTIONS = PAGE.read_text("utf-8").split("\n## ")[1:]


@pytest.mark.parametrize("section", SECTIONS, ids=lambda section: section.split("\n")[0])
def test_table(section: str, pytestconfig: pytest.Config) -> None:
    blocks = {match["kind"]: match["text"] for match in _BLOCK.finditer(section)}
    expected = blocks.pop("table")
    steps = "".join(f"    {line}\n" for line in blocks.pop("steps").splitlines())
    ratings = "".join(f"    {line}\n" for line in blocks.pop("ratings", "").splitlines())
    declarations = blocks.pop("declarations", "")
    assert not blocks
    text = HEAD.format(declarations=declarations, ratings=ratings, steps=steps)
    recipe, problems = parse(text, "test.recipe")
    checked = check(recipe, problems)
    assert checked.worst is not None
    assert not problems.has_errors, [draw_short(p) for p in problems]
    drawn = render(checked.worst, 100) + "\n"
    if pytestconfig.getoption("--rewrite-specifications"):
        page = PAGE.read_text("utf-8")
        changed = section.replace(f"```table\n{expected}```", f"```table\n{drawn}```")
        PAGE.write_text(page.replace(section, changed), "utf-8")
        return
    assert drawn == expected
