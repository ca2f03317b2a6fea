"""What every shipped recipe is held against: the truth of its part, and what may lie between.

A `Job` is one recipe on its own bench. Its truth is worked out from the part's parameters in the
bench file, never from what the program gives. What an instrument is off by goes into the same
working-out: each error is shifted by the limit of its specification, either way, and the sum of
what that moves a result by is the bound of the result.
"""

from __future__ import annotations

import functools
import math
import re
import tempfile
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, NamedTuple

from drivers.bench_file import BenchFile, load_bench, read_bench
from drivers.specification import specification_text
from sequencer import api, shipped
from sequencer.analysis.verdicts import Outcome

EXACTLY = 1e-6
"""How near (relative) an ideal dry run comes to what was worked out."""

SIGMAS = 6.0
"""So many standard deviations of noise are allowed for: of a million readings 0.002 lie beyond."""

LINE_HZ = 50.0


class Bias(NamedTuple):
    """What a method gives beside the truth of the part: `part` is that truth, `share` the bias.

    `share` is (method − part)/part, to a tenth of itself.
    """

    part: float
    share: float
    cause: str


@dataclass(frozen=True)
class Job:
    """One recipe: what its results must come to.

    Args:
        name: the recipe's.
        worked_out: the results by name (SI) as the method gives them on the true part. Its keyword
            arguments are errors of the instrument, 0 where they are left out.
        limits: the largest magnitude of each of these errors, by the specification.
        manners: what else the specification states of the instrument, as arguments of `worked_out`
            that stand in every dry run with errors; an ideal one's source is at once at its level.
        scatter: what noise and drift add to a result's bound (SI).
        exact: where the ideal result agrees to another share than `EXACTLY`, and why.
        near: where it agrees to an absolute amount (SI), and why.
        ticks: what an error may move a result by in one jump (SI), as from one reading to the next.
        biases: results whose method doesn't give the truth of the part.
        without: results that have no truth to be compared with, and why; in every dry run.
        none_ideally: results that an ideal dry run can't have, and why.
        seeds: of the dry runs with errors.
        settings: other values than the recipe's, where it would take too long.
        replaced: what stands in the bench file, and what takes its place in the ideal dry run.
    """

    name: str
    worked_out: Callable[..., Mapping[str, float]]
    limits: Mapping[str, float]
    manners: Mapping[str, float] = field(default_factory=dict)
    scatter: Mapping[str, float] = field(default_factory=dict)
    exact: Mapping[str, tuple[float, str]] = field(default_factory=dict)
    near: Mapping[str, tuple[float, str]] = field(default_factory=dict)
    ticks: Mapping[str, tuple[float, str]] = field(default_factory=dict)
    biases: Mapping[str, Bias] = field(default_factory=dict)
    without: Mapping[str, str] = field(default_factory=dict)
    none_ideally: Mapping[str, str] = field(default_factory=dict)
    seeds: Sequence[int] = (0, 1, 2)
    settings: Mapping[str, str] = field(default_factory=dict)
    replaced: Mapping[str, str] = field(default_factory=dict)


def bench_of(name: str) -> BenchFile:
    """The bench beside a shipped recipe."""
    bench, problems = load_bench(shipped.find_bench(name))
    assert bench is not None, list(problems)
    return bench


def part_of(name: str, part: str) -> Any:
    """A part's parameters in a recipe's bench file, in SI, tolerances taken off."""
    return bench_of(name).parts[part]


class Accuracy(NamedTuple):
    """The limits of one range's errors: `share` of the value, and `plus` (V or A)."""

    share: float
    plus: float

    def at(self, value: float) -> float:
        """The limit (V or A) at a value."""
        return self.share * abs(value) + self.plus


class Instrument:
    """What the specification of one channel of a recipe's bench allows.

    `grown` is by how much the errors of readings are larger than stated, where it is warm or cold.
    """

    def __init__(self, recipe: str, channel: str = "smu", grown: float = 1.0) -> None:
        self._specification = bench_of(recipe).specifications[channel]
        self._grown = grown

    def _range(self, unit: str, full_scale: float) -> Any:
        found = self._specification
        ranges = found.voltage_ranges if unit == "V" else found.current_ranges
        (one,) = (r for r in ranges if math.isclose(r.full_scale, full_scale))
        return one

    def measures(self, unit: str, full_scale: float) -> Accuracy:
        """The limits of what is read in a range, "V" or "A"."""
        stated = self._range(unit, full_scale).measure
        return Accuracy(self._grown * stated.of_value, self._grown * stated.plus)

    def sources(self, unit: str, full_scale: float) -> Accuracy:
        """The limits of what is sourced in a range, "V" or "A"."""
        stated = self._range(unit, full_scale).source
        return Accuracy(stated.of_value, stated.plus)

    def slowness(self, unit: str) -> float:
        """How long (s) the source takes to move by a volt or an ampere."""
        slew = self._specification.slew
        return 1 / float(slew.voltage if unit == "V" else slew.current)

    def noise(self, unit: str, full_scale: float, cycles: float = 1.0) -> float:
        """The deviation (V or A) of a mean over so many line cycles: white noise, and drift as 1/f.

        White noise of σ a line cycle has the one-sided density 2·σ²/f_line; below the corner f_c
        the drift's is f_c/f times that, so that twenty e-folds of time, from a cycle to months, add
        2·σ²·f_c/f_line each.
        """
        one = self._range(unit, full_scale)
        return float(one.noise * math.sqrt(1 / cycles + 40 * one.noise_corner / LINE_HZ))


