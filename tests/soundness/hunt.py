"""Random recipes checked and run: what of each run its worst case rules out.

A *case* is one recipe with one bench, one set of settings and one run. Each recipe that checks is
run several times, with other parts, errors, settings and answers each time; all of these runs are
held against the one worst case that the check of the recipe gave.
"""

from __future__ import annotations

import random
import tempfile
import warnings
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import NamedTuple

from drivers.bench_file import BenchFile, read_bench
from grammar import tree
from grammar.quantity import Quantity, read
from sequencer.api import Loaded, Refused, check, load
from sequencer.checker import Checked
from sequencer.checker.naming.walking import steps_of
from tests.soundness.adverse import Errors
from tests.soundness.census import Census
from tests.soundness.judge import nearness, violations
from tests.soundness.making import Made
from tests.soundness.parts import Span, real
from tests.soundness.programs import Programs
from tests.soundness.recipe_text import Recipe
from tests.soundness.shrink import shrunk
from tests.soundness.truth import run
from tests.soundness.values import quantity

RUNS = 3
"""How often a recipe that checks is run."""
INVALID = "made wrong"


class Setting(NamedTuple):
    """What one run of a recipe is made with: its bench and all that chance decides."""

    bench: str
    own: dict[str, Span]
    settings: dict[str, str]
    answers: dict[str, str]
    errors: Errors

    @property
    def file(self) -> BenchFile:
        """The bench file."""
        found, problems = read_bench(Path("random.bench.toml"), self.bench)
        assert found is not None, [p.message for p in problems]
        return found


class Failure(NamedTuple):
    """A run that did what was not proved: the recipe, its bench, what was wrong."""

    recipe: str
    setting: Setting
    wrong: list[str]

    def __str__(self) -> str:
        given = ", ".join(f"{k}={v}" for k, v in self.setting.settings.items())
        answers = ", ".join(f"{k}={v}" for k, v in self.setting.answers.items())
        return "\n".join(
            [
                self.recipe,
                self.setting.bench,
                f"settings: {given}; answers: {answers}; {self.setting.errors}",
                *self.wrong,
            ]
        )


@dataclass
class Tally:
    """What a hunt has met."""

    recipes: int = 0
    checked: int = 0
    refused: Counter[str] = field(default_factory=Counter)
    cases: int = 0
    outcomes: Counter[str] = field(default_factory=Counter)
    census: Census = field(default_factory=Census)
    near: dict[str, list[int]] = field(default_factory=dict)

    def met(self, row: str, share: float) -> None:
        """How near a run came to a bound, by tenths of it."""
        tenths = self.near.setdefault(row, [0] * 11)
        tenths[max(0, min(10, int(share * 10 + 1e-9)))] += 1

    def add(self, other: Tally) -> None:
        """What another hunt has met, too."""
        self.recipes += other.recipes
        self.checked += other.checked
        self.cases += other.cases
        self.refused += other.refused
        self.outcomes += other.outcomes
        self.census.add(other.census)
        for row, tenths in other.near.items():
            known = self.near.setdefault(row, [0] * 11)
            known[:] = [a + b for a, b in zip(known, tenths, strict=True)]


def asked(checked: Checked) -> set[str]:
    """The names that a recipe asks the person for."""
    return {
        step.into.id
        for step in steps_of(checked.recipe.steps + checked.recipe.final)
        if isinstance(step, tree.Ask) and step.into is not None
    }


def setting_of(made: Made, loaded: Loaded, dice: random.Random) -> Setting:
    """One bench for a recipe, with parts that may stand for its own, and what chance decides."""
    text = ['line_frequency = "50 Hz"']
    own, tables = {}, []
    for channel, part in made.parts.items():
        found = real(dice, part)
        own[channel] = found.initial
        tables.append(found.table)
        text += [
            f"[channels.{channel}]",
            f'specification = "{made.specifications[channel]}"',
            f'part = "{part.name}"',
            f'leads = {{ per_lead_resistance = "{dice.choice([0, 0.02, 0.5]):g} ohm" }}',
        ]
    first = dice.choice(["high", "low"])
    second = "low" if first == "high" else "high"
    text += [
        "[digital.lid]",
        f'simulated = [{{ at = "0 s", state = "{first}" }}, '
        f'{{ at = "{dice.choice([0.3, 1.3, 60])} s", state = "{second}" }}]',
        "[digital.lamp]",
        *tables,
    ]
    settings = {}
    for node in loaded.recipe.settings:
        name = node.name.id
        known = next((k for k in made.settings if k.name == name), None)
        if known is not None and dice.random() < 0.6:
            point = dice.choice([known.span.low, known.span.high, sum(known.span) / 2])
            settings[name] = quantity(point, known.unit)
    answers = {
        known.name: quantity(dice.choice([*known.span, sum(known.span) / 2]), known.unit)
        for known in made.asks
        if dice.random() < 0.7
    }
    errors = Errors(dice.randrange(1 << 30), dice.random() < 0.5)
    return Setting("\n".join(text) + "\n", own, settings, answers, errors)


