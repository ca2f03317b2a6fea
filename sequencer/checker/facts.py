"""What the checker finds out about a recipe, as the engine and the report need it.

Plain values in SI; no check is made here. The classes are written out by hand, since a data class
takes half a millisecond to make and a check is to start at once.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from drivers.sensed import SENSED
from grammar import tree
from grammar.diagnostic import Problems, Span
from grammar.quantity import (
    CHARGE,
    CURRENT,
    ENERGY,
    POWER,
    VOLTAGE,
    Dimension,
)

if TYPE_CHECKING:
    from sequencer.checker.worst.worst_case import WorstCase


class Type(NamedTuple):
    """What an expression is: a kind, and a dimension where it has one and it is known.

    `kind` is one of "quantity", "truth value", "span", "list", "text" and "unknown"; an unknown one
    has been reported already, and nothing more is said about what follows from it.
    """

    kind: str
    dimension: Dimension | None = None

    @property
    def known(self) -> bool:
        """False where a problem was reported and nothing more can be said."""
        return self.kind != "unknown"


RATED: dict[str, Dimension] = {
    "voltage": VOLTAGE,
    "current": CURRENT,
    "power": POWER,
    "energy": ENERGY,
    "charge": CHARGE,
}
"""What a part at a channel's terminals is rated for, over the run and in one pulse."""

UNKNOWN = Type("unknown")
TRUTH = Type("truth value")


class _Facts:
    def __repr__(self) -> str:
        names = [name for kind in type(self).__mro__ for name in getattr(kind, "__slots__", ())]
        return f"{type(self).__name__}({', '.join(f'{n}={getattr(self, n)!r}' for n in names)})"


class SettingFacts(_Facts):
    """A setting: the value in force and the span that it may be changed within.

    All in SI. `low` and `high` are None where the setting has no span, and infinite at an open end.
    """

    __slots__ = ("dimension", "high", "low", "span", "title", "value")

    def __init__(
        self,
        value: float,
        dimension: Dimension,
        low: float | None,
        high: float | None,
        title: str,
        span: Span,
    ) -> None:
        self.value, self.dimension = value, dimension
        self.low, self.high = low, high
        self.title, self.span = title, span


class ChannelFacts(_Facts):
    """A channel and what it is declared to be able to do."""

    __slots__ = ("capabilities", "name", "span")

    def __init__(self, name: str, capabilities: frozenset[str], span: Span) -> None:
        self.name, self.capabilities, self.span = name, capabilities, span

    @property
    def measures(self) -> bool:
        """Whether it is declared to measure anything."""
        return self.can("measure voltage") or self.can("measure current") or bool(self.sensed)

    @property
    def sensed(self) -> str:
        """The quantity that it reads through a sensor, empty where it reads its own terminals."""
        for capability in sorted(self.capabilities):
            name = capability.removeprefix("measure ")
            if name in SENSED:
                return name
        return ""

    def can(self, capability: str) -> bool:
        """Whether a capability is declared; "measure" covers its two quantities."""
        if capability in ("measure voltage", "measure current") and "measure" in self.capabilities:
            return True
        return capability in self.capabilities


class DigitalFacts(_Facts):
    """A digital line; `rests_high` is None for an input."""

    __slots__ = ("name", "output", "rests_high", "span")

    def __init__(self, name: str, output: bool, rests_high: bool | None, span: Span) -> None:
        self.name, self.output, self.rests_high, self.span = name, output, rests_high, span


class PartFacts(_Facts):
    """A part: its kind, its channel, and its ratings by quantity.

    A rating is (low, high) in SI with an infinity at an open end; `per_pulse` has those that govern
    pulses. `places` has where each stands, one of pulses under "power per pulse" and the like.
    `watched_by` has the channel that watches a rating, by quantity; `facts` what else is said:
    "chemistry" (a word), "in series" and "capacity" (in SI), "own protection" (true).
    """

    __slots__ = (
        "channel",
        "facts",
        "kind",
        "may_be_destroyed",
        "name",
        "not_pushed",
        "per_pulse",
        "places",
        "ratings",
        "span",
        "watched_by",
    )

    def __init__(
        self,
        name: str,
        kind: str,
        channel: str,
        not_pushed: bool,
        ratings: dict[str, tuple[float, float]],
        places: dict[str, Span],
        span: Span,
        may_be_destroyed: bool = False,
        per_pulse: dict[str, tuple[float, float]] | None = None,
        watched_by: dict[str, str] | None = None,
        facts: dict[str, float | str] | None = None,
    ) -> None:
        self.name, self.kind, self.channel, self.not_pushed = name, kind, channel, not_pushed
        self.ratings, self.places, self.span = ratings, places, span
        self.may_be_destroyed = may_be_destroyed
        self.per_pulse, self.watched_by = per_pulse or {}, watched_by or {}
        self.facts = facts or {}


class TraceFacts(_Facts):
    """A trace: its number, its channels in the order written, and its further columns.

    `extra` holds the dimensions of the loop variables and of the columns named by `with`, under
    the names as they are written (`k`, where a procedure's own goes by `soak.k` inside).
    """

    __slots__ = ("channels", "columns", "extra", "number", "span")

    def __init__(
        self,
        number: int,
        channels: tuple[str, ...],
        extra: dict[str, Dimension],
        columns: tuple[str, ...],
        span: Span,
    ) -> None:
        self.number, self.channels, self.extra, self.span = number, channels, extra, span
        self.columns = columns
        """The names of its `with`, which every `into` of the trace repeats."""


class Checked:
    """A checked recipe: the tree, the problems found, and what was found out on the way.

    `dimensions` and `types` are keyed by the `id` of an expression's node, which the tree kept here
    keeps alive, in which procedures are expanded; `relative` holds the ids of tolerances whose half
    width is a share of the centre. `filled` has, by the `id` of the name behind an `into`, what
    fills each further column of its trace there, by the column; a column that isn't filled there
    is missing. `columns` has the full names of each trace's columns; `answers` and `derived`, by
    the `id` of a calculation's call, the dimensions of its several answers by name, and the trace
    that it gives. `worst` is None where errors kept the worst case from being worked out.
    """

    def __init__(self, recipe: tree.Recipe, problems: Problems) -> None:
        self.recipe = recipe
        self.problems = problems
        self.settings: dict[str, SettingFacts] = {}
        self.parts: dict[str, PartFacts] = {}
        self.channels: dict[str, ChannelFacts] = {}
        self.digital: dict[str, DigitalFacts] = {}
        self.traces: dict[str, TraceFacts] = {}
        self.dimensions: dict[int, Dimension] = {}
        self.types: dict[int, Type] = {}
        self.relative: set[int] = set()
        self.filled: dict[int, dict[str, str]] = {}
        self.columns: dict[str, tuple[str, ...]] = {}
        self.answers: dict[int, dict[str, Dimension]] = {}
        self.derived: dict[int, TraceFacts] = {}
        self.worst: WorstCase | None = None

    def part_on(self, channel: str) -> PartFacts | None:
        """The part on a channel, None where there is none."""
        return next((part for part in self.parts.values() if part.channel == channel), None)

    def __repr__(self) -> str:
        return f"Checked({self.recipe.title!r}, {self.problems.summary})"

    def _repr_html_(self) -> str:
        """How a notebook shows it: the problems, and the worst case beside what the parts bear."""
        from grammar.markup import paragraph

        found = self.problems._repr_html_()
        if self.worst is not None:
            from sequencer.checker.worst.table import as_html

            found += as_html(self.worst)
        return paragraph(self.recipe.title, heading=True) + found
