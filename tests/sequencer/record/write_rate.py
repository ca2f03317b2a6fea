"""What a reading costs to record, gathered and live, printed and never asserted.

Run as `python tests/sequencer/record/write_rate.py [READINGS]`.
"""

from __future__ import annotations

import sys
import tempfile
import time
from pathlib import Path
from typing import Literal

sys.path.insert(0, str(Path(__file__).parents[3]))

from sequencer.record import RunInfo, Store
from sequencer.record.rows import CHANNEL_COLUMNS


def measure(store: Store, mode: Literal["dry run", "run"], count: int) -> None:
    writer = store.begin(RunInfo("write rate", "", "", mode))
    append = writer.stream("smu", CHANNEL_COLUMNS).append
    spent = []
    for k in range(count):
        x = 0.1 * k
        row = (x, x + 1.0, x * 0.5, 0.0, 5.4, 20.0, 3.0, x * 2.0, x * 3.0, 1.0, 17.0)
        before = time.perf_counter_ns()
        append(row)
        spent.append(time.perf_counter_ns() - before)
    before = time.perf_counter()
    writer.end("finished", 0)
    ending = time.perf_counter() - before
    spent.sort()
    mean = sum(spent) / count / 1000
    middle, high, worst = (spent[k] / 1000 for k in (count // 2, count * 99 // 100, -1))
    print(
        f"{mode:8} {count} readings: {mean:.2f} µs each, p50 {middle:.2f}, p99 {high:.2f}, "
        f"worst {worst:.0f}; the end {ending:.2f} s"
    )


if __name__ == "__main__":
    readings = int(sys.argv[1]) if len(sys.argv) > 1 else 100_000
    with tempfile.TemporaryDirectory() as folder, Store.open(Path(folder) / "s.sqlite") as opened:
        measure(opened, "dry run", readings)
        measure(opened, "run", readings)
