"""The record of a long run, as Markdown: counts, the distribution, how near truth came to proof."""

from __future__ import annotations

from collections.abc import Iterable

from tests.soundness.census import BLOCKS, STEPS, impossible_after, impossible_inside
from tests.soundness.hunt import RUNS, Tally


def written(tally: Tally, recipes: int, seed: int, minutes: float, failures: list[str]) -> str:
    """What `RECORD.md` holds."""
    refused = tally.recipes - tally.checked
    lines = [
        "# Soundness against the simulated bench: the long run",
        "",
        f"Written by `python -m tests.soundness {recipes} {seed}`.",
        "",
        f"- {tally.cases} cases: {tally.checked} recipes that check, up to {RUNS} runs of each "
        "with other parts, errors, settings and answers",
        f"- {tally.recipes} recipes made, {refused} refused by the checker: "
        f"{100 * tally.checked / max(1, tally.recipes):.0f} % check",
        f"- {len(failures)} runs did what was not proved",
        f"- {len(tally.census.empty())} empty cells",
        f"- {minutes:.0f} min in two processes",
        "",
        "How the runs ended: " + _counts(tally.outcomes.most_common()),
        "",
        "Refused for: " + _counts(tally.refused.most_common(12)),
        "",
        "## How near the truth came to the proof",
        "",
        "Of each run, the largest magnitude of a quantity as a share of what was proved of it.",
        "",
        "| row | " + " | ".join(f"{10 * k} %" for k in range(11)) + " |",
        "|---" * 12 + "|",
    ]
    for row, tenths in sorted(tally.near.items()):
        lines.append(f"| {row} | " + " | ".join(map(str, tenths)) + " |")
    census = tally.census
    lines += ["", "## Constructs", "", _counts(_sorted(census.constructs.items()))]
    lines += ["", "Kinds, ratings, clauses, forms: " + _counts(_sorted(census.others.items()))]
    lines += ["", "## One right inside the other", "", "Recipes with the step in the block.", ""]
    lines += _table("step \\ block", STEPS, BLOCKS, census.inside, impossible_inside)
    lines += ["", "## One right after the other", "", "Recipes with the step after the other.", ""]
    lines += _table("step \\ after", STEPS, STEPS, census.after, impossible_after)
    reasons: dict[str, int] = {}
    for name in STEPS:
        for block in BLOCKS:
            why = impossible_inside(name, block)
            reasons[why] = reasons.get(why, 0) + 1
        for before in STEPS:
            why = impossible_after(name, before)
            reasons[why] = reasons.get(why, 0) + 1
    lines += ["", "A dash is a pair that can't be:", ""]
    lines += [f"- {why} ({count} pairs)" for why, count in reasons.items() if why]
    if failures:
        lines += ["", "## Failures", ""]
        for failure in failures:
            lines += ["```", failure, "```", ""]
    return "\n".join(lines) + "\n"


def _counts(items: Iterable[tuple[str, int]]) -> str:
    return ", ".join(f"{name} {count}" for name, count in items) or "none"


def _sorted(items: Iterable[tuple[str, int]]) -> list[tuple[str, int]]:
    return sorted(items, key=lambda item: (-item[1], item[0]))


def _table(
    corner: str,
    rows: tuple[str, ...],
    columns: tuple[str, ...],
    counts: dict[tuple[str, str], int],
    impossible: object,
) -> list[str]:
    assert callable(impossible)
    lines = [f"| {corner} | " + " | ".join(columns) + " |", "|---" * (len(columns) + 1) + "|"]
    for row in rows:
        cells = [
            "–" if impossible(row, column) else str(counts.get((row, column), 0))
            for column in columns
        ]
        lines.append(f"| {row} | " + " | ".join(cells) + " |")
    return lines
