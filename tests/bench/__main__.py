"""The speed of the main work, as ratios beside something else measured in the same minute.

    python tests/bench [NAME ...]

Each row runs the two in turn, several times, and prints the median of the ratios with the smallest
and the largest, and the peak memory where it is judged. Nothing here is asserted in CI: machines
differ, and a noisy minute is no defect.
"""

from __future__ import annotations

import platform
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

import record_rows
import rows


def main(names: list[str]) -> int:
    """Print the rows asked for, all without a name."""
    every = vars(rows) | vars(record_rows)
    known = {name: row for name, row in every.items() if name.startswith("bench_")}
    wanted = [f"bench_{name}" for name in names] or list(known)
    unknown = [name for name in wanted if name not in known]
    if unknown:
        print("there are:", ", ".join(name.removeprefix("bench_") for name in known))
        return 2
    print(f"{platform.platform()}, Python {platform.python_version()}, {rows.processor()}")
    for name in wanted:
        for line in known[name]():
            print(line, flush=True)
    return 0


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
