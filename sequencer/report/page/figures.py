"""A plot as it stands on the page: its picture, its words, its points for those who zoom."""

from __future__ import annotations

import base64
import json
import math
from typing import NamedTuple

import numpy as np

from sequencer.report.pictures import area as areas
from sequencer.report.pictures.drawing import draw
from sequencer.report.pictures.plot import Axis, Curve, Plot, Values

# As page.js draws them.
_DASHES = ("", "10 4", "4 3", "10 4 3 4", "2 2", "16 5")
_DIGITS = 6


class Shown(NamedTuple):
    """A figure: `picture` is an SVG in base64, `said` what it shows in words.

    `data` are its points as JSON that may stand within a script element, empty where it doesn't
    zoom; figures of one `group` zoom together. `keys` are the curves with their dashes.
    """

    name: str
    title: str
    said: str
    picture: str = ""
    data: str = ""
    group: str = ""
    keys: tuple[tuple[str, str], ...] = ()


def shown(plot: Plot, group: str = "") -> Shown:
    """A plot for the page."""
    if not plot.curves:
        return Shown(plot.name, plot.title, f"{plot.note or 'nothing to show'}.")
    return Shown(
        plot.name,
        plot.title,
        _said(plot),
        _picture(draw([plot._replace(title="")], "svg")),
        _data(plot),
        group,
        tuple((c.name, _DASHES[k % len(_DASHES)]) for k, c in enumerate(plot.curves)),
    )


def shown_area(area: areas.Area) -> Shown:
    """An operating area for the page; it doesn't zoom."""
    said = (
        f"Operating area of {area.part} on {area.channel}: rating, worst case of the check, "
        f"and {len(area.visited[0])} places that were visited."
    )
    picture = _picture(areas.draw([area], "svg", titled=False))
    return Shown(f"area-{area.channel}", f"{area.part} on {area.channel}", said, picture)


def _picture(svg: bytes) -> str:
    return base64.b64encode(svg).decode("ascii")


def _said(plot: Plot) -> str:
    """What is on a plot, for whoever can't see it: axes, and each curve's ends and extremes."""
    parts = [f"{plot.y.label} against {plot.x.label}"]
    parts += [_of_curve(curve, plot.x, plot.y) for curve in plot.curves]
    parts += [f"a line at {level.name}" for level in plot.levels]
    return "; ".join(filter(None, (*parts, plot.note))) + "."


def _of_curve(curve: Curve, x: Axis, y: Axis) -> str:
    there = np.isfinite(curve.x) & np.isfinite(curve.y)
    if not there.any():
        return f"{curve.name}: no finite value"
    across, up = curve.x[there], curve.y[there]
    span = f"{_number(across.min())} to {_number(across.max())} {x.unit}".rstrip()
    return (
        f"{curve.name}: over {span}, from {_number(up[0])} to {_number(up[-1])}, "
        f"least {_number(up.min())}, most {_number(up.max())} {y.unit}"
    ).rstrip()


def _number(value: float) -> str:
    return f"{value:.4g}"


def _data(plot: Plot) -> str:
    """The points as JSON; `<` is escaped, so that no name can end the script element."""
    found = {
        "x": {"label": plot.x.label, "logarithmic": plot.x.logarithmic},
        "y": {"label": plot.y.label, "logarithmic": plot.y.logarithmic},
        "curves": [
            {
                "name": c.name,
                "x": _plain(c.x, plot.x.logarithmic),
                "y": _plain(c.y, plot.y.logarithmic),
            }
            for c in plot.curves
        ],
        "levels": [level._asdict() for level in plot.levels],
    }
    return json.dumps(found, separators=(",", ":")).replace("<", "\\u003c")


def _plain(values: Values, logarithmic: bool) -> list[float | None]:
    """Values in no more digits than a picture needs; None for what is no number.

    On a plain axis to a millionth of what they span: so a long time axis keeps its short steps, and
    what hardly moves keeps its small ones. On a logarithmic one to six digits each.
    """
    finite = values[np.isfinite(values)]
    if not finite.size:
        return [None] * len(values)
    if logarithmic:
        return [float(f"{v:.{_DIGITS}g}") if np.isfinite(v) else None for v in values.tolist()]
    span = float(np.ptp(finite)) or float(np.abs(finite).max()) or 1.0
    places = _DIGITS - math.floor(math.log10(span))
    return [round(v, places) if np.isfinite(v) else None for v in values.tolist()]
