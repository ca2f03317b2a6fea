"""The operating area of a part: what it bears, the worst that was proved, what was really visited.

All in the plane of the part's voltage and current, counted into the part. Knows no run and no
recipe: it is handed the table of the check as plain data, the specification of the instrument, and
the points that were read.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any, NamedTuple

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle as Patch

from grammar.quantity import CURRENT, VOLTAGE
from sequencer.report.pictures.drawing import COLOURS, styled, written
from sequencer.report.pictures.plot import Values, scale

if TYPE_CHECKING:
    from drivers.figures import Rectangle

_CELLS = 400  # the plane is visited or not in cells of a grid of so many a side
_ROOM = 0.18  # of what is shown, on each side
_SIDE_IN = 5.2
_BORNE, _PROVED = COLOURS[1], COLOURS[0]
_PULSES = ("rating in pulses", "worst case in pulses")


class Box(NamedTuple):
    """A box in the plane (V, A); an end without a bound is infinite."""

    voltage: tuple[float, float]
    current: tuple[float, float]


class Area(NamedTuple):
    """What is known of one part.

    `rating` and `worst` are boxes, `most_power` the rating of power into the part (W), `pulses` the
    worst and the rating of pulses where they have ratings of their own; `envelope` has
    what the instrument bears; `visited` the points that were read (V, A).
    """

    part: str
    channel: str
    rating: Box
    worst: Box
    most_power: float = math.inf
    pulses: tuple[Box, ...] = ()
    envelope: tuple[Rectangle, ...] = ()
    visited: tuple[Values, Values] = (np.empty(0), np.empty(0))


def areas(checks: Mapping[str, Any], envelopes: Mapping[str, tuple[Rectangle, ...]]) -> list[Area]:
    """The areas of all parts of a check, from its table as plain data; `envelopes` by channel."""
    return [_area(part, envelopes.get(part["channel"], ())) for part in checks["parts"]]


def _area(part: Mapping[str, Any], envelope: tuple[Rectangle, ...]) -> Area:
    rows = part["rows"]
    power = rows.get("power", {}).get("rating") or (None, None)
    pulses: tuple[Box, ...] = ()
    if "voltage per pulse" in rows or "current per pulse" in rows:
        rows_in_pulse = {q: rows.get(f"{q} per pulse", rows[q]) for q in ("voltage", "current")}
        pulses = (_box(rows_in_pulse, "rating"), _box(rows_in_pulse, "worst"))
    return Area(
        part["part"],
        part["channel"],
        _box(rows, "rating"),
        _box(rows, "worst"),
        math.inf if power[1] is None else power[1],
        pulses,
        envelope,
    )


def _box(rows: Mapping[str, Any], what: str) -> Box:
    ends = []
    for quantity in ("voltage", "current"):
        row = rows[quantity]
        low, high = row["rating"] or (None, None)
        if what == "worst":
            low, high = row["low"], row["high"]
        ends.append((-math.inf if low is None else low, math.inf if high is None else high))
    return Box(*ends)


class Visited:
    """The points of a run in the plane, gathered a block at a time: one for each cell of a grid.

    The grid grows with the points, so that a long run takes no more memory than a short one.
    """

    def __init__(self) -> None:
        self._points = np.empty((0, 2))

    def add(self, voltage: Values, current: Values) -> None:
        """Take readings (V, A); those over range or not a number are left out."""
        points = np.column_stack((voltage, current))
        points = np.concatenate((self._points, points[np.isfinite(points).all(axis=1)]))
        if not len(points):
            return
        low = points.min(axis=0)
        side = (points.max(axis=0) - low) / _CELLS
        cells = np.floor((points - low) / np.where(side > 0, side, 1.0)).astype(np.int64)
        _, first = np.unique(cells[:, 0] * (_CELLS + 1) + cells[:, 1], return_index=True)
        self._points = points[np.sort(first)]

    @property
    def points(self) -> tuple[Values, Values]:
        """The points that stand for all (V, A)."""
        return self._points[:, 0], self._points[:, 1]


def draw(shown: Sequence[Area], form: str, titled: bool = True) -> bytes:
    """Areas one above the other as a file's content, "svg" or "png"."""
    with styled():
        size = (_SIDE_IN + 1.4, _SIDE_IN * len(shown))
        figure = Figure(figsize=size, layout="constrained")
        panels = figure.subplots(len(shown), 1, squeeze=False)[:, 0]
        for axes, area in zip(panels, shown, strict=True):
            _Plane(axes, area).put()
            if titled:
                axes.set_title(f"Operating area of {area.part} on {area.channel}")
        return written(figure, form)


