"""The rows of the benchmark: each a function that yields the lines to print.

What a row runs is a whole command, as a person would start it. The judge beside it runs in the same
minute, in turn with it.
"""

from __future__ import annotations

import json
import os
import sqlite3
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from pairs import row, whole

HERE = Path(__file__).parent
PYTHON = sys.executable
PAIRS = 5


def processor() -> str:
    """What this runs on, as far as the system says."""
    try:
        for line in Path("/proc/cpuinfo").read_text(encoding="utf-8").splitlines():
            if line.startswith("model name"):
                return line.split(":", 1)[1].strip()
    except OSError:
        pass
    return f"{os.cpu_count()} processors"


BENCH = """line_frequency = "50 Hz"
[channels.smu]
specification = "demo-source-measure"
resource = "TCPIP::127.0.0.1::{port}::SOCKET"
library = "@py"
dialect = "scpi-1999-source-measure"
part = "bank"
[parts.bank]
model = "supercapacitor"
capacitance = "10 F"
series_resistance = "10 mohm"
slow_branches = [ {{ resistance = "5 ohm", capacitance = "2 F" }} ]
leakage_resistance = "10 kohm"
"""

DAY = """recipe "A day of charge, hold and discharge"
channel smu: source, sink, measure, measure open
part bank is capacitor on smu, not pushed:
    voltage -0.05 V to 2.8 V
    current within 1.2 A
    energy up to 10 kJ
guard smu.voltage < 2.79 V "well below its rating"
steps:
    setup smu: aperture = 1 PLC, voltage range = 5 V, current range = 5 A
    source smu voltage 2.7 V, limit 1 A
    output smu on
    every 100 ms for {hold} s:
        measure smu into held
    source smu voltage 0 V, limit 1 A
    every 100 ms for 20 s:
        measure smu into discharging
results:
    C = capacitance(discharging, 80 % * 2.7 V to 40 % * 2.7 V)
    expect C in 11.4 F ± 5 %
"""

# The circuit of the same day: 1 A or (2.7 V - v)/1 mohm where that is less, then a sink of 1 A.
DECK = """* a day of charge, hold and discharge
Resr t a 10m
C1 a 0 10 ic=0
R2 a b 5
C2 b 0 2 ic=0
Rlk a 0 10k
Vc c 0 pwl(0 0 {hold}.999999 0 {after}.000001 1)
B1 0 t I = (V(c) < 0.5) ? min(1, (2.7 - V(t))/1m) : -1
.options reltol=1e-8 abstol=1e-14 vntol=1e-12 chgtol=1e-18
.tran 0.1 {end} 0 0.1 uic
.end
"""


def day(folder: Path, hold: int) -> list[str]:
    recipe = folder / f"day{hold}.recipe"
    recipe.write_text(DAY.format(hold=hold), encoding="utf-8")
    bench = folder / "day.bench.toml"
    bench.write_text(BENCH.format(port=1), encoding="utf-8")
    store = folder / f"day{hold}.sqlite"
    store.unlink(missing_ok=True)
    return _dry_run(recipe, bench, store)


def _dry_run(recipe: Path, bench: Path, store: Path) -> list[str]:
    return [
        PYTHON, "-m", "sequencer", "dry-run", str(recipe), "--bench", str(bench),
        "--record", str(store), "--quiet",
    ]  # fmt: skip


def bench_day() -> Iterator[str]:
    """A day at ten readings a second, dry-run, beside ngspice on the same circuit."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        hold, end = 86_380, 86_400
        deck = folder / "day.cir"
        deck.write_text(DECK.format(hold=hold - 1, after=hold, end=end), encoding="utf-8")
        ours, theirs = [], []
        for _ in range(PAIRS):
            command = day(folder, hold)
            for path in folder.glob("*.sqlite*"):
                path.unlink()
            ours.append(whole(command).seconds)
            spice = ["ngspice", "-b", "-r", str(folder / "day.raw"), str(deck)]
            theirs.append(whole(spice).seconds)
        readings = readings_of(folder / f"day{hold}.sqlite")
        yield row(f"dry run of a day, {readings} readings", "ngspice -b", ours, theirs, 0.5)


HEATED_BENCH = """line_frequency = "50 Hz"
[channels.smu]
specification = "demo-source-measure"
part = "blocking"
[parts.blocking]
model = "diode"
saturation_current = "3 nA"
ideality = 1.7
series_resistance = "35 mohm"
heating = { heat_capacity = "20 mJ/K", thermal_resistance = "72 K/W" }
"""

HEATED = """recipe "A diode that warms up"
channel smu: source, measure, measure open
part blocking is diode on smu, not pushed:
    voltage within 5 V
    current within 2 A