@functools.cache
def found_in(
    name: str, seed: int | None, settings: tuple[tuple[str, str], ...],
    replaced: tuple[tuple[str, str], ...] = (),
) -> tuple[dict[str, float | None], dict[str, str]]:  # fmt: skip
    """A dry run's results by name, and the reasons of those that have none; once a run.

    A result of several answers has "name.answer", one of several groups "name[key]" with its key in
    SI to six digits. Traces are no results. `seed` is None for an ideal dry run.
    """
    bench: BenchFile | None = None
    if replaced:
        text = shipped.find_bench(name).read_text(encoding="utf-8")
        for old, new in replaced:
            assert old in text, old
            text = text.replace(old, new)
        bench, problems = read_bench(shipped.find_bench(name), text)
        assert bench is not None, list(problems)
    with tempfile.TemporaryDirectory() as folder:
        finished = api.dry_run(
            name, bench, dict(settings), seed=seed or 0, ideal=seed is None,
            store=Path(folder) / "record.sqlite", tell=lambda _: None,
        )  # fmt: skip
    assert finished.exit_code == 0, finished.ending
    values: dict[str, float | None] = {}
    reasons: dict[str, str] = {}
    outcomes: list[Outcome] = list(finished.results)
    for outcome in outcomes:
        if outcome.is_expectation or outcome.trace is not None:
            continue
        if not outcome.rows:
            values[outcome.name], reasons[outcome.name] = outcome.value, outcome.reason
        for row in outcome.rows:
            key = outcome.name + (f".{row.answer}" if row.answer else "")
            key += f"[{row.key:.6g}]" if row.key is not None else ""
            values[key], reasons[key] = row.value, row.reason
    return values, reasons


def bounds(job: Job) -> dict[str, float]:
    """What the specification allows each result to be off by: every error at its limit at once."""
    true = job.worked_out(**job.manners)
    found = {
        name: SIGMAS * job.scatter.get(name, 0.0) + job.ticks.get(name, (0.0, ""))[0]
        for name in true
    }
    for error, limit in job.limits.items():
        ways = [job.worked_out(**job.manners, **{error: way * limit}) for way in (-1.0, 1.0)]
        for name, value in true.items():
            found[name] += max(abs(way[name] - value) for way in ways)
    return found


def ideally(job: Job) -> None:
    """Hold a job's ideal dry run against what was worked out; no result may be left out."""
    values, reasons = found_in(
        job.name, None, tuple(job.settings.items()), tuple(job.replaced.items())
    )
    true = job.worked_out()
    assert set(values) == {*true, *job.without}
    off = []
    for name, expected in true.items():
        found = values[name]
        if name in job.none_ideally:
            assert found is None, f"{name} has a value ideally: {found}"
            continue
        assert found is not None, f"{name}: {reasons[name]}"
        share = job.exact.get(name, (EXACTLY, ""))[0]
        most = max(share * abs(expected), job.near.get(name, (0.0, ""))[0])
        if not abs(found - expected) <= most:
            off.append(f"{name}: {found!r}, worked out {expected!r}, {found - expected:.3g} off")
    assert not off, "\n".join(off)


def within(job: Job, seed: int) -> None:
    """Hold a dry run with the instrument's errors against what its specification allows."""
    values, reasons = found_in(job.name, seed, tuple(job.settings.items()))
    true, allowed = job.worked_out(**job.manners), bounds(job)
    assert set(values) == {*true, *job.without}
    off = []
    for name, expected in true.items():
        found = values[name]
        assert found is not None, f"{name}: {reasons[name]}"
        own = max(
            job.exact.get(name, (EXACTLY, ""))[0] * abs(expected),
            job.near.get(name, (0.0, ""))[0],
        )
        if not abs(found - expected) <= allowed[name] + own:
            off.append(
                f"{name}: {found!r} for {expected!r}, {found - expected:.3g} off, "
                f"allowed {allowed[name]:.3g}"
            )
    assert not off, "\n".join(off)


def unerring(job: Job, folder: Path) -> None:
    """Hold a job's dry run against what was worked out, of an instrument with manners alone.

    Its specification is the bench's without errors, noise, digits and resistance: what its source
    takes to get to a level is left, and would be lost in the errors of any real one. Part and leads
    have noise of their own, less than a ten-thousandth of what those errors come to.
    """
    source, _ = specification_text("demo-source-measure")
    assert source is not None
    text = re.sub(r'(\bof_value += )"[^"]*"', r'\1"0 %"', source.text)
    for key in ("plus", "resolution", "noise", "line_pick_up", "output_resistance"):
        text = re.sub(rf'(\b{key} += )"[^"]*(V|A|ohm)"', r'\1"0 \2"', text)
    file = folder / "unerring.toml"
    file.write_text(text, encoding="utf-8")
    old, new = (f'specification = "{name}"' for name in ("demo-source-measure", file.as_posix()))
    values, reasons = found_in(job.name, 0, tuple(job.settings.items()), ((old, new),))
    off, allowed = [], bounds(job)
    for name, expected in job.worked_out(**job.manners).items():
        found = values[name]
        assert found is not None, f"{name}: {reasons[name]}"
        if not abs(found - expected) <= max(EXACTLY * abs(expected), 1e-4 * allowed[name]):
            off.append(f"{name}: {found!r}, worked out {expected!r}, {found - expected:.3g} off")
    assert not off, "\n".join(off)


def biased(job: Job) -> None:
    """Each bias is what was said: worked out from the method's own way, not from its output."""
    true = job.worked_out()
    off = []
    for name, (part, share, cause) in job.biases.items():
        found = true[name] / part - 1
        if not math.isclose(found, share, rel_tol=0.1):
            off.append(f"{name}: {found:.3g}, said to be {share:.3g} ({cause})")
    assert not off, "\n".join(off)
