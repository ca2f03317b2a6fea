"""The commands as functions: load, check, dry_run, run, open_record. No terminal, no arguments.

A notebook that calls these does what the command line does; both are thin over this module. What
they give shows itself there. `PYTHON.md` beside this file tells it with examples.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from grammar import tree
from grammar.diagnostic import Problems, draw
from grammar.parse import parse
from grammar.quantity import Quantity, write
from sequencer import shipped
from sequencer.checker import Checked
from sequencer.checker import check as check_tree
from sequencer.given import quantities

if TYPE_CHECKING:
    from drivers.bench import Bench, BenchFile
    from sequencer.analysis.verdicts import Outcome as Result
    from sequencer.engine.asking import Asker
    from sequencer.engine.ending import Ending
    from sequencer.engine.run import Beat, Person
    from sequencer.engine.runner import Runner
    from sequencer.record import ResultRow, Run, Store
    from sequencer.record.trace import Trace
    from sequencer.spread.summary import Summary


@dataclass(frozen=True, repr=False)
class Loaded:
    """A recipe that was read: where from, its text, its tree, and the problems of its text."""

    path: Path | None
    text: str
    recipe: tree.Recipe
    problems: Problems

    def __repr__(self) -> str:
        return f"Loaded({self.problems.source.name!r}, {self.problems.summary})"

    def _repr_html_(self) -> str:
        """How a notebook shows it: its title, its text, what is wrong with that."""
        from grammar.markup import paragraph, verbatim

        title = paragraph(self.recipe.title, heading=True)
        return title + verbatim(self.text) + self.problems._repr_html_()


@dataclass(frozen=True, repr=False)
class Finished:
    """A run that ended: its record's id, its ending, its results in the recipe's order.

    `left` is the voltage (V) last seen on each channel's terminals with the output off. What was
    read is in its record: `trace` and `result` take it from there.
    """

    id: str
    store: Path
    ending: Ending
    results: list[Result] = field(default_factory=list)
    left: dict[str, float] = field(default_factory=dict)

    @property
    def exit_code(self) -> int:
        """The command's exit code: 0 finished and all met, 1 an expectation not, else the end's."""
        code = self.ending.outcome.exit_code
        return 1 if code == 0 and not all(r.is_satisfied for r in self.results) else code

    def trace(self, name: str) -> Trace:
        """A trace of its record, as arrays. Raises StoreError."""
        with self._record() as run:
            return run.trace(name)

    def result(self, name: str) -> ResultRow:
        """A result of its record, as `Run.result` gives it. Raises StoreError."""
        with self._record() as run:
            return run.result(name)

    @contextmanager
    def _record(self) -> Iterator[Run]:
        with open_record(self.store) as store:
            yield store.run(self.id)

    def __repr__(self) -> str:
        return f"Finished({self.id!r}, {self.ending.outcome.word}, exit code {self.exit_code})"

    def _repr_html_(self) -> str:
        """How a notebook shows it: as its record."""
        with self._record() as run:
            return run._repr_html_()


class Refused(Exception):
    """The recipe or the bench does not check; `problems` says why, all at once.

    As a text it is what the command line shows.
    """

    def __init__(self, problems: list[Problems]) -> None:
        self.problems = problems
        super().__init__("\n\n".join(draw(p) for gathered in problems for p in gathered))

    def _repr_html_(self) -> str:
        """How a notebook shows it, where it is caught."""
        return "".join(gathered._repr_html_() for gathered in self.problems)


def load(source: str | Path) -> Loaded:
    """Read a recipe: a path, the name of a shipped one, or its text (more than one line)."""
    if isinstance(source, str) and "\n" in source:
        path, text, name = None, source, "recipe"
    else:
        path = shipped.find_recipe(str(source))
        text, name = path.read_text(encoding="utf-8"), path.name
    recipe, problems = parse(text, name)
    return Loaded(path, text, recipe, problems)


def load_bench(source: str | Path) -> BenchFile:
    """Read a bench file: a path or the name of a shipped one. Raises Refused with its problems."""
    from drivers import bench as benches

    found, problems = benches.load_bench(shipped.find_bench(str(source)))
    if found is None or problems.has_errors:
        raise Refused([problems])
    return found


def _bench(given: str | Path | BenchFile) -> BenchFile:
    """A bench that was read, or one to read; anything else is taken for a name that there isn't."""
    from drivers.bench import BenchFile

    return given if isinstance(given, BenchFile) else load_bench(given)


