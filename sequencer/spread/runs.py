"""Runs of a spread: a bench that is drawn, the engine on it, and what of each run counts.

What comes back is plain values, since it may come from another process or computer.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from typing import TYPE_CHECKING, NamedTuple, cast

from drivers.bench import open_simulated
from drivers.faults import BenchError
from drivers.located import written
from drivers.sensed import SENSED, difference
from sequencer.analysis.results import evaluate
from sequencer.checker.facts import RATED
from sequencer.engine.afterwards import Traces, keep_guards
from sequencer.engine.ending import Outcome, Tripped
from sequencer.engine.run import Person
from sequencer.engine.runner import Runner
from sequencer.spread.kept import Kept, KeptRun
from sequencer.spread.work import Prepared, draw

if TYPE_CHECKING:
    from drivers.bench import Bench
    from drivers.simulated.instruments.instrument import SimulatedChannel
    from grammar.quantity import Dimension
    from sequencer.analysis.verdicts import Outcome as Result
    from sequencer.engine.port import Port
    from sequencer.record import GuardRow, Run, RunWriter

NOT_SIMULATED = "not simulated"
"""The outcome of a run whose bench could not be put together."""

_MOST_ROWS = 100_000
"""So many readings are kept at most, and those of one run more: some tens of megabytes."""

Key = tuple[str, str, str]
"""A value of a result: the result's name, the label of its row, the name of its answer."""


class Margin(NamedTuple):
    """The least that was left to a guard (in its own unit, SI) and when (s); None where unknown.

    `dimension` is None for a guard that is no comparison: it holds or not.
    """

    name: str
    dimension: Dimension | None
    left: float | None
    time_s: float | None


class Ran(NamedTuple):
    """What one run came to.

    `guard` is the one that tripped, `parameters` and `errors` what it was drawn with by name (SI),
    the errors those of the ranges that it sourced and measured in. `values` are those of the
    results, None where there is none, and `missing` why; `verdicts` goes with the text of each
    expectation.
    """

    number: int
    outcome: str
    reason: str
    guard: str
    parameters: tuple[tuple[str, float], ...]
    errors: tuple[tuple[str, float], ...] = ()
    values: tuple[tuple[Key, float | None], ...] = ()
    missing: tuple[tuple[Key, str], ...] = ()
    verdicts: tuple[tuple[str, str], ...] = ()
    margins: tuple[Margin, ...] = ()


def run_abreast(prepared: Prepared, numbers: Sequence[int]) -> list[Ran]:
    """Runs of these numbers of the work, each stage of all of them before the next stage.

    What a stage needs is at hand for the next run then: one whole run after the other would take a
    tenth longer. Raises KeyboardInterrupt where the person stops it.
    """
    runs = [_Run(prepared, number) for number in numbers]
    opened = [run for run in runs if run.open()]
    for run in opened:
        run.put_together()
    waiting: list[_Run] = []
    for run in opened:
        run.go()
        waiting.append(run)
        if run is opened[-1] or sum(each.kept.rows for each in waiting) > _MOST_ROWS:
            for each in waiting:
                each.come_to_its_values()
            waiting.clear()
    return [run.ran for run in runs]


class _Run:
    """One run in its stages; `ran` is what it has come to after the last."""

    def __init__(self, prepared: Prepared, number: int) -> None:
        self.kept = Kept()
        self._prepared, self._number = prepared, number
        drawn = draw(prepared.file, prepared.work.seed, number)
        self._drawn = drawn
        parameters = tuple((written(path), value) for path, value in drawn.parameters.items())
        self.ran = Ran(number, NOT_SIMULATED, "", "", parameters)

    def open(self) -> bool:
        """Draw its bench and put it together; whether that can be."""
        work, file, checked = self._prepared
        try:
            self._bench = open_simulated(
                file.varied(self._drawn.parameters) if self._number else file,
                channels=[channel.name.id for channel in checked.recipe.channels],
                lines=[name for name in checked.digital if name in file.digital],
                seed=self._drawn.seed,
                ideal=work.ideal,
            )
        except BenchError as error:
            self.ran = self.ran._replace(reason=error.message)
            return False
        return True

    def put_together(self) -> None:
        """Compile the recipe over the bench."""
        work, _, checked = self._prepared
        # It does all that the engine asks of a record, and no more.
        self._record = cast("RunWriter", self.kept)
        self._runner = Runner(
            checked, self._bench, self._record, tell=lambda words: None, person=Person(),
            ideal=work.ideal, answers=dict(work.answers), follows_guards=True,
        )  # fmt: skip

    def go(self) -> None:
        """Run it to its end. Raises KeyboardInterrupt where the person stops it."""
        self._ending = self._runner.run_to_end()
        if self._ending.outcome is Outcome.STOPPED:
            raise KeyboardInterrupt

    def come_to_its_values(self) -> None:
        """Work out what of it counts, and let go of all else."""
        runner, ending, record = self._runner, self._ending, self._record
        kept = KeptRun(self.kept)
        run = cast("Run", kept)
        rows = keep_guards(runner.ports, ending, run, record)
        checked = runner.checked
        traces = Traces(run, tuple(checked.traces))
        results = evaluate(checked, traces, runner.values(), says_why=False)
        found = [value for result in results for value in _values(result)]
        self.ran = self.ran._replace(
            outcome=ending.outcome.word,
            reason=ending.reason,
            guard=ending.cause.guard if isinstance(ending.cause, Tripped) else "",
            errors=tuple(_errors(self._bench, kept)),
            values=tuple((key, value) for key, value, _ in found),
            missing=tuple((key, why) for key, value, why in found if value is None),
            verdicts=tuple(
                (result.text, result.verdict) for result in results if result.is_expectation
            ),
            margins=tuple(_margins(runner.ports.values(), rows)),
        )
        # Runner and bench hold each other, and would hold the rows until garbage is looked for.
        self.kept.forget()
        del self._runner, self._bench, self._record


def _values(result: Result) -> Iterator[tuple[Key, float | None, str]]:
    """What a result has for each of its rows, and why it has nothing."""
    if result.is_expectation:
        return
    if result.rows:
        for row in result.rows:
            yield (result.name, row.label, row.answer), row.value, row.reason
    else:
        yield (result.name, "", ""), result.value, result.reason


def _margins(ports: Iterable[Port], rows: Iterable[GuardRow]) -> Iterator[Margin]:
    """The ratings by what is on record, the recipe's own guards by what they noted themselves."""
    for row in rows:
        if row.quantity:
            dimension = difference(RATED.get(row.quantity) or SENSED[row.quantity])
            yield Margin(row.name, dimension, row.margin, row.margin_time)
    conditions = {id(c): c for port in ports for c in port.judge.conditions}
    for condition in conditions.values():
        if not condition.nearest:
            yield Margin(condition.text, None, None, None)
        for near in condition.nearest:
            was_read = math.isfinite(near.left)
            yield Margin(
                near.text,
                near.dimension,
                near.left if was_read else None,
                near.when_s if was_read else None,
            )


def _errors(bench: Bench, run: KeptRun) -> Iterator[tuple[str, float]]:
    """The instruments' errors in this run, in the ranges that were used."""
    for name, channel in bench.instruments.items():
        scales = [run.different(name, column) for column in ("voltage_range", "current_range")]
        for error, value in cast("SimulatedChannel", channel).errors(*scales):
            yield f"{name}: {error}", value
