"""A plot in a terminal: a quick look, in characters."""

from __future__ import annotations

from sequencer.report.pictures.plot import Plot

_HEIGHT = 14
_BESIDE = 14  # columns that frame and figures beside the picture take


def as_text(plot: Plot, width: int, colour: bool = False) -> str:
    """A plot in lines of at most `width` columns."""
    from uniplot import plot_to_string

    if not plot.curves:
        return f"{plot.title}: {plot.note or 'nothing to show'}"
    names = [curve.name for curve in plot.curves]
    text = plot_to_string(
        [curve.y for curve in plot.curves],
        [curve.x for curve in plot.curves],
        lines=True,
        width=max(20, width - _BESIDE),
        height=_HEIGHT,
        title=plot.title,
        # Without colours the curves look alike, and a key would say nothing.
        legend_labels=names if colour and len(names) > 1 else None,
        x_as_log=plot.x.logarithmic,
        y_as_log=plot.y.logarithmic,
        x_unit=f" {plot.x.unit}",
        y_unit=f" {plot.y.unit}",
        y_gridlines=[level.value for level in plot.levels],
        character_set="braille",
        color=colour,
        line_length_hard_cap=width,
    )
    said = [f"across: {plot.x.label}; upwards: {plot.y.label}", plot.note]
    return "\n".join([str(text), *filter(None, said)])
