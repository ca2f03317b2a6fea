"""The long run: `python -m tests.soundness RECIPES [SEED]`, in two processes.

Prints every failure with its smallest recipe and writes what was met to `RECORD.md`, anew after
each share of the recipes: a run that is broken off leaves an honest one. A recipe that checks is
run several times; each run is a case.
"""

from __future__ import annotations

import multiprocessing
import sys
import time
from pathlib import Path

from tests.soundness.hunt import Tally, share_of
from tests.soundness.record import written

PROCESSES = 2
SHARES = 40
RECORD = Path(__file__).with_name("RECORD.md")


def main(arguments: list[str]) -> int:
    """Run it; 1 where anything failed or a cell stayed empty."""
    if not 1 <= len(arguments) <= 2 or not all(text.isdecimal() for text in arguments):
        print("python -m tests.soundness RECIPES [SEED]", file=sys.stderr)
        return 2
    recipes, seed = int(arguments[0]), int((*arguments, "1")[1])
    shares = [(recipes // SHARES + (k < recipes % SHARES), seed, k, SHARES) for k in range(SHARES)]
    began = time.monotonic()
    whole, failures = Tally(), []
    with multiprocessing.get_context("spawn").Pool(PROCESSES) as pool:
        for tally, found in pool.imap(share_of, shares):
            whole.add(tally)
            failures += found
            minutes = (time.monotonic() - began) / 60
            RECORD.write_text(written(whole, recipes, seed, minutes, failures), encoding="utf-8")
    empty = whole.census.empty()
    print(f"{whole.cases} cases, {len(failures)} failures, {len(empty)} empty cells: {RECORD}")
    for cell in empty:
        print(f"empty: {cell}")
    return 1 if failures or empty else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