def check(
    recipe: str | Path | Loaded,
    bench: str | Path | BenchFile | None = None,
    settings: Mapping[str, str | float | Quantity] | None = None,
) -> Checked:
    """All problems of a recipe and the worst case over all its paths; `bench` widens it.

    `settings` are values in force in place of the recipe's own ("2.5 V"). Raises Refused where the
    bench file itself is wrong, UnitError where a value can't be read.
    """
    loaded = recipe if isinstance(recipe, Loaded) else load(recipe)
    overrides = quantities(settings)
    opened = None if bench is None else _bench(bench)
    # Checking adds to the problems: of a copy, so that a recipe may be checked again.
    problems = Problems(loaded.problems.source, loaded.problems.fault, [*loaded.problems.found])
    return check_tree(loaded.recipe, problems, overrides, opened)


def dry_run(
    recipe: str | Path | Loaded,
    bench: str | Path | BenchFile | None = None,
    settings: Mapping[str, str | float | Quantity] | None = None,
    *,
    seed: int = 0,
    ideal: bool = False,
    store: Path | None = None,
    tell: Callable[[str], None] = print,
    person: Person | None = None,
    begun: Callable[[str], None] = lambda run_id: None,
    answers: Mapping[str, str | float | Quantity] | None = None,
    faults: Sequence[str] = (),
    runner_of: Callable[..., Runner] | None = None,
) -> Finished:
    """Run a recipe in virtual time on the simulated bench; nothing real is touched.

    Without `bench` the one beside the recipe is taken. `answers` are what `ask` is answered with,
    by name, in place of the middle of its span; `faults` are rehearsed on the way, each as
    [CHANNEL:]KIND[@TIME]; `runner_of` is as in `perform`. Raises Refused where something does not
    check, BenchFileError where there is no such fault, or nothing would come of it.
    """
    from drivers.bench import open_simulated
    from drivers.simulated.rehearsal import refuse_idle

    loaded = recipe if isinstance(recipe, Loaded) else load(recipe)
    if bench is None:
        if loaded.path is None:
            raise shipped.NotFound("a recipe given as text has no bench beside it: name one")
        bench = shipped.bench_beside(loaded.path)
    file = _bench(bench)
    checked = check(loaded, file, settings)
    if checked.problems.has_errors:
        raise Refused([checked.problems])
    channels = [channel.name.id for channel in checked.recipe.channels]
    lines = [name for name in checked.digital if name in file.digital]
    refuse_idle(faults, {name: _senses_remotely(checked, file, name) for name in channels})
    opened = open_simulated(
        file, channels=channels, lines=lines, seed=seed, ideal=ideal, faults=faults
    )
    try:
        return perform(
            loaded, checked, opened, mode="dry run", seed=seed, ideal=ideal, store=store,
            tell=tell, person=person, begun=begun, answers=quantities(answers), runner_of=runner_of,
            confirmed=[f"rehearsed: {fault}" for fault in faults],
        )  # fmt: skip
    finally:
        opened.close()


def _senses_remotely(checked: Checked, file: BenchFile, channel: str) -> bool:
    """Whether a channel senses at its part: as the recipe declares it, or as its sensor needs."""
    sensor = file.sensors.get(channel)
    if sensor is None:
        return checked.channels[channel].can("remote sense")
    return sensor.excited is not None and sensor.excited.wires > 2


