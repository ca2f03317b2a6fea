"""The recipe that grows while somebody works by hand: each piece is checked with all before it.

The whole is checked anew for every piece, which is simple and as sound as the check itself; a piece
that doesn't fit leaves no trace. Runs nothing and knows no terminal.
"""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from typing import TYPE_CHECKING, NamedTuple

from grammar import tree
from grammar.diagnostic import Problem, Problems, Span
from grammar.first_words import kind_of, opens_block
from grammar.parse import parse
from sequencer import api
from sequencer.checker.naming.walking import nodes_of
from sequencer.engine.columns import captured_traces, looked_at
from sequencer.engine.refusals import refusals

if TYPE_CHECKING:
    from drivers.bench import Bench, BenchFile
    from sequencer.checker import Checked

_INDENT = "    "
_AT_ITS_END = "unused-"
"""What is said of things that nothing uses is said of a recipe that is done, and not of a draft."""
_UNUSED = "unused-capability"
_ELSEWHERE = ("steps", "finally", "results", "procedure")


class Offer(NamedTuple):
    """What the recipe becomes with a further piece; `since` is the number of steps before it.

    `found` is what the piece gives rise to; with an error among it the piece is not to be kept.
    """

    steps: tuple[str, ...]
    checked: Checked
    since: int
    found: Problems

    @property
    def refused(self) -> bool:
        """Whether it is not to be run."""
        return self.found.has_errors

    @property
    def nodes(self) -> tuple[tree.Step, ...]:
        """The steps that are to be run."""
        return self.checked.recipe.steps[self.since :]


class Draft:
    """The recipe so far: its declarations, then the steps that were done."""

    def __init__(self, bench: BenchFile, name: str, head: Sequence[str]) -> None:
        self.bench = bench
        self.name = name
        self.head = list(head)
        self.steps: list[str] = []
        self.checked: Checked | None = None
        self._known: set[tuple[str, Span]] = set()

    @property
    def text(self) -> str:
        """The recipe as it stands."""
        return self._text(self.head, self.steps)

    def tidied(self) -> str:
        """The recipe as it stands, its channels asked for what its steps need and no more."""
        lines = self.text.split("\n")
        found = self.checked.problems.found if self.checked is not None else []
        unused = sorted((p.span for p in found if p.slug == _UNUSED), reverse=True)
        for span in unused:
            line = lines[span.line - 1]
            before, after = line[: span.column - 1], line[span.end_column - 1 :]
            if before.rstrip().endswith(","):
                lines[span.line - 1] = before.rstrip().removesuffix(",") + after
        return "\n".join(lines)

    def loaded(self) -> api.Loaded:
        """The recipe so far, read; where no step was done yet, with one that does nothing."""
        text = self._text(self.head, self.steps or [f'{_INDENT}note "By hand."'])
        return api.Loaded(None, text, *parse(text, self.name))

    def declare(self, piece: Sequence[str]) -> Problems:
        """Add declarations before the first step; with an error they are left out."""
        head = [*self.head]
        lines = textwrap.dedent("\n".join(piece)).split("\n")
        if lines[0].startswith("recipe "):
            head[0] = lines[0]
        else:
            head += ["", *lines] if opens_block(lines[0]) else lines
        checked = self._check(self._text(head, [f'{_INDENT}note "By hand."']))
        found = self._new(checked)
        if not found.has_errors:
            self.head = head
            self._remember(checked)
        return found

    def offer(self, piece: Sequence[str], waited_s: float = 0.0) -> Offer:
        """The recipe with a further step, and before it the time that passed under power."""
        lines = textwrap.dedent("\n".join(piece)).split("\n")
        waited = [f"{_INDENT}wait {waited_s:.3f} s"] if waited_s >= 0.001 else []
        steps = (*self.steps, *waited, *(f"{_INDENT}{line}".rstrip() for line in lines))
        checked = self._check(self._text(self.head, steps))
        before = len(self.checked.recipe.steps) if self.checked is not None and self.steps else 0
        since = before + len(waited)
        found = self._new(checked)
        if not found.has_errors:
            self._refuse_what_reaches_back(checked, since, found)
        return Offer(steps, checked, since, found)

    def keep(self, offer: Offer) -> None:
        """The piece is part of the recipe now."""
        self.steps = list(offer.steps)
        self._remember(offer.checked)

    def comment(self, words: str) -> None:
        """Say something about what was done, for whoever reads the recipe."""
        self.steps += [f"{_INDENT}# {line}" for line in textwrap.wrap(words, 90)]

    def broken_off(self, after_s: float) -> None:
        """The last step didn't come to its end: a `wait` is as long as it was, others say so."""
        last = self.steps[-1].strip()
        if last.startswith("wait ") and not last.startswith("wait for "):
            self.steps[-1] = f"{_INDENT}wait {max(after_s, 0.001):.3f} s  # broken off: {last}"
        else:
            self.comment(f"Broken off {after_s:.3g} s after it began.")

    def refused_by(self, bench: Bench, offer: Offer) -> list[Problem]:
        """What the opened bench can't do of it."""
        return refusals(offer.checked, bench, nobody_answers=False, answers=())

    def _text(self, head: Sequence[str], steps: Sequence[str]) -> str:
        return "\n".join([*head, "", "steps:", *steps, ""])

    def _check(self, text: str) -> Checked:
        return api.check(api.Loaded(None, text, *parse(text, self.name)), self.bench)

    def _new(self, checked: Checked) -> Problems:
        """What wasn't said before. Lines keep their numbers, so places can be compared."""
        problems = checked.problems
        found = [
            problem
            for problem in problems.found
            if (problem.slug, problem.span) not in self._known
            and not problem.slug.startswith(_AT_ITS_END)
        ]
        return Problems(problems.source, problems.fault, found)

    def _remember(self, checked: Checked) -> None:
        self.checked = checked
        self._known = {(problem.slug, problem.span) for problem in checked.problems.found}

    def _refuse_what_reaches_back(self, checked: Checked, since: int, found: Problems) -> None:
        """What was done is done: a piece that would change what came before it is refused."""
        nodes = checked.recipe.steps[since:]
        last = len(checked.problems.source.text.split("\n")) - 1
        if len(nodes) != 1:
            found.error(
                "by-hand-too-late",
                Span(last, 1, last, 2),
                "this belongs to the step before it, which has been done already",
                "type the step and what belongs to it as one, within `repeat 1 times:`",
            )
            return
        before = self.checked.traces if self.checked is not None else {}
        captured = captured_traces(self.checked) if self.checked is not None else set()
        for name, facts in before.items():
            columns = checked.traces[name].extra
            if columns != facts.extra or (name in captured_traces(checked)) != (name in captured):
                found.error(
                    "by-hand-too-late",
                    nodes[0].span,
                    f"`{name}` has rows already, and this would give it other columns",
                    "measure into a trace of another name",
                )
        for name in _looked_at(checked, nodes):
            if name in before:
                found.error(
                    "by-hand-too-late",
                    nodes[0].span,
                    f"`{name}` was measured before: by hand a function sees what is measured in "
                    "the same piece alone",
                    "measure and look in one block, into a trace of another name",
                )


