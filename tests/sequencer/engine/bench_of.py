"""Benches and recipes for the engine's tests, and a dry run of them on a store of their own."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

from drivers.bench import Bench, open_simulated
from drivers.bench_file import BenchFile, read_bench
from grammar.quantity import Quantity
from sequencer.api import Finished, Loaded, check, load, perform
from sequencer.engine.asking import Asker
from sequencer.engine.run import Beat, Person
from sequencer.record import Run, Store

CAPACITOR = """
[parts.bank]
model = "supercapacitor"
capacitance = "10 F"
series_resistance = "10 mohm"
slow_branches = [ { resistance = "5 ohm", capacitance = "2 F" } ]
leakage_resistance = "10 kohm"
"""


def bench_file(
    part: str = CAPACITOR,
    specification: str = "demo-source-measure",
    lines: tuple[str, ...] = ("lid", "valve"),
) -> BenchFile:
    """A bench of one channel `smu` with one part, named as its table is, and digital lines."""
    name = part.split("[parts.")[1].split("]")[0]
    digital = "".join(f"[digital.{line}]\n" for line in lines)
    text = (
        'line_frequency = "50 Hz"\n[channels.smu]\n'
        f'specification = "{specification}"\npart = "{name}"\n{part}\n{digital}'
    )
    file, problems = read_bench(Path("test.bench.toml"), text)
    assert file is not None, [p.message for p in problems]
    return file


class Ran:
    """A dry run that is over: what it returned, what it told, its record."""

    def __init__(self, finished: Finished, store: Store, bench: Bench, told: list[str]) -> None:
        self.finished = finished
        self.told = told
        self.bench = bench
        self.record: Run = store.run(finished.id)

    @property
    def ending(self) -> Any:
        """How it ended."""
        return self.finished.ending

    @property
    def outputs_off(self) -> bool:
        """Whether every simulated instrument says that its output is off."""
        return not any(c.read_back().output for c in self.bench.channels.values())

    def events(self, kind: str) -> list[str]:
        """The texts of the events of a kind."""
        return [event.text for event in self.record.events() if event.kind == kind]

    def column(self, trace: str, name: str) -> list[float]:
        """A column of a trace."""
        return [float(value) for value in self.record.trace(trace).columns[name]]


def dry(
    recipe: str,
    store: Path,
    file: BenchFile | None = None,
    *,
    ideal: bool = True,
    seed: int = 0,
    settings: dict[str, str] | None = None,
    change: Callable[[Bench], None] = lambda bench: None,
    person: Person | None = None,
    tell: Callable[[str], None] = lambda words: None,
    beat: Beat | None = None,
    asker: Asker | None = None,
    answers: dict[str, Quantity] | None = None,
) -> Ran:
    """Check and dry-run a recipe; `change` may put something between the runner and the bench."""
    file = file or bench_file()
    loaded: Loaded = load(recipe)
    checked = check(loaded, file, settings)
    errors = [p.message for p in checked.problems if p.severity == "error"]
    assert not errors, errors
    bench = open_simulated(file, seed=seed, ideal=ideal)
    real = Bench(bench.clock, dict(bench.channels), bench.file)
    change(bench)
    told: list[str] = []

    def hear(words: str) -> None:
        told.append(words)
        tell(words)

    path = store / "test.sqlite"
    finished = perform(
        loaded,
        checked,
        bench,
        mode="dry run",
        seed=seed,
        ideal=ideal,
        store=path,
        tell=hear,
        person=person,
        beat=beat,
        asker=asker,
        answers=answers,
    )
    return Ran(finished, Store.open(path), real, told)