def spread(
    recipe: str | Path | Loaded,
    bench: str | Path | BenchFile,
    settings: Mapping[str, str | float | Quantity] | None = None,
    *,
    runs: int,
    seed: int = 0,
    ideal: bool = False,
    answers: Mapping[str, str | float | Quantity] | None = None,
    workers: int | None = None,
    cluster: str | None = None,
    told: Callable[[int], None] = lambda count: None,
) -> Summary:
    """So many dry runs on benches drawn within the tolerances, and one on the bench as written.

    `workers` are processes of this computer, as many as it has processors where that is None;
    `cluster` is the address of a Dask cluster in their place. What comes of it depends on neither.
    `told` hears how many runs are done.
    Nothing is put on record. Raises Refused where something does not check, ClusterError where the
    cluster can't be reached.
    """
    from sequencer.spread.executors import run_spread
    from sequencer.spread.work import Work

    loaded = recipe if isinstance(recipe, Loaded) else load(recipe)
    file = _bench(bench)
    work = Work(
        loaded.text,
        loaded.problems.source.name,
        file.text,
        str(file.path),
        tuple(file.specification_texts.items()),
        tuple(quantities(settings).items()),
        tuple(quantities(answers).items()),
        seed,
        ideal,
    )
    return run_spread(work, runs, workers=workers, cluster=cluster, told=told)


def run(
    recipe: str | Path | Loaded,
    bench: str | Path | BenchFile,
    settings: Mapping[str, str | float | Quantity] | None = None,
    *,
    store: Path | None = None,
    tell: Callable[[str], None] = print,
    person: Person | None = None,
    begun: Callable[[str], None] = lambda run_id: None,
    confirmed: Sequence[str] = (),
    asker: Asker | None = None,
    runner_of: Callable[..., Runner] | None = None,
) -> Finished:
    """Run a recipe on the bench that the file names, watched by the watchdog.

    Power goes on without a further question: whoever calls this has armed it, and hands in what the
    person `confirmed`, for the record. `begun` is told the record's id before the first step.
    `asker` puts the recipe's own questions to the person; one that has any is refused without.
    `runner_of` is as in `perform`.
    Raises Refused where anything does not check, BenchError where an instrument can't be opened.
    """
    from drivers.bench import open_bench
    from sequencer.engine.watch import watched
    from sequencer.record import default_path

    loaded = recipe if isinstance(recipe, Loaded) else load(recipe)
    file = _bench(bench)
    checked = check(loaded, file, settings)
    if checked.problems.has_errors:
        raise Refused([checked.problems])
    channels = [channel.name.id for channel in checked.recipe.channels]
    lines = [name for name in checked.digital if name in file.digital]
    opened = open_bench(file, channels=channels, lines=lines)
    try:
        with watched(file, checked, store or default_path()) as beat:
            return perform(
                loaded, checked, opened, mode="run", store=store, tell=tell, person=person,
                beat=beat, real_time=True, begun=begun, confirmed=confirmed, asker=asker,
                runner_of=runner_of,
            )  # fmt: skip
    finally:
        opened.close()


