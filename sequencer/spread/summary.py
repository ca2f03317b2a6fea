"""What the runs of a spread come to together: results, expectations, guards, and what drives them.

Works on what the runs gave; it runs nothing and shows nothing.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from grammar import tree
from grammar.quantity import PLAIN, Dimension
from sequencer.analysis.verdicts import MET, NOT_MET, NOT_WORKED_OUT
from sequencer.checker.expressions.calculations import gives_trace
from sequencer.spread.ranks import share, threshold
from sequencer.spread.runs import Key, Margin, Ran

if TYPE_CHECKING:
    from sequencer.checker import Checked

FINISHED, TRIPPED = "finished", "tripped"


class Driver(NamedTuple):
    """What drives a value: a parameter or an instrument's error, and its share (0 to 1)."""

    name: str
    share: float


class Spread(NamedTuple):
    """How a value spreads over the drawn runs that have one (`values`); all in SI.

    `low` and `high` are the ends of the middle 95 %. `nominal` is that of the bench as it is
    written, None where it has none, and everything else is None where `values` is 0.
    """

    values: int
    nominal: float | None
    mean: float | None
    deviation: float | None
    low: float | None
    high: float | None
    least: float | None
    most: float | None
    driver: Driver | None


class Missing(NamedTuple):
    """Why runs have no value: the reason that the most of them share, and the first of these."""

    reason: str
    run: int


class ResultSpread(NamedTuple):
    """A value of a result; `key` names it, `unit` is what the recipe asks for, if anything.

    `missing` is why drawn runs have no value, None where each has one.
    """

    key: Key
    title: str
    dimension: Dimension
    unit: str
    spread: Spread
    missing: Missing | None


class Expectation(NamedTuple):
    """An expectation: in how many of the drawn runs it came to which verdict."""

    text: str
    nominal: str
    verdicts: dict[str, int]

    @property
    def met(self) -> int:
        """In how many it is met."""
        return self.verdicts.get(MET, 0)


class GuardSpread(NamedTuple):
    """A guard: the least that was left to it in any drawn run, in which run and when (s).

    `dimension` is that of what is left; None where a guard is no comparison and has no margin.
    `trips` is in how many drawn runs it switched off.
    """

    name: str
    dimension: Dimension | None
    nominal: float | None
    least: float | None
    run: int | None
    time_s: float | None
    trips: int
    driver: Driver | None


class Summary(NamedTuple):
    """All of it. `runs` are as they were dealt out, the nominal one first; `drawn` leaves it out.

    `outcomes` counts how the drawn runs ended; `bad` are those that neither finished nor tripped.
    `stands_out` is the share from which on a driver is named.
    """

    title: str
    seed: int
    runs: tuple[Ran, ...]
    drawn: int
    stands_out: float
    outcomes: dict[str, int]
    results: tuple[ResultSpread, ...]
    expectations: tuple[Expectation, ...]
    guards: tuple[GuardSpread, ...]

    @property
    def bad(self) -> list[Ran]:
        """The runs that neither finished nor tripped."""
        return [ran for ran in self.runs if ran.outcome not in (FINISHED, TRIPPED)]

    @property
    def exit_code(self) -> int:
        """As of the worst run: 0 all well, 1 an expectation not met, 3 tripped, 4 failed."""
        if self.bad:
            return 4
        if any(ran.outcome == TRIPPED for ran in self.runs):
            return 3
        verdicts = [verdict for ran in self.runs for _, verdict in ran.verdicts]
        return int(any(verdict in (NOT_MET, NOT_WORKED_OUT) for verdict in verdicts))


def summed_up(checked: Checked, seed: int, runs: Sequence[Ran]) -> Summary:
    """The runs together; the first one is the nominal one."""
    nominal, drawn = runs[0], runs[1:]
    least = threshold(len(drawn))
    factors = _Factors(drawn)
    return Summary(
        checked.recipe.title,
        seed,
        tuple(runs),
        len(drawn),
        least,
        dict(Counter(ran.outcome for ran in drawn)),
        tuple(_results(checked, nominal, drawn, factors)),
        tuple(_expectations(nominal, drawn)),
        tuple(_guards(nominal, drawn, factors)),
    )


