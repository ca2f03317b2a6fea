"""Plots drawn as SVG or PNG: one style, in black and white and to a colour-blind eye the same.

Curves differ by colour, by dash and by weight at once. The colours are Okabe and Ito's palette
(from memory), which people with any usual colour vision tell apart. matplotlib draws, without its
state of a whole process: a figure is made, written and forgotten.
"""

from __future__ import annotations

import io
from collections.abc import Sequence
from contextlib import AbstractContextManager
from typing import Any

import matplotlib as mpl
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.typing import RcKeyType

from sequencer.report.pictures.plot import Plot

WIDTH_IN, HEIGHT_IN = 7.0, 3.6
FORMATS = ("svg", "png")

COLOURS = ("#0072B2", "#D55E00", "#009E73", "#CC79A7", "#56B4E9", "#E69F00")
DASHES = ("-", (0, (6, 2)), (0, (2, 1.5)), (0, (7, 2, 1.5, 2)), (0, (1, 1)), (0, (10, 3)))
# A line at a rating: dark, thin, and of a dash that no curve has.
LEVEL: dict[str, Any] = {"color": "#444444", "linewidth": 0.9, "linestyle": (0, (12, 3, 2, 3))}
_FEW = 40  # points up to which each is marked
_STYLE: dict[RcKeyType, Any] = {
    "axes.grid": True,
    "axes.spines.right": False,
    "axes.spines.top": False,
    "axes.titlelocation": "left",
    "axes.titlesize": "medium",
    # Full figures along an axis: an offset in its corner is overlooked.
    "axes.formatter.useoffset": False,
    "figure.dpi": 100,
    "font.family": "sans-serif",
    "font.size": 9.0,
    "grid.alpha": 0.35,
    "grid.linewidth": 0.5,
    "legend.frameon": False,
    "lines.linewidth": 1.3,
    "path.simplify": True,
    "savefig.dpi": 160,
    # Text stays text: it can be read out, searched and copied. Names are the same each time.
    "svg.fonttype": "none",
    "svg.hashsalt": "fusewire",
}


def styled() -> AbstractContextManager[None]:
    """The style of all pictures, in force within a `with`."""
    return mpl.rc_context(_STYLE)


def draw(plots: Sequence[Plot], form: str, shared: bool = False) -> bytes:
    """Plots one above the other as a file's content, "svg" or "png".

    Where they are of one time (`shared`), they have one axis across.
    """
    with styled():
        figure = Figure(figsize=(WIDTH_IN, HEIGHT_IN * len(plots)), layout="constrained")
        panels = figure.subplots(len(plots), 1, squeeze=False, sharex=shared)[:, 0]
        for axes, plot in zip(panels, plots, strict=True):
            put(axes, plot)
            if shared:
                axes.label_outer()
        return written(figure, form)


def put(axes: Axes, plot: Plot) -> None:
    """One plot on its axes."""
    for k, curve in enumerate(plot.curves):
        axes.plot(
            curve.x,
            curve.y,
            label=curve.name,
            color=COLOURS[k % len(COLOURS)],
            linestyle=DASHES[k % len(DASHES)],
            marker="." if len(curve.x) <= _FEW else "",
            zorder=3,
        )
    for level in plot.levels:
        axes.axhline(level.value, **LEVEL, zorder=2)
        axes.annotate(
            level.name,
            (1.0, level.value),
            xycoords=("axes fraction", "data"),
            xytext=(-2, 2),
            textcoords="offset points",
            ha="right",
            size="small",
            color=LEVEL["color"],
        )
    if plot.x.logarithmic:
        axes.set_xscale("log")
    if plot.y.logarithmic:
        axes.set_yscale("log")
    axes.set_xlabel(plot.x.label)
    axes.set_ylabel(plot.y.label)
    axes.set_title(plot.title)
    if len(plot.curves) > 1:
        axes.legend()


def written(figure: Figure, form: str) -> bytes:
    """A figure as the content of a file; the same figure gives the same bytes."""
    target = io.BytesIO()
    with styled():
        figure.savefig(target, format=form, metadata={"Date": None} if form == "svg" else None)
    return target.getvalue()
