"""Pictures as files: what is on them, that they come out the same, and tell curves apart."""

from __future__ import annotations

import io
import re
from xml.etree import ElementTree

import numpy as np
from PIL import Image

from sequencer.report.pictures.drawing import COLOURS, DASHES, draw
from sequencer.report.pictures.plot import Axis, Curve, Level, Plot
from sequencer.report.pictures.terminal import as_text

TIME = np.linspace(0, 10, 200)
PLOT = Plot(
    "plot-1",
    "charging, soak: voltage against time",
    Axis("time", "min"),
    Axis("voltage", "V"),
    (Curve("charging", TIME, 0.27 * TIME), Curve("soak <b>", TIME, 2.7 - 0.1 * TIME)),
    (Level("bank voltage 2.8 V", 2.8),),
)


def test_a_picture_carries_quantities_units_curves_and_lines() -> None:
    svg = draw([PLOT], "svg").decode()
    ElementTree.fromstring(svg)  # noqa: S314
    said = re.findall(r">([^<>]+)</text>", svg)
    for words in ("time (min)", "voltage (V)", "charging", "soak &lt;b&gt;", "bank voltage 2.8 V"):
        assert words in said, words


def test_the_same_plot_gives_the_same_file() -> None:
    assert draw([PLOT], "svg") == draw([PLOT], "svg")


def test_without_colours_the_curves_differ_still() -> None:
    assert len({str(dash) for dash in DASHES}) == len(DASHES) == len(COLOURS)
    svg = draw([PLOT], "svg").decode()
    strokes = re.findall(r"(stroke-dasharray: [^;]+; [^\"]*)?stroke: (#0072b2|#d55e00)", svg)
    dashed = {colour for dash, colour in strokes if dash}
    assert dashed == {"#d55e00"}


def test_a_picture_has_the_size_of_its_plots() -> None:
    one, three = (
        Image.open(io.BytesIO(draw([PLOT] * count, "png", shared=count > 1))) for count in (1, 3)
    )
    assert one.size == (1120, 576)
    assert three.size == (1120, 3 * 576)
    assert len(one.convert("RGB").getcolors(1 << 24) or []) > 20


def test_in_the_terminal_no_line_is_wider_than_asked() -> None:
    for width in (40, 80, 120):
        lines = as_text(PLOT, width).split("\n")
        assert max(map(len, lines)) <= width
        assert "across: time (min); upwards: voltage (V)" in lines
        assert any("⠉" in line or "⣀" in line for line in lines)


def test_a_plot_without_curves_says_why() -> None:
    empty = PLOT._replace(curves=(), note="nothing was taken into charging")
    assert as_text(empty, 80) == f"{PLOT.title}: nothing was taken into charging"
