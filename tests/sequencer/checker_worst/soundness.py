"""Random recipes run against an adversary, and what of each run the analysis has not foreseen.

`python -m tests.sequencer.checker_worst.soundness [RECIPES] [SEED]` makes a longer run of it and
prints every recipe of which something was wrong, how often each construct and each pair of them was
met, and what never was, which fails.
"""

from __future__ import annotations

import itertools
import math
import random
import sys
from collections import Counter
from collections.abc import Iterator, Sequence

from grammar.diagnostic import draw_short
from grammar.parse import parse
from sequencer.checker import Checked, check
from sequencer.checker.worst.worst_case import WorstCase
from tests.sequencer.checker_worst.concrete import Run
from tests.sequencer.checker_worst.constructs import IMPOSSIBLE, constructs, count, missing
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
        *("energy-beyond-rating", "charge-beyond-rating", "mean-power-beyond-rating"),
        *("pulse-outlasts-period", "not-above-zero", "period-not-positive"),
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

    def outside(low: float, high: float, seen: Sequence[float]) -> bool:
        room = SHARE * max(abs(low), abs(high), 1e-3)
        return not (low - room <= seen[0] and seen[1] <= high + room)

    for name, port in run.ports.items():
        if port.part is None or (port.under_power_s == 0 and name not in rows):
            continue
        part = rows[name]
        for quantity, extremes in port.seen.items():
            row = part.rows.get(quantity)
            if row is None or not extremes[0] <= extremes[1]:
                continue
            if math.isnan(row.low) or outside(row.low, row.high, extremes):
                yield f"{name}: {quantity} {extremes} outside {row.low} … {row.high}"
        if outside(0.0, part.under_power_s, [0.0, port.under_power_s]):
            yield f"{port.under_power_s} s under power, foreseen {part.under_power_s}"
    if outside(0.0, worst.longest_s, [0.0, run.bench.now]):
        yield f"{run.bench.now} s in all, foreseen {worst.longest_s}"
    for on, (volts, amperes) in run.bench.forced.items():
        foreseen = worst.forced.get(on, (0.0, 0.0))
        if outside(0.0, foreseen[0], [0.0, volts]) or outside(0.0, foreseen[1], [0.0, amperes]):
            yield f"forced to {volts} V, {amperes} A, foreseen {foreseen}"


class Tally:
    """What a hunt has met: recipes that were refused, constructs and pairs of them."""

    def __init__(self) -> None:
        self.refused = 0
        self.constructs: Counter[str] = Counter()
        self.pairs: Counter[frozenset[str]] = Counter()


def hunt(recipes: int, seed: int, tally: Tally | None = None) -> Iterator[tuple[str, str]]:
    """Run so many recipes; yields each that did what was not foreseen, with what that was.

    Each has dice of its own, so that one that the checker no longer refuses changes no other.
    """
    done = 0
    for number in itertools.count():
        if done >= recipes:
            return
        dice = random.Random(f"{seed} {number}")
        text = Program(dice).text
        checked = checked_program(text)
        if checked is None:
            if tally is not None:
                tally.refused += 1
            continue
        done += 1
        if tally is not None:
            count(constructs(checked), tally.constructs, tally.pairs)
        assert checked.worst is not None
        for _ in range(RUNS_A_RECIPE):
            run = Run(checked, dice)
            wrong = list(unforeseen(run, checked.worst)) if run.execute() else []
            if wrong:
                yield text, "; ".join(wrong)
                break


def main(arguments: list[str]) -> int:
    """The longer run; what no recipe had in it fails as well."""
    recipes, seed = (int(a) for a in (*arguments, "20000", "1")[: max(2, len(arguments))])
    tally = Tally()
    wrong = 0
    for text, why in hunt(recipes, seed, tally):
        wrong += 1
        print(f"{text}\n{why}\n", flush=True)
    print(f"{recipes} recipes from seed {seed}, {tally.refused} more refused, {wrong} wrong")
    print(", ".join(f"{name} {times}" for name, times in tally.constructs.most_common()))
    rare = ", ".join(
        f"{' with '.join(sorted(pair))} {times}"
        for pair, times in tally.pairs.most_common()[:-30:-1]
    )
    print(f"{len(tally.pairs)} pairs, the rarest: {rare}")
    alone, together = missing(tally.constructs, tally.pairs)
    print(f"never: {', '.join(alone) or 'none'}; no pair: {', '.join(together) or 'none'}")
    reasons = [f"{' with '.join(sorted(pair))} ({why})" for pair, why in IMPOSSIBLE.items()]
    print(f"pairs that can't be: {', '.join(reasons) or 'none'}")
    return 1 if wrong or alone or together else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