guard smu.current < 1.9 A
steps:
    setup smu: aperture = 0.2 ms, voltage range = 5 V, current range = 5 A
    source smu voltage 0.8 V, limit 1.8 A
    output smu on
    every 1 ms for 1000 s:
        measure smu into warming
"""

# The same diode by ngspice's own model, whose junction warms up, at 23 degC like the bench.
HEATED_DECK = """* a diode that warms up
V1 s 0 dc 0.8
Ro s t 50u
D1 t 0 tj warm thermal
.model warm D(is=3n n=1.7 rs=35m tnom=25 eg=1.11 xti=3 rth0=72 cth0=20m)
.options temp=23 reltol=1e-6 abstol=1e-12 vntol=1e-9
.tran 1m 1000 0 1m uic
.end
"""


def bench_heated_diode() -> Iterator[str]:
    """A diode with junction heating, a million ticks of 1 ms, beside ngspice at the same step."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        recipe, bench = folder / "heated.recipe", folder / "heated.bench.toml"
        recipe.write_text(HEATED, encoding="utf-8")
        bench.write_text(HEATED_BENCH, encoding="utf-8")
        deck, store = folder / "heated.cir", folder / "heated.sqlite"
        deck.write_text(HEATED_DECK, encoding="utf-8")
        ours, theirs = [], []
        for _ in range(PAIRS):
            for path in folder.glob("*.sqlite*"):
                path.unlink()
            ours.append(whole(_dry_run(recipe, bench, store)).seconds)
            spice = ["ngspice", "-b", "-r", str(folder / "heated.raw"), str(deck)]
            theirs.append(whole(spice).seconds)
        readings = readings_of(store)
        yield row(f"dry run of a diode, {readings} readings", "ngspice -b", ours, theirs, 0.6)


def bench_ten_days() -> Iterator[str]:
    """Ten times the length beside itself: time and memory."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        long, short, more = [], [], []
        for _ in range(2):
            for path in folder.glob("*.sqlite*"):
                path.unlink()
            a = whole(day(folder, 863_800))
            for path in folder.glob("*.sqlite*"):
                path.unlink()
            b = whole(day(folder, 86_380))
            long.append(a.seconds)
            short.append(b.seconds)
            more.append((a.peak - b.peak) / 1e6)
        yield row("ten times the length", "itself", long, short, 11.0)
        yield f"ten times the length, memory: {statistics.median(more):+.1f} MB, at most +5 MB"


SWEPT_BENCH = """line_frequency = "50 Hz"
[channels.smu]
specification = "demo-source-measure"
part = "blocking"
[parts.blocking]
model = "diode"
saturation_current = "3 nA ± 30 %"
ideality = 1.7
series_resistance = "35 mohm ± 10 mohm"
"""

SWEPT = """recipe "A diode's curve"
channel smu: source, measure, measure open
part blocking is diode on smu:
    voltage within 5 V
    current within 2 A
guard smu.current < 1.9 A
steps:
    setup smu: aperture = 1 ms, voltage range = 5 V, current range = 5 A
    source smu voltage 0 V, limit 1 A
    output smu on
    sweep smu voltage from 0 V to 0.8 V in 200 points, settle 5 ms, into curve
    output smu off
results:
    most = maximum(curve, current)
    expect most in 0.1 A to 1 A