class _Plane:
    """One area on its axes; everything is put there in SI."""

    def __init__(self, axes: Axes, area: Area) -> None:
        self._axes = axes
        self._area = area
        self._spans = _shown(area, 0), _shown(area, 1)
        volts, amperes = self._spans
        self._across = scale(VOLTAGE, max(map(abs, volts)))
        self._up = scale(CURRENT, max(map(abs, amperes)))

    def put(self) -> None:
        """The whole picture, from the back to the front."""
        area, axes = self._area, self._axes
        axes.axhline(0.0, color="#888888", linewidth=0.8, zorder=1)
        axes.axvline(0.0, color="#888888", linewidth=0.8, zorder=1)
        said = self._envelope()
        self._box(area.worst, "worst case of the check", edgecolor=_PROVED, facecolor="#0072B21C")
        self._box(area.rating, "rating", edgecolor=_BORNE, linestyle=(0, (7, 3)), linewidth=1.8)
        self._power()
        for box, name, colour in zip(area.pulses, _PULSES, (_BORNE, _PROVED), strict=False):
            self._box(box, name, edgecolor=colour, linestyle=(0, (1.5, 1.5)))
        volts, amperes = area.visited
        if len(volts):
            self._line(volts, amperes, "visited", ".", color="black", markersize=2.5)
        (left, right), (bottom, top) = self._spans
        axes.set_xlim(left / self._across.size, right / self._across.size)
        axes.set_ylim(bottom / self._up.size, top / self._up.size)
        axes.set_xlabel(f"voltage ({self._across.unit})")
        axes.set_ylabel(f"current into the part ({self._up.unit})")
        axes.legend(
            loc="upper left", bbox_to_anchor=(0.0, -0.13), ncols=3, title=said, alignment="left"
        )

    def _line(self, volts: Values, amperes: Values, name: str, form: str, **style: Any) -> None:
        self._axes.plot(
            volts / self._across.size, amperes / self._up.size, form, label=name, zorder=4, **style
        )

    def _box(self, box: Box, name: str, **style: Any) -> None:
        """A box; a side without a bound goes on beyond the picture."""
        sides = []
        for ends, span, unit in zip(box, self._spans, (self._across, self._up), strict=True):
            beyond = span[1] - span[0]
            low, high = max(ends[0], span[0] - beyond), min(ends[1], span[1] + beyond)
            sides.append((low / unit.size, (high - low) / unit.size))
        (left, width), (bottom, height) = sides
        style = {"facecolor": "none"} | style
        self._axes.add_patch(Patch((left, bottom), width, height, label=name, zorder=3, **style))

    def _power(self) -> None:
        """The curve of the largest power into the part, in both quadrants where it takes power."""
        most, label = self._area.most_power, "rating of power"
        for end in self._spans[0]:
            if math.isfinite(most) and end != 0:
                volts = end * np.geomspace(1e-3, 1.0, 300)
                self._line(volts, most / volts, label, "-", color=_BORNE, linewidth=0.9)
                label = "_"

    def _envelope(self) -> str | None:
        """What the instrument can't is hatched, what it can for short only lies beyond a line."""
        if not self._area.envelope:
            return None
        volts, amperes = (np.linspace(*span, _CELLS) for span in self._spans)
        source = np.multiply.outer(amperes, volts) >= 0
        ways = {"source": source, "sink": ~source, "both": np.ones_like(source)}
        always, pulsed = np.zeros_like(source), np.zeros_like(source)
        for r in self._area.envelope:
            inside = np.logical_and.outer(np.abs(amperes) <= r.current, np.abs(volts) <= r.voltage)
            bears = pulsed if hasattr(r, "longest_width") else always
            bears |= inside & ways[r.direction]
        plane = volts / self._across.size, amperes / self._up.size
        said = "all of it lies within what the instrument bears"
        if not always.all():
            self._axes.contour(*plane, always, [0.5], colors="black", linestyles="dotted")
            said = "dotted: what the instrument bears for ever"
        if not (always | pulsed).all():
            with mpl.rc_context({"hatch.linewidth": 0.4}):
                beyond = ~(always | pulsed)
                self._axes.contourf(*plane, beyond, [0.5, 1.5], colors="none", hatches=["xxx"])
            said += "; hatched: not even in pulses" if pulsed.any() else "; hatched: beyond it"
        return said


def _shown(area: Area, place: int) -> tuple[float, float]:
    """What is shown of one quantity: rating, worst case and visited, with some room; and zero."""
    boxes = (area.rating, area.worst, *area.pulses)
    ends = [0.0, *(end for box in boxes for end in box[place])]
    if len(area.visited[place]):
        ends += [float(area.visited[place].min()), float(area.visited[place].max())]
    finite = [end for end in ends if math.isfinite(end)]
    low, high = min(finite), max(finite)
    room = _ROOM * (high - low) or 1.0
    return low - room, high + room
