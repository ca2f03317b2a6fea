"""A recipe as the generator makes it: lines with the blocks below them, which may be taken apart.

Knows nothing of what a line means.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field, replace

Block = tuple["Step", ...]


@dataclass(frozen=True)
class Step:
    """One step: its lines, each with the block below it, or None where the line has none.

    `if` and `else` are two lines of one step, as are a loop and its `otherwise`.
    """

    lines: tuple[tuple[str, Block | None], ...]

    def written(self, depth: int) -> Iterator[str]:
        """Its lines, indented."""
        for text, block in self.lines:
            yield "    " * depth + text
            if block is not None:
                yield from written(block, depth + 1)


def line(text: str) -> Step:
    """A step without a block."""
    return Step(((text, None),))


def written(block: Block, depth: int) -> Iterator[str]:
    """The lines of a block; one without a step still needs one."""
    if not block:
        yield "    " * depth + 'note "nothing"'
    for step in block:
        yield from step.written(depth)


@dataclass(frozen=True)
class Recipe:
    """A whole recipe: its declarations, its procedures by their first line, steps and finally."""

    head: tuple[str, ...]
    procedures: tuple[tuple[str, Block], ...] = ()
    steps: Block = ()
    final: Block = ()
    results: tuple[str, ...] = field(default=())

    @property
    def text(self) -> str:
        """What it reads."""
        lines = list(self.head)
        for first, block in self.procedures:
            lines += [first, *written(block, 1)]
        lines += ["steps:", *written(self.steps, 1)]
        if self.final:
            lines += ["finally:", *written(self.final, 1)]
        if self.results:
            lines += ["results:", *("    " + text for text in self.results)]
        return "\n".join(lines) + "\n"

    def smaller(self) -> Iterator[Recipe]:
        """Recipes with one thing less: the largest things first."""
        if self.results:
            yield replace(self, results=())
        if self.final:
            yield replace(self, final=())
            for block in smaller(self.final):
                yield replace(self, final=block)
        for block in smaller(self.steps):
            yield replace(self, steps=block)
        for k, (first, body) in enumerate(self.procedures):
            others = self.procedures[:k], self.procedures[k + 1 :]
            yield replace(self, procedures=(*others[0], *others[1]))
            for block in smaller(body):
                yield replace(self, procedures=(*others[0], (first, block), *others[1]))
        for k in range(len(self.head)):
            yield replace(self, head=self.head[:k] + self.head[k + 1 :])


def smaller(block: Block) -> Iterator[Block]:
    """Blocks with a step less, with a step's own block in its place, or with a smaller step."""
    for k, step in enumerate(block):
        yield block[:k] + block[k + 1 :]
        for _, inner in step.lines:
            if inner:
                yield block[:k] + inner + block[k + 1 :]
    for k, step in enumerate(block):
        for n in range(len(step.lines) - 1, 0, -1):
            less = Step(step.lines[:n] + step.lines[n + 1 :])
            yield (*block[:k], less, *block[k + 1 :])
        for n, (text, inner) in enumerate(step.lines):
            for less_inner in smaller(inner or ()):
                lines = (*step.lines[:n], (text, less_inner), *step.lines[n + 1 :])
                yield (*block[:k], Step(lines), *block[k + 1 :])
