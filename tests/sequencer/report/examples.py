"""The examples of the pages, made whole and looked at by the stage that they are for.

An example leaves out what doesn't matter to it. What is put around it: a title, a channel, a part,
steps that measure; a bench with one channel and one part; of a shipped specification or dialect the
lines that the example has are replaced. `# without KEY` takes a line out.
"""

from __future__ import annotations

import re
from pathlib import Path
from typing import NamedTuple

from drivers.bench_file import BenchFile, load_bench, read_bench
from drivers.scpi.dialect_file import load_dialect
from drivers.specification import load_specification, read_specification
from grammar.diagnostic import Problem, Source
from grammar.first_words import FIRST_WORDS
from grammar.parse import parse
from grammar.quantity import read
from sequencer.checker import check
from sequencer.explanations import Page
from tests.sequencer.manual.session import Session

ROOT = Path(__file__).parents[3]
TITLE = 'recipe "An example at the Ridge weather station"'
CHANNEL = "channel smu: source, sink, measure, measure open"
PART = "part load is resistor on smu:\n    voltage within 10 V\n    current within 1 A"
STEPS = """\
steps:
    source smu voltage 1 V, limit 0.5 A
    output smu on
    every 100 ms for 10 s:
        measure smu into looks"""
BENCH_CHANNEL = """
[channels.smu]
specification = "demo-source-measure"
part = "load"
"""
BENCH_PART = """
[parts.load]
model = "resistor"
resistance = "100 ohm"
"""
_FENCE = re.compile(r"^```(\w+)([^\n]*)\n(.*?)^```$", re.M | re.S)


class Example(NamedTuple):
    """One text of a page: what it is, the words behind that, the text."""

    kind: str
    words: str
    text: str


def examples(page: Page) -> tuple[list[Example], list[Example]]:
    """The wrong ones and the right ones of a page."""
    wrong, mark, right = page.text.partition("\nRight:\n")
    assert mark, f"{page.slug} has no right example"
    assert "\nWrong:\n" in wrong, f"{page.slug} has no wrong example"
    return _of(wrong), _of(right)


def _of(text: str) -> list[Example]:
    return [Example(kind, words.strip(), body) for kind, words, body in _FENCE.findall(text)]


def said(given: list[Example], folder: Path) -> list[Problem]:
    """All problems of an example's texts together, from whichever stage they come."""
    by_kind = {example.kind: example for example in given}
    found: list[Problem] = []
    if "instrument" in by_kind and by_kind["instrument"].words:
        found += load_specification(by_kind["instrument"].words, folder)[1]
    elif "instrument" in by_kind:
        text = replaced(SPECIFICATION.read_text("utf-8"), by_kind["instrument"].text)
        found += read_specification(Source("instrument.toml", text))[1]
    if "dialect" in by_kind:
        text = replaced(DIALECT.read_text("utf-8"), by_kind["dialect"].text)
        path = folder / "example-dialect.toml"
        path.write_text(text, "utf-8")
        found += load_dialect(path)[1]
    bench = None
    if "bench" in by_kind:
        path, example = folder / "example.bench.toml", by_kind["bench"]
        if "missing" not in example.words:
            recipe = by_kind["recipe"].text if "recipe" in by_kind else ""
            path.write_text(_bench(example.text, recipe), "utf-8")
        bench, problems = load_bench(path)
        found += problems
    if "manual" in by_kind:
        found += _by_hand(by_kind["manual"].text, folder)
    if "recipe" in by_kind and not any(p.severity == "error" for p in found):
        found += _of_recipe(by_kind["recipe"], bench)
    return found


SPECIFICATION = ROOT / "drivers/specifications/demo-source-measure.toml"
DIALECT = ROOT / "drivers/scpi/dialects/scpi-1999-source-measure.toml"


