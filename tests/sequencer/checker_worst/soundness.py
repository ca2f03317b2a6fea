"""Random recipes run against an adversary, and what of each run the analysis has not foreseen.

`python -m tests.sequencer.checker_worst.soundness [RECIPES] [SEED]` makes a longer run of it and
prints every recipe of which something was wrong.
"""

from __future__ import annotations

import math
import random
import sys
from collections import Counter
from collections.abc import Iterator

from grammar.diagnostic import draw_short
from grammar.parse import parse
from sequencer.checker import Checked, check, worst_case
from sequencer.checker.scope import steps_of
from sequencer.checker.worst_case import WorstCase
from tests.sequencer.checker_worst.concrete import Run
from tests.sequencer.checker_worst.programs import Program

RUNS_A_RECIPE = 25
SHARE = 1e-9
"""What rounding may add, as a share: the order of sums differs between a run and the analysis."""

OF_THE_WORST_CASE = frozenset(
    (
        *("voltage-beyond-rating", "current-beyond-rating", "power-beyond-rating"),
        *("limit-can-reverse", "limit-takes-over", "limit-reversed", "limit-without-zero"),
        *("no-margin", "sink-needed", "division-by-zero", "sweep-through-zero"),
        *("power-at-corner", "unbounded-time", "unbounded-loop"),
    )
)


def checked_program(text: str) -> Checked | None:
    """The recipe with its worst case, None where it is wrong in other ways or makes no sense."""
    recipe, problems = parse(text, "random.recipe")
    checked = check(recipe, problems)
    slugs = {p.slug for p in problems if p.severity == "error"}
    if slugs - OF_THE_WORST_CASE:
        return None
    # A source is not there to be programmed to what no instrument takes.
    if slugs & {"limit-reversed", "limit-without-zero", "sweep-through-zero", "division-by-zero"}:
        return None
    assert checked.worst is not None, [draw_short(p) for p in problems]
    return checked


def unforeseen(run: Run, worst: WorstCase) -> Iterator[str]:
    """What a run has shown that its worst case rules out."""
    rows = {part.channel: part for part in worst.parts}

    def outside(low: float, high: float, seen: list[float]) -> bool:
        room = SHARE * max(abs(low), abs(high), 1e-3)
        return not (low - room <= seen[0] and seen[1] <= high + room)

    for name, port in run.ports.items():
        if port.seen.under_power_s == 0 and name not in rows:
            continue
        part, seen = rows[name], port.seen
        found = {
            "voltage": seen.levels,
            "current": seen.currents,
            "power": seen.powers,
            "energy": seen.energy,
            "charge": seen.charge,
        }
        for quantity, extremes in found.items():
            row = part.rows[quantity]
            if extremes[0] <= extremes[1] and (
                math.isnan(row.low) or outside(row.low, row.high, extremes)
            ):
                yield f"{quantity} {extremes} outside {row.low} … {row.high}"
        if outside(0.0, part.under_power_s, [0.0, seen.under_power_s]):
            yield f"{seen.under_power_s} s under power, foreseen {part.under_power_s}"
    if outside(0.0, worst.longest_s, [0.0, run.now]):
        yield f"{run.now} s in all, foreseen {worst.longest_s}"
    for on, (volts, amperes) in run.forced.items():
        foreseen = worst.forced.get(on, (0.0, 0.0))
        if outside(0.0, foreseen[0], [0.0, volts]) or outside(0.0, foreseen[1], [0.0, amperes]):
            yield f"forced to {volts} V, {amperes} A, foreseen {foreseen}"


def constructs(checked: Checked) -> Counter[str]:
    """What a recipe is made of."""
    recipe = checked.recipe
    found = Counter(type(step).__name__ for step in steps_of(recipe.steps + recipe.final))
    found[next(iter(checked.parts.values())).kind] += 1
    found["finally"] += bool(recipe.final)
    found["require"] += bool(recipe.requires)
    found["guard"] += bool(recipe.guards)
    return found


def hunt(recipes: int, seed: int, counts: Counter[str] | None = None) -> Iterator[tuple[str, str]]:
    """Run so many recipes; yields each that did what was not foreseen, with what that was."""
    dice = random.Random(seed)
    done = 0
    while done < recipes:
        text = Program(dice).text
        checked = checked_program(text)
        if checked is None:
            if counts is not None:
                counts["refused"] += 1
            continue
        done += 1
        if counts is not None:
            counts.update(constructs(checked))
        assert checked.worst is not None
        for _ in range(RUNS_A_RECIPE):
            run = Run(checked, dice)
            wrong = list(unforeseen(run, checked.worst)) if run.execute() else []
            if wrong:
                yield text, "; ".join(wrong)
                break


def main(arguments: list[str]) -> int:
    """The longer run."""
    recipes, seed = (int(a) for a in (*arguments, "20000", "1")[: max(2, len(arguments))])
    counts: Counter[str] = Counter()
    wrong = 0
    for text, why in hunt(recipes, seed, counts):
        wrong += 1
        print(f"{text}\n{why}\n")
    print(f"{recipes} recipes, {wrong} wrong;", dict(counts.most_common()))
    return 1 if wrong else 0


__all__ = ["checked_program", "constructs", "hunt", "main", "unforeseen", "worst_case"]

if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
