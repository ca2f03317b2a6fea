"""The plots of a run: every channel over time with the lines of its guards, and what was asked for.

Reads a record a piece at a time; draws nothing.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import product
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from drivers.sensed import SENSED
from grammar.parse import parse
from grammar.quantity import PLAIN, TIME, Dimension, read_unit, write
from sequencer.record import StoreError
from sequencer.record.decimation import decimate
from sequencer.record.tables import Table, table_of_channel, table_of_trace
from sequencer.report.pictures.area import Visited
from sequencer.report.pictures.plot import Axis, Curve, Level, Plot, Scale, Values, reach_of, scale

if TYPE_CHECKING:
    from sequencer.record import GuardRow, PlotRow, Run

PANELS = ("solar cell", "solar module")
"""Plots of these count as a generator: what the part gives is positive."""
COUNTED = ("time", "charge", "energy")
"""These run on from the run's start: a plot counts them from its first row."""
_TURNED = ("current", "power", "charge", "energy")
_IN_REACH = 0.6  # a guard's line is drawn if the picture grows by no more than this for it
_JUMP = 0.5  # of the span across: a curve that goes so far in one step is a new one
_BUCKETS = 2000


class Part(NamedTuple):
    """The part on a channel, by the recipe on record."""

    name: str
    kind: str


class Column(NamedTuple):
    """A column of a table as a plot has it: full name, words, dimension, and its sign there."""

    name: str
    quantity: str
    dimension: Dimension
    sign: int

    @property
    def words(self) -> str:
        """What stands along the axis."""
        quantity = self.quantity.replace("_", " ")
        return f"{quantity} of the panel as a generator" if self.sign < 0 else quantity


def parts_of(run: Run) -> dict[str, Part]:
    """The parts by their channels."""
    recipe, _ = parse(run.meta.recipe, run.meta.recipe_name)
    return {part.channel.id: Part(part.name.id, part.kind.id) for part in recipe.parts}


def over_time(run: Run) -> list[Plot]:
    """Voltage, current and power of every channel over the whole run, or what its sensor reads."""
    parts, guards = parts_of(run), {guard.name: guard for guard in run.guards()}
    return [
        plot
        for name in run.streams()
        if ":" not in name
        for plot in _of_channel(run, name, parts.get(name), guards)
    ]


def _of_channel(
    run: Run, name: str, part: Part | None, guards: dict[str, GuardRow]
) -> Iterator[Plot]:
    table = table_of_channel(run, name)
    quantities = tuple(run.stream(name).sensed) or ("voltage", "current", "power")
    columns = [_column(table, f"{name}.{quantity}", {}) for quantity in quantities]
    found = decimate(table, [(column.name,) for column in columns], _BUCKETS)
    for column, piece in zip(columns, found, strict=True):
        quantity = column.quantity
        guard = guards.get(f"{part.name} {quantity}") if part is not None else None
        curve = Curve(name, piece["time"], piece[column.name])
        axes = (Column("time", "time", TIME, 1), False), (column, False)
        title = f"{name}: {quantity} over time"
        yield _plot(f"{name}-{quantity}", title, axes, [curve], _levels(guard, column.dimension))


def _levels(guard: GuardRow | None, dimension: Dimension) -> list[Level]:
    """The lines at which a guard trips (SI)."""
    ends = () if guard is None else (guard.low, guard.high)
    name = "" if guard is None else guard.name
    return [Level(f"{name} {write(end, dimension)}", end) for end in ends if end is not None]


def visited(run: Run, channel: str) -> tuple[Values, Values]:
    """The places in the plane of voltage and current (V, A) where a channel was read."""
    gathered = Visited()
    for voltage, current in table_of_channel(run, channel).pieces(
        (f"{channel}.voltage", f"{channel}.current")
    ):
        gathered.add(voltage, current)
    return gathered.points


def asked_for(run: Run, over: Sequence[Run] = ()) -> list[Plot]:
    """The plots that the recipe asks for; one whose traces hold nothing says so in its note.

    The curves of other runs, as far as they have them, are drawn `over` its own.
    """
    parts = parts_of(run)
    return [_asked([run, *over], row, k, parts) for k, row in enumerate(run.plots(), 1)]