def wrong_with(
    loaded: Loaded, checked: Checked, setting: Setting, store: Path, tally: Tally | None = None
) -> list[str]:
    """What one run shows that the worst case of `checked` rules out, in words."""
    file = setting.file
    assert checked.worst is not None
    in_force = checked
    if setting.settings:
        in_force = check(loaded, file, setting.settings)
        if in_force.problems.has_errors:
            # What is required of settings together doesn't hold of these.
            return []
    known = asked(in_force)
    answers: dict[str, Quantity] = {
        name: read(text) for name, text in setting.answers.items() if name in known
    }
    try:
        ran = run(loaded, in_force, file, setting.errors, answers, store)
    except Refused as refused:
        return [f"refused after it was checked: {refused}"]
    wrong = list(violations(ran, in_force, checked.worst, setting.own))
    if tally is not None:
        tally.cases += 1
        tally.outcomes[ran.ending.outcome.word] += 1
        for near in nearness(ran, in_force, checked.worst):
            tally.met(near.row, near.share)
    return wrong


def hunt(
    recipes: int, seed: int, tally: Tally, first: int = 0, stride: int = 1
) -> Iterator[Failure]:
    """Check and run so many recipes that check; yields each that did what was not proved.

    Of the recipes of a seed it takes every `stride`th from the `first`: several share them so.
    """
    with tempfile.TemporaryDirectory() as folder:
        store = Path(folder) / "runs.sqlite"
        done, number = 0, first - stride
        while done < recipes:
            number += stride
            dice = random.Random(f"{seed} {number}")
            made = Programs(dice).made
            loaded = load(made.recipe.text)
            setting = setting_of(made, loaded, dice)
            checked = check(loaded, setting.file)
            tally.recipes += 1
            if checked.problems.has_errors:
                errors = [p for p in checked.problems if p.severity == "error"]
                tally.refused.update({p.slug for p in errors})
                continue
            done += 1
            tally.checked += 1
            tally.census.count(checked)
            for turn in range(RUNS):
                if turn:
                    setting = setting_of(made, loaded, dice)
                wrong = wrong_with(loaded, checked, setting, store, tally)
                if wrong:
                    yield shrink(made.recipe, setting, wrong, store)
                    break


def share_of(given: tuple[int, int, int, int]) -> tuple[Tally, list[str]]:
    """One process's share of a long run: what `hunt` is given, and what it has met."""
    recipes, seed, first, stride = given
    warnings.simplefilter("error")
    tally, failures = Tally(), []
    for failure in hunt(recipes, seed, tally, first, stride):
        failures.append(str(failure))
        print(f"{failure}\n", flush=True)
    return tally, failures


def shrink(recipe: Recipe, setting: Setting, wrong: list[str], store: Path) -> Failure:
    """The smallest recipe that is still wrong in the same way on the same bench."""
    kind = _kind(wrong[0])

    def fails(smaller: Recipe) -> list[str]:
        loaded = load(smaller.text)
        if loaded.problems.has_errors:
            return []
        checked = check(loaded, setting.file)
        if checked.problems.has_errors:
            return []
        known = {node.name.id for node in loaded.recipe.settings}
        fitting = setting._replace(
            settings={k: v for k, v in setting.settings.items() if k in known},
            answers={k: v for k, v in setting.answers.items() if k in asked(checked)},
        )
        found = wrong_with(loaded, checked, fitting, store)
        return found if any(_kind(text) == kind for text in found) else []

    found, why = shrunk(recipe, wrong, fails)
    return Failure(found.text, setting, why)


def _kind(wrong: str) -> str:
    return wrong.split(":")[0]


Fails = Callable[[Recipe], list[str]]