"""


def _spread(folder: Path, runs: int, workers: int) -> list[str]:
    recipe, bench = folder / "swept.recipe", folder / "swept.bench.toml"
    recipe.write_text(SWEPT, encoding="utf-8")
    bench.write_text(SWEPT_BENCH, encoding="utf-8")
    return [
        PYTHON, "-m", "sequencer", "dry-run", str(recipe), "--bench", str(bench),
        "--spread", str(runs), "--workers", str(workers), "--quiet",
    ]  # fmt: skip


def _two_at_once(command: list[str]) -> float:
    """Seconds until two processes of the same command, begun together, are both over."""
    start = time.perf_counter()
    both = [subprocess.Popen(command, stdout=subprocess.DEVNULL) for _ in range(2)]
    codes = [process.wait() for process in both]
    if any(code not in (0, 1) for code in codes):
        raise RuntimeError(f"{command[0]} ended with {codes}")
    return time.perf_counter() - start


def bench_spread() -> Iterator[str]:
    """A thousand spread runs of a sweep of 200 points; two workers beside two processes and one."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        alone = [whole(_spread(folder, 1000, 1)).seconds for _ in range(PAIRS)]
        seconds = statistics.median(alone)
        mark = "ok" if seconds <= 2 else "OVER"
        yield (
            f"spread of 1000 sweeps of 200 points, one process, whole command: {seconds:.2f} s "
            f"({min(alone):.2f} … {max(alone):.2f}), at most 2 s: {mark}"
        )
        one, two, apart = [], [], []
        for _ in range(PAIRS):
            two.append(whole(_spread(folder, 4000, 2)).seconds)
            apart.append(_two_at_once(_spread(folder, 2000, 1)))
            one.append(whole(_spread(folder, 4000, 1)).seconds)
        yield row("4000 runs on two workers", "two processes of 2000", two, apart, 1 / 0.85)
        yield row("4000 runs on two workers", "one process", two, one, 1.0)


LIVE = """recipe "Twenty thousand readings"
channel smu: source, sink, measure, measure open
part bank is capacitor on smu, not pushed:
    voltage -0.05 V to 2.8 V
    current within 4.2 A
    energy up to 1 MJ
steps:
    setup smu: aperture = 0.01 PLC, voltage range = 5 V, current range = 5 A
    source smu voltage 1.234568 V, limit 1 A
    output smu on
    repeat {count} times:
        measure smu into taken
"""


@contextmanager
def _instrument(delay_s: float, seconds: float) -> Iterator[int]:
    process = subprocess.Popen(
        [PYTHON, str(HERE / "instrument.py"), str(delay_s), str(seconds)],
        stdout=subprocess.PIPE,
        text=True,
    )
    assert process.stdout is not None
    try:
        yield int(process.stdout.readline())
    finally:
        process.kill()
        process.wait()
        process.stdout.close()


def _live(delay_s: float, most: float) -> Iterator[str]:
    count = 20_000
    ours, theirs = [], []
    for _ in range(PAIRS):
        with tempfile.TemporaryDirectory() as name, _instrument(delay_s, 300) as port:
            folder = Path(name)
            (folder / "live.recipe").write_text(LIVE.format(count=count), encoding="utf-8")
            (folder / "live.bench.toml").write_text(BENCH.format(port=port), encoding="utf-8")
            ours.append(_run_live(folder, count))
            by_hand = subprocess.run(
                [PYTHON, str(HERE / "by_hand.py"), str(port), str(count), str(folder / "hand.db")],
                capture_output=True,
                text=True,
                check=True,
            )
            theirs.append(float(by_hand.stdout))
    yield row(
        f"live loop of {count} measures, instrument takes {delay_s * 1e3:g} ms",
        "a hand-written loop",
        ours,
        theirs,
        most,
    )


def _run_live(folder: Path, count: int) -> float:
    """Seconds that the loop took, from its own row on record."""
    store = folder / "live.sqlite"
    command = [PYTHON, "-m", "sequencer", "run", str(folder / "live.recipe")]
    command += ["--bench", str(folder / "live.bench.toml"), "--record", str(store)]
    whole([*command, "--yes", "--no-view"])
    with sqlite3.connect(store) as connection:
        (start, stop, times) = connection.execute(
            "SELECT start, stop, count FROM step WHERE text LIKE 'measure%into taken'"
        ).fetchone()
    connection.close()
    if times != count:
        raise RuntimeError(f"the run took {times} readings, not {count}")
    return float(stop - start)


def bench_live() -> Iterator[str]:
    """Twenty thousand measures over a loopback socket beside a loop written by hand."""
    yield from _live(0.0, 1.10)


def bench_live_slow() -> Iterator[str]:
    """The same with an instrument that takes 2 ms."""
    yield from _live(0.002, 1.02)