def _of_recipe(example: Example, bench: BenchFile | None) -> list[Problem]:
    """Words behind `recipe` are `whole`, `nobody`, `repeat N` (times), `wide N` (columns), and

    `--set NAME=VALUE` and `--answer NAME=VALUE` as on the command line.
    """
    text = example.text
    repeat = re.search(r"repeat (\d+)", example.words)
    if repeat:
        text *= int(repeat[1])
    wide = re.search(r"wide (\d+)", example.words)
    if wide:
        text = text.rstrip() + " " * int(wide[1]) + "#\n"
    if "whole" not in example.words:
        text = whole(text)
    recipe, problems = parse(text, "example.recipe")
    settings = {
        name: read(value)
        for name, value in re.findall(r"--set (\w+)=(\S+(?: \w+)?)", example.words)
    }
    checked = check(recipe, problems, settings, bench)
    found = list(problems)
    if problems.has_errors:
        return found
    if bench is not None or "nobody" in example.words or "--answer" in example.words:
        from drivers.bench import open_simulated
        from sequencer.engine.refusals import refusals

        if bench is None:
            bench, _ = read_bench(Path("example.bench.toml"), _bench(""))
            assert bench is not None
        opened = open_simulated(bench, channels=list(checked.channels))
        answers = re.findall(r"--answer (\w+)=", example.words)
        found += refusals(
            checked, opened, nobody_answers="nobody" in example.words, answers=answers
        )
        opened.close()
    return found


def _by_hand(text: str, folder: Path) -> list[Problem]:
    """What is said of lines that are typed one after another, a block ended by the next line."""
    file, _ = read_bench(folder / "example.bench.toml", _bench(""))
    assert file is not None
    typed = [*PART.split("\n"), ""]
    for line in text.rstrip("\n").split("\n"):
        if not line.startswith(" ") and typed[-1].startswith(" "):
            typed.append("")
        typed.append(line)
    return Session(file, [*typed, ""], folder).found


def whole(text: str) -> str:
    """A recipe around an example."""
    first = re.match(r"[^\W\d]\w*", text.lstrip("#").strip() or "x")
    if not first or first[0] not in FIRST_WORDS["declaration"]:
        text = "steps:\n" + "".join(f"    {line}\n" if line else "\n" for line in text.split("\n"))
    before, _, rest = text.partition("steps:")
    around = []
    if not re.search(r"^recipe ", before, re.M):
        around.append(TITLE)
    if not re.search(r"^channel ", before, re.M) or "smu" not in re.findall(
        r"^channel (\w+)", before, re.M
    ):
        around.append(CHANNEL)
    around.append(before.rstrip())
    if not re.search(r"^part ", before, re.M):
        around.append(PART)
    if rest:
        around.append("steps:" + rest)
    else:
        # Results and `finally` stand behind the steps.
        body = around[-2] if around[-1] is PART else around[-1]
        place = re.search(r"^(results|finally):", body, re.M)
        if place:
            around[around.index(body)] = body[: place.start()].rstrip()
        around.append(STEPS)
        if place:
            around.append(body[place.start() :])
    return "\n".join(filter(None, around)) + "\n"


def _bench(text: str, recipe: str = "") -> str:
    """A bench around an example; the part that both of its texts name is there."""
    wired = re.search(r'^part\s*=\s*"(\w+)"', text, re.M)
    part = wired[1] if wired and f"part {wired[1]} is " in recipe else "load"
    around = [text]
    if not re.search(r"^line_frequency", text, re.M):
        around.insert(0, 'line_frequency = "50 Hz"')
    if not re.search(r"^\[channels", text, re.M) and "channels" not in text:
        around.append(BENCH_CHANNEL)
    if not re.search(r"^\[parts", text, re.M):
        around.append(BENCH_PART.replace("load", part))
    return "\n".join(around)


def replaced(shipped: str, text: str) -> str:
    """A shipped text with an example's lines in the place of its own."""
    for line in text.rstrip("\n").split("\n"):
        without = re.fullmatch(r"# without (\w+)", line)
        key = without[1] if without else line.split("=")[0].strip()
        own = re.compile(rf"^{re.escape(key)}\s*=.*$", re.M)
        if without:
            assert own.search(shipped), key
            shipped = own.sub("", shipped, count=1)
        elif own.search(shipped):
            shipped = own.sub(lambda _, line=line: line, shipped, count=1)  # type: ignore[misc]
        else:
            top = "[actions]" in shipped and "send" in line
            at = shipped.index("[actions]\n") + len("[actions]\n") if top else 0
            shipped = f"{shipped[:at]}{line}\n{shipped[at:]}"
    return shipped