def _asked(runs: Sequence[Run], row: PlotRow, number: int, parts: dict[str, Part]) -> Plot:
    curves, empty = [], []
    axes: tuple[tuple[Column, bool], tuple[Column, bool]] | None = None
    for (number_of_run, run), trace in product(enumerate(runs), row.traces):
        named = f"{trace} of {run.meta.id}" if number_of_run else trace
        try:
            table = table_of_trace(run, trace)
            across, up = (_column(table, table.full_name(c), parts) for c in (row.x, row.y))
        except StoreError:
            empty.append(named)
            continue
        axes = axes or ((across, row.x_logarithmic), (up, row.y_logarithmic))
        logarithmic = row.x_logarithmic and across.name == "time"
        line = [name for name in (up.name, across.name) if name != "time"]
        (piece,) = decimate(table, [line], _BUCKETS, logarithmic=logarithmic)
        if len(piece["time"]):
            x, y = (_counted(piece[column.name], column) for column in (across, up))
            curves.append(Curve(named, *_broken(x, y)))
        else:
            empty.append(named)
    title = f"{', '.join(row.traces)}: {row.y} against {row.x}"
    note = f"nothing was taken into {', '.join(empty)}" if empty else ""
    if axes is None:
        return Plot(f"plot-{number}", title, Axis(row.x), Axis(row.y), (), note=note)
    return _plot(f"plot-{number}", title, axes, curves, [], note)


def _column(table: Table, name: str, parts: dict[str, Part]) -> Column:
    channel, _, quantity = name.rpartition(".")
    unit = table.units[name]
    part = parts.get(channel)
    turned = part is not None and part.kind in PANELS and quantity in _TURNED
    dimension = SENSED.get(quantity) or (TIME if quantity == "time" else _dimension(unit))
    return Column(name, quantity, dimension, -1 if turned else 1)


def _dimension(unit: str) -> Dimension:
    """That of a unit; what says no more of a column than its meaning has none."""
    return read_unit(unit).dimension if unit and " " not in unit else PLAIN


def _counted(values: Values, column: Column) -> Values:
    """A column with its sign in plots, a counter from its first row."""
    return column.sign * (values - values[0] if column.quantity in COUNTED else values)


def _broken(x: Values, y: Values) -> tuple[Values, Values]:
    """The points with a gap where the curve begins anew."""
    steps = np.diff(x)
    if len(x) < 10 or not np.isfinite(steps).any():
        return x, y
    across = x[np.isfinite(x)]
    jumps = np.flatnonzero(np.abs(steps) > _JUMP * (across.max() - across.min())) + 1
    return np.insert(x, jumps, np.nan), np.insert(y, jumps, np.nan)


def _plot(
    name: str,
    title: str,
    axes: tuple[tuple[Column, bool], tuple[Column, bool]],
    curves: Sequence[Curve],
    levels: Sequence[Level],
    note: str = "",
) -> Plot:
    """A plot of curves and levels in SI, in the units that they read best in."""
    ways = [curve.x for curve in curves], [curve.y for curve in curves]
    across, up = (
        scale(column.dimension, reach_of(values), logarithmic)
        for (column, logarithmic), values in zip(axes, ways, strict=True)
    )
    near = _near(levels, np.concatenate([*ways[1], np.empty(0)]))
    far = [level.name for level in levels if level not in near]
    beyond = f"beyond the picture: {', '.join(far)}" if far else ""
    return Plot(
        name,
        title,
        _axis(*axes[0], across),
        _axis(*axes[1], up),
        tuple(Curve(c.name, across.of(c.x), up.of(c.y)) for c in curves),
        tuple(Level(level.name, float(up.of(np.array(level.value)))) for level in near),
        "; ".join(filter(None, (note, beyond))),
    )


def _axis(column: Column, logarithmic: bool, unit: Scale) -> Axis:
    return Axis(column.words, unit.unit, logarithmic)


def _near(levels: Sequence[Level], values: Values) -> list[Level]:
    """Which lines are near enough to be drawn without making the curve flat."""
    values = values[np.isfinite(values)]
    if not len(values):
        return []
    low, high = float(values.min()), float(values.max())
    room = _IN_REACH * max(high - low, abs(low), abs(high))
    return [level for level in levels if low - room <= level.value <= high + room]