def _cold(arguments: list[str], most_ms: int) -> str:
    """A command, cold, above an empty Python."""
    ours, theirs = [], []
    for _ in range(20):
        ours.append(whole([PYTHON, "-m", "sequencer", *arguments]).seconds)
        theirs.append(whole([PYTHON, "-c", "pass"]).seconds)
    more = [1e3 * (a - b) for a, b in zip(ours, theirs, strict=True)]
    median = statistics.median(more)
    mark = "ok" if median <= most_ms else "OVER"
    return (
        f"above `python -c pass`: {median:+.0f} ms ({min(more):+.0f} … {max(more):+.0f}), "
        f"at most +{most_ms} ms: {mark}"
    )


def bench_check() -> Iterator[str]:
    """`fusewire check` of a shipped recipe, cold, without its bench and with it."""
    recipe = str(HERE.parent.parent / "recipes" / "characterise-supercapacitor.recipe")
    bench = recipe.replace(".recipe", ".bench.toml")
    yield f"check of a shipped recipe, cold, {_cold(['check', recipe], 130)}"
    with_bench = _cold(["check", recipe, "--bench", bench], 220)
    yield f"check of a shipped recipe with its bench, cold, {with_bench}"


LONG_HEAD = """recipe "Ten thousand lines"
channel smu: source, sink, measure, measure open
part bank is capacitor on smu:
    voltage -0.05 V to 2.8 V
    current within 4.2 A
    energy up to 20 MJ
setting rated = 2.7 V in 1 V to 2.7 V "rated voltage"
setting rate = 3 A in 1 A to 4 A "current"
steps:
    setup smu: aperture = 1 PLC, voltage range = 5 V, current range = 5 A
    source smu voltage 0 V, limit rate
    output smu on
"""
LONG_TURN = """    source smu voltage rated * {tenth} / 10, limit rate
    every 200 ms until smu.current <= 5 % * rate, at most 20 min:
        measure smu into charging
    let seen_{turn} = smu.voltage / rated
    if seen_{turn} > 0.5 and smu.current < 1 A:
        note "At {{seen_{turn}}}: {{smu.voltage}}."
    else:
        wait 1 s
    # Once more, and on to the next.
    measure smu into looks
"""


def bench_long_check() -> Iterator[str]:
    """A recipe of 10,000 lines: the whole command beside Lark's bare parse of the same lines."""
    with tempfile.TemporaryDirectory() as name:
        recipe = Path(name) / "long.recipe"
        turns = (LONG_TURN.format(turn=turn, tenth=turn % 9 + 1) for turn in range(999))
        recipe.write_text(LONG_HEAD + "".join(turns), encoding="utf-8")
        ours, theirs = [], []
        for _ in range(PAIRS):
            ours.append(whole([PYTHON, "-m", "sequencer", "check", str(recipe)]).seconds)
            bare = subprocess.run(
                [PYTHON, str(HERE / "bare_parse.py"), str(recipe)],
                capture_output=True,
                text=True,
                check=True,
                env=os.environ | {"PYTHONPATH": str(HERE.parent.parent)},
            )
            theirs.append(float(bare.stdout))
        yield row("check of 10,000 lines", "Lark's bare parse of them", ours, theirs, 2.5)
        seconds = statistics.median(ours)
        mark = "ok" if seconds <= 3 else "OVER"
        yield f"check of 10,000 lines: {seconds:.2f} s, at most 3 s: {mark}"


def bench_trip() -> Iterator[str]:
    """A guard trip: from the reading's arrival to the first switch-off line, with the view on."""
    found = subprocess.run(
        [PYTHON, str(HERE / "trip.py")], capture_output=True, text=True, check=True
    )
    times = sorted(json.loads(found.stdout))
    p99 = times[min(len(times) - 1, int(0.99 * len(times)))]
    yield (
        f"guard trip, reading arrives → first switch-off line leaves, {len(times)} trips: "
        f"median {statistics.median(times) * 1e3:.3f} ms, p99 {p99 * 1e3:.3f} ms"
    )


def readings_of(store: Path) -> int:
    with sqlite3.connect(store) as connection:
        (count,) = connection.execute("SELECT readings FROM run").fetchone()
    connection.close()
    return int(count)