class _Factors:
    """What was drawn for each run, by name: parameters, and the errors of the instruments."""

    def __init__(self, drawn: Iterable[Ran]) -> None:
        self._by_name: dict[str, dict[int, float]] = {}
        for ran in drawn:
            for name, value in (*ran.parameters, *ran.errors):
                self._by_name.setdefault(name, {})[ran.number] = value

    def driver(self, values: Mapping[int, float]) -> Driver | None:
        """The one that drives values most, by the number of the run; None where none stands out."""
        found = [Driver(name, self._share(of, values)) for name, of in self._by_name.items()]
        strongest = max(found, key=lambda driver: driver.share, default=None)
        return strongest if strongest is not None and strongest.share > 0 else None

    def _share(self, of: Mapping[int, float], values: Mapping[int, float]) -> float:
        """Of the runs that have both, and 0 where it may be chance among so many.

        A run that ended early has no value, and an error counts where its range was used.
        """
        both = [number for number in values if number in of]
        least = threshold(len(both))
        if least > 1:
            return 0.0
        drawn, came = ([each[number] for number in both] for each in (of, values))
        found = share(np.array(drawn), np.array(came))
        return found if found >= least else 0.0


def _spread(nominal: float | None, values: Mapping[int, float], factors: _Factors) -> Spread:
    if not values:
        return Spread(0, nominal, *[None] * 7)
    column = np.array(list(values.values()))
    # As numpy's own percentile has it, which would load much else for it.
    places = np.array([0.025, 0.975]) * (len(column) - 1)
    low, high = np.interp(places, np.arange(len(column)), np.sort(column)).tolist()
    return Spread(
        len(column),
        nominal,
        float(column.mean()),
        float(column.std(ddof=1)) if len(column) > 1 else None,
        low,
        high,
        float(column.min()),
        float(column.max()),
        factors.driver(values),
    )


def _results(
    checked: Checked, nominal: Ran, drawn: Sequence[Ran], factors: _Factors
) -> Iterator[ResultSpread]:
    """In the recipe's order, the rows of one result together; a result that is a trace has none."""
    lines = {
        line.name.id: line
        for line in checked.recipe.results
        if isinstance(line, tree.Result) and not gives_trace(line.value)
    }
    place = {name: number for number, name in enumerate(lines)}
    values: dict[Key, dict[int, float]] = {}
    for ran in (nominal, *drawn):
        for key, value in ran.values:
            if key[0] not in lines:
                continue
            found = values.setdefault(key, {})
            if value is not None and math.isfinite(value):
                found[ran.number] = value
    with_rows = {name for (name, *row), found in values.items() if found and row != ["", ""]}
    for key in sorted(values, key=lambda key: place[key[0]]):
        name, label, answer = key
        if name in with_rows and not (label or answer):
            continue  # of a run that came to none of the rows
        line = lines[name]
        of = checked.answers[id(line.value)] if answer else {"": PLAIN}
        dimension = of[answer] if answer else checked.dimensions.get(id(line.value), PLAIN)
        at_nominal = values[key].pop(nominal.number, None)
        yield ResultSpread(
            key,
            line.title,
            dimension,
            "" if answer else line.unit or "",
            _spread(at_nominal, values[key], factors),
            _missing(key, [ran for ran in drawn if ran.number not in values[key]]),
        )


def _missing(key: Key, lacking: Iterable[Ran]) -> Missing | None:
    runs: dict[str, list[int]] = {}
    for ran in lacking:
        reasons = dict(ran.missing)
        why = reasons.get(key) or reasons.get((key[0], "", "")) or ran.reason
        if not why:
            why = "it is beyond all bounds" if key in dict(ran.values) else "it has no such row"
        runs.setdefault(why, []).append(ran.number)
    most = max(runs, key=lambda why: len(runs[why]), default=None)
    return Missing(most, runs[most][0]) if most is not None else None


def _expectations(nominal: Ran, drawn: Sequence[Ran]) -> Iterator[Expectation]:
    """In the recipe's order; a run that came to no results has no verdict."""
    for place, (text, verdict) in enumerate(nominal.verdicts):
        verdicts = Counter(ran.verdicts[place][1] for ran in drawn if ran.verdicts)
        yield Expectation(text, verdict, dict(verdicts))


def _guards(nominal: Ran, drawn: Sequence[Ran], factors: _Factors) -> Iterator[GuardSpread]:
    """In the order of the nominal run; a guard that nobody judged has no margin."""
    margins: dict[str, dict[int, Margin]] = {}
    for ran in (nominal, *drawn):
        for margin in ran.margins:
            margins.setdefault(margin.name, {})[ran.number] = margin
    trips = Counter(ran.guard for ran in drawn)
    for name, by_run in margins.items():
        known = {number: m for number, m in by_run.items() if m.left is not None}
        at_nominal = known.pop(nominal.number, None)
        left = {number: m.left for number, m in known.items() if m.left is not None}
        nearest = min(left, key=lambda number: left[number], default=None)
        yield GuardSpread(
            name,
            next(iter(by_run.values())).dimension,
            at_nominal.left if at_nominal is not None else None,
            left[nearest] if nearest is not None else None,
            nearest,
            known[nearest].time_s if nearest is not None else None,
            trips[name],
            factors.driver(left),
        )
