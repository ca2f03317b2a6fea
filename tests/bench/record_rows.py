"""The rows of the benchmark that concern what is on record: long records, and calculations on them.

Each is a function that yields the lines to print, as in `rows.py`.
"""

from __future__ import annotations

import statistics
import subprocess
import tempfile
from collections.abc import Iterator
from pathlib import Path

from pairs import Cost, row, whole
from rows import PAIRS, PYTHON, day, readings_of

HERE = Path(__file__).parent
ROOT = HERE.parent.parent
MEMORY_MB = 200


def _cost(name: str, costs: list[Cost], most_s: float, most_mb: float | None = None) -> str:
    """One line: the median time and the largest memory of a command, beside what they may be.

    The processor's time is beside it: on a busy machine the clock tells of the others.
    """
    seconds = statistics.median(cost.seconds for cost in costs)
    memory = max(cost.peak for cost in costs) / 1e6
    over = seconds > most_s or (most_mb is not None and memory > most_mb)
    spread = f"{min(c.seconds for c in costs):.2f} … {max(c.seconds for c in costs):.2f}"
    busy = statistics.median(cost.busy for cost in costs)
    bound = f", at most {most_mb:g} MB" if most_mb is not None else ""
    return (
        f"{name}, whole command: {seconds:.2f} s ({spread}), at most {most_s:g} s, "
        f"{busy:.2f} s of a processor; "
        f"{memory:.0f} MB{bound}: {'OVER' if over else 'ok'}"
    )


def bench_records() -> Iterator[str]:
    """A record of ten million readings: listed, made short enough to draw, plotted, exported."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        whole(day(folder, 999_980))
        (store,) = folder.glob("*.sqlite")
        count = readings_of(store)
        command = [PYTHON, "-m", "sequencer"]
        record = ["--record", str(store)]
        listed = [whole([*command, "runs", *record], cwd=str(ROOT)) for _ in range(PAIRS)]
        yield _cost(f"runs of a record of {count} readings", listed, 0.2)
        picture = ["plot", "last", "smu-voltage", *record, "--out", str(folder / "held.png")]
        plots = [whole([*command, *picture], cwd=str(ROOT)) for _ in range(PAIRS)]
        yield _cost(f"plot of a record of {count} readings", plots, 2.0, MEMORY_MB)
        ours, theirs, peak = [], [], 0
        for _ in range(PAIRS):
            thinned = [PYTHON, str(HERE / "thin.py"), str(store)]
            cost = whole(thinned, cwd=str(ROOT))
            peak = max(peak, cost.peak)
            ours.append(cost.seconds)
            theirs.append(whole([*thinned, "--bare"], cwd=str(ROOT)).seconds)
        beside = "extremes of whole columns by sqlite3 and numpy alone"
        yield row("all columns of a channel made short", beside, ours, theirs, 1.5)
        yield f"its memory: {peak / 1e6:.0f} MB, at most {MEMORY_MB} MB"
        for form in ("parquet", "csv"):
            out = ["--to", form, "--out", str(folder / f"run.{form}")]
            cost = whole([*command, "export", "last", *out, *record], cwd=str(ROOT))
            rate = 1e6 * cost.seconds / count
            yield f"export to {form}: {rate:.1f} s a million readings, {cost.peak / 1e6:.0f} MB"


def bench_calculations() -> Iterator[str]:
    """Every calculation on a million readings, beside a tenth of them."""
    done = subprocess.run(
        [PYTHON, str(HERE / "calculate.py")], capture_output=True, text=True, cwd=ROOT, check=True
    )
    yield from done.stdout.splitlines()