def perform(
    loaded: Loaded,
    checked: Checked,
    bench: Bench,
    *,
    mode: Literal["dry run", "run"],
    seed: int | None = None,
    ideal: bool = False,
    store: Path | None = None,
    tell: Callable[[str], None] = print,
    person: Person | None = None,
    beat: Beat | None = None,
    real_time: bool = False,
    begun: Callable[[str], None] = lambda run_id: None,
    confirmed: Sequence[str] = (),
    asker: Asker | None = None,
    answers: Mapping[str, Quantity] | None = None,
    runner_of: Callable[..., Runner] | None = None,
) -> Finished:
    """Run a checked recipe on an opened bench, on record, with its results worked out.

    `runner_of` makes the runner where it is to be another than the one that runs a recipe. Raises
    Refused where something keeps it from running there, before anything is on record.
    """
    from sequencer.engine.afterwards import keep_guards, work_out
    from sequencer.record import RunInfo, Store, StoreError

    refuse_what_can_not_run(
        checked, bench, real_time and asker is None, () if answers is None else answers
    )
    with Store.open(store) as opened:
        record = opened.begin(
            RunInfo(
                title=checked.recipe.title,
                recipe=loaded.text,
                recipe_name=loaded.problems.source.name,
                mode=mode,
                seed=seed,
                ideal=ideal,
                bench=bench.file.text,
                settings=settings_in_force(checked),
                specifications=bench.file.specification_texts,
                versions=versions(),
                checks=checks_of(checked),
            ),
            live=real_time,
        )
        for words in confirmed:
            record.note(0.0, words, "person")
        begun(record.id)
        runner = (runner_of or _runner())(
            checked, bench, record, tell=tell, person=person, beat=beat, real_time=real_time,
            ideal=ideal, asker=asker, answers=answers,
        )  # fmt: skip
        ending = runner.execute()
        runner.dismiss_watchdog(ending)
        results: list[Result] = []
        try:
            record.flush()
            kept = opened.run(record.id)
            keep_guards(runner.ports, ending, kept, record)
            results = work_out(runner.checked, kept, runner.values(), record)
            finished = Finished(record.id, opened.path, ending, results, runner.left)
            record.end(ending.outcome.word, finished.exit_code, ending.reason)
        except Exception as error:
            ending = _without_results(ending, error)
            finished = Finished(record.id, opened.path, ending, [], runner.left)
            try:
                record.end(ending.outcome.word, finished.exit_code, ending.reason)
            except StoreError:
                # The record can't say how the run ended, and what is known of its outputs.
                tell(f"{ending.outcome.word}: {ending.reason}")
                for name in ending.unknown:
                    tell(f"{name}: the state of its output is unknown: switch it off by hand")
                raise
        return finished


def _runner() -> Callable[..., Runner]:
    from sequencer.engine.runner import Runner

    return Runner


def refuse_what_can_not_run(
    checked: Checked, bench: Bench, nobody_answers: bool, answers: Collection[str]
) -> None:
    """What bench or person can't do. Raises Refused."""
    from sequencer.engine.refusals import refusals

    found = refusals(checked, bench, nobody_answers=nobody_answers, answers=answers)
    if found:
        raise Refused([Problems(checked.problems.source, found=found)])


def _without_results(ending: Ending, error: Exception) -> Ending:
    """An ending whose results could not be worked out, or not be put on record."""
    from sequencer.engine.ending import Outcome

    said = getattr(error, "message", None) or f"{type(error).__name__}: {error}"
    reason = f"the results could not be worked out and kept: {said}"
    if ending.outcome is not Outcome.FINISHED:
        return replace(ending, reason=f"{ending.reason}; {reason}")
    fault = getattr(error, "fault", "program")
    return replace(ending, outcome=Outcome.FAILED, reason=reason, fault=fault)


def open_record(path: str | Path | None = None) -> Store:
    """The store of records: the user's own, or the one at a path. Raises StoreError.

    `find()` gives its newest run, `find("2026-03-14-001")` a certain one, whose `trace`, `result`
    and `export` give what it holds. Close it, or use it in a `with`.
    """
    from sequencer.record import open_record as open_to_read

    return open_to_read(path)


def versions() -> dict[str, str]:
    """What ran: the program, Python and the platform."""
    # Not needed for a check, which is to start at once.
    import platform
    from importlib.metadata import PackageNotFoundError, version

    try:
        own = version("fusewire")
    except PackageNotFoundError:
        own = "source tree"
    # Not the kernel's version: no result hangs on that, and it would tell of one computer.
    ran_on = f"{platform.system()} {platform.machine()}"
    return {"fusewire": own, "python": platform.python_version(), "platform": ran_on}


def settings_in_force(checked: Checked) -> dict[str, str]:
    """The settings with their values as they go on record."""
    return {name: write(s.value, s.dimension) for name, s in checked.settings.items()}


def checks_of(checked: Checked) -> list[Any]:
    """The worst-case table as plain data, for the record."""
    from sequencer.checker.worst.table import as_data

    return [as_data(checked.worst)] if checked.worst is not None else []
