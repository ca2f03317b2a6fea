"""A session by hand with typed lines that are prepared, in virtual time and without a terminal."""

from __future__ import annotations

from functools import partial
from pathlib import Path

from drivers.bench_file import BenchFile
from grammar.diagnostic import Problem, Problems
from sequencer import api
from sequencer.manual.declaring import declare
from sequencer.manual.draft import Draft, head_of
from sequencer.manual.hand import ByHand


class Typed:
    """A console made of prepared lines; keeps all that is said and every problem."""

    def __init__(self, lines: list[str]) -> None:
        self.lines = list(lines)
        self.said: list[str] = []
        self.found: list[Problem] = []

    def prompt(self, text: str) -> None:
        pass

    def line(self, wait_s: float) -> str | None:
        if not self.lines:
            raise EOFError
        return self.lines.pop(0)

    def say(self, words: str) -> None:
        self.said.append(words)

    def problems(self, found: Problems) -> None:
        self.found += found


class Session:
    """A whole session: the recipe that it became, what was said, how it ended."""

    def __init__(self, file: BenchFile, lines: list[str], folder: Path, seed: int = 0) -> None:
        console = Typed(lines)
        draft = Draft(file, "by-hand.recipe", head_of(file, "By hand"))
        assert not draft.declare([draft.head[0]]).has_errors
        first = declare(console, draft)
        self.finished: api.Finished | None = None
        if first is not None:
            runner = partial(
                ByHand, draft=draft, console=console, first=first, save=lambda text: None,
                stake_of=None,
            )  # fmt: skip
            self.finished = api.dry_run(
                draft.loaded(), file, seed=seed, store=folder / "records.sqlite",
                tell=console.say, runner_of=runner,
            )  # fmt: skip
        self.text, self.said, self.found = draft.text, console.said, console.found