def _looked_at(checked: Checked, nodes: tuple[tree.Step, ...]) -> list[str]:
    looked = looked_at(checked)
    return sorted(
        {
            node.arguments[0].value.id
            for node in nodes_of(nodes)
            if isinstance(node, tree.Call)
            and node.arguments
            and isinstance(node.arguments[0].value, tree.Name)
            and node.arguments[0].value.id in looked
        }
    )


def is_step(line: str) -> bool:
    """Whether a line is for the steps: whatever is no declaration is, so that it is checked."""
    return kind_of(line) != "declaration"


def is_elsewhere(line: str) -> bool:
    """Whether a line opens a part of a recipe that there is none of by hand."""
    return line.split(":")[0].split(" ")[0] in _ELSEWHERE


def head_of(bench: BenchFile, title: str) -> list[str]:
    """The declarations that a bench file gives by itself: a title and its channels."""
    lines = [f'recipe "{_plain(title)}"', ""]
    for name, specification in bench.specifications.items():
        sensor = bench.sensors.get(name)
        able = specification.capabilities if sensor is None else [f"measure {sensor.gives}"]
        lines.append(f"channel {name}: {', '.join(able)}")
    return lines


def head_from(recipe: tree.Recipe, title: str) -> list[str]:
    """The declarations of a recipe, under a title of their own."""
    from grammar.layout import recipe_text

    declared = tree.Recipe(
        _plain(title), recipe.about, recipe.channels, recipe.digital, recipe.parts,
        recipe.settings, recipe.requires, recipe.guards, recipe.procedures, (), (), (), recipe.span,
    )  # fmt: skip
    return recipe_text(declared).rstrip("\n").split("\n")


def _plain(title: str) -> str:
    return title.replace("\\", "/").replace('"', "'")
