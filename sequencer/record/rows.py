"""What a record consists of, as values: the same ones go in and come out.

Times are seconds from the run's start, values are SI. The module knows no database.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Literal, NamedTuple

from drivers.sensed import SENSED, difference
from grammar.quantity import UnitError, read_unit
from sequencer.analysis.verdicts import Row

# What the stream of a channel holds of each reading besides its time, in the order of a trace's
# columns, with the units.
QUANTITIES = {
    "voltage": "V",
    "current": "A",
    "limited": "1 = limit in control",
    "level": "V or A as sourced",
    "voltage_range": "V",
    "current_range": "A",
    "charge": "C",
    "energy": "J",
}
# The value that a channel reads through a sensor comes after all others, under its quantity's name.
SENSOR_UNITS = {name: difference(dimension).unit for name, dimension in SENSED.items()}
# `trace` is the number of the trace that a reading belongs to, -1 where it belongs to none; `step`
# is the line of the recipe.
CHANNEL_COLUMNS = ("time", *QUANTITIES, "trace", "step")


# What the stream of a capture's samples holds of each, before the trace's further columns.
SAMPLE_COLUMNS = ("time", *QUANTITIES)


def capture_stream(trace: str) -> str:
    """The name of the stream that holds the samples of a trace's captures."""
    return f"capture:{trace}"


def extra_stream(trace: str) -> str:
    """The name of the stream that holds a trace's loop variables and further columns."""
    return f"trace:{trace}"


RESULT = "result:"


def result_stream(name: str) -> str:
    """The name of the stream that holds a result that is a trace, where a plot asks for it."""
    return f"{RESULT}{name}"


@dataclass(frozen=True)
class RunInfo:
    """What is known of a run before its first step; everything that it takes to repeat it.

    `settings`, `conditions`, `identities`, `versions` and `checks` are plain data (JSON);
    `specifications` are the texts of specifications and dialects by name.
    """

    title: str
    recipe: str
    recipe_name: str
    mode: Literal["dry run", "run"]
    seed: int | None = None
    ideal: bool = False
    bench: str = ""
    settings: Mapping[str, Any] = field(default_factory=dict)
    conditions: Mapping[str, Any] = field(default_factory=dict)
    identities: Mapping[str, Any] = field(default_factory=dict)
    versions: Mapping[str, str] = field(default_factory=dict)
    specifications: Mapping[str, str] = field(default_factory=dict)
    checks: Sequence[Any] = ()


class GuardRow(NamedTuple):
    """How near a guard came; bounds and margin in SI, None where there is none."""

    name: str
    quantity: str
    low: float | None
    high: float | None
    margin: float | None
    margin_time: float | None
    tripped: bool = False


class ResultRow(NamedTuple):
    """A result or an expectation, in the recipe's order; `value` in SI, None where refused.

    One that is grouped by a column (`each`) or has several answers has `rows` in place of a value.
    """

    name: str
    value: float | None
    unit: str
    title: str
    text: str
    verdict: str = ""
    method: str = ""
    reason: str = ""
    each: str = ""
    rows: tuple[Row, ...] = ()

    @property
    def si_unit(self) -> str:
        """The SI unit of its value, empty for a plain number and where there is no value."""
        return si_unit(self.value, self.text)

    def __float__(self) -> float:
        """Its value in SI. Raises ValueError that says why there is none."""
        if self.value is None:
            raise ValueError(f"{self!r} is no single number")
        return self.value

    def __repr__(self) -> str:
        said = self.verdict or self.text
        words = f"{self.name} = {said}" if self.name else f"expect {self.text}: {said}"
        return ", ".join(filter(None, (words, self.method, self.reason)))

    def _repr_html_(self) -> str:
        """How a notebook shows it."""
        from sequencer.record.notebook import results_as_html

        return results_as_html(self.title or self.name, [self])

    def as_data(self) -> dict[str, Any]:
        """The same as plain data: what `--json` gives."""
        rows = [{**row._asdict(), "si_unit": si_unit(row.value, row.text)} for row in self.rows]
        return {**self._asdict(), "si_unit": self.si_unit, "rows": rows}


def si_unit(value: float | None, text: str) -> str:
    """The SI unit of a value, from how it is written for a person: "F" for "350 mF"."""
    number, _, unit = text.rpartition(" ")
    if value is None or not number:
        return ""
    try:
        dimension = read_unit(unit).dimension
    except UnitError:
        return unit  # a product of base units, which nobody reads and no prefix is written before
    return "K" if dimension.point else dimension.unit


class PlotRow(NamedTuple):
    """A plot that the recipe asks for: of which traces, and which column against which."""

    traces: tuple[str, ...]
    y: str
    y_logarithmic: bool
    x: str
    x_logarithmic: bool


class RunRow(NamedTuple):
    """A run in a list. `outcome` and `ended` are None while it lasts; times are ISO 8601."""

    id: str
    title: str
    mode: str
    recipe_name: str
    started: str
    ended: str | None
    outcome: str | None
    exit_code: int | None
    reason: str
    readings: int


class RunMeta(NamedTuple):
    """What the table `run` holds of a run, its JSON read; see the schema for each field."""

    id: str
    title: str
    mode: str
    started: str
    ended: str | None
    outcome: str | None
    exit_code: int | None
    reason: str
    pid: int
    seed: int | None
    ideal: bool
    recipe_name: str
    recipe_sha256: str
    settings: dict[str, Any]
    conditions: dict[str, Any]
    identities: dict[str, Any]
    versions: dict[str, str]
    checks: list[Any]
    bench: str
    specifications: dict[str, str]
    recipe: str


class StepRow(NamedTuple):
    """A step as it was executed, `times` times; `stop` is None where it was cut off."""

    sequence: int
    line: int
    text: str
    start: float
    stop: float | None
    times: int


class EventRow(NamedTuple):
    """Something that happened at a time (s); `exact` is False where it is that of a reading."""

    time: float
    kind: str
    channel: str
    text: str
    exact: bool
    data: dict[str, Any]


class NoteRow(NamedTuple):
    """A note of the recipe or of a person, at a time (s)."""

    time: float
    author: str
    text: str


class TraceRow(NamedTuple):
    """Which readings a trace is made of; `extra` gives the units of its further columns."""

    number: int
    name: str
    channels: tuple[str, ...]
    extra: dict[str, str]


class Stream(NamedTuple):
    """A table of numbers of a run."""

    key: int
    name: str
    columns: tuple[str, ...]

    @property
    def sensed(self) -> dict[str, str]:
        """The quantity that its channel reads through a sensor, with its unit; else nothing."""
        return {name: SENSOR_UNITS[name] for name in self.columns if name in SENSOR_UNITS}

    @property
    def quantities(self) -> dict[str, str]:
        """What it holds of each reading of a channel, with the units: its sensor's value last."""
        return QUANTITIES | self.sensed
