"""The operating area: what is on the picture, and which places stand for all that were visited."""

from __future__ import annotations

import re

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as arrays

from drivers.figures import PulsedRectangle, Rectangle
from sequencer import check
from sequencer.api import checks_of, load_bench
from sequencer.report.pictures.area import Area, Box, Visited, areas, draw

BOX = Box((-5.0, 1.2), (-1e-3, 0.3))
WORST = Box((0.0, 1.1), (0.0, 0.285))


def texts(svg: bytes) -> list[str]:
    return [found.strip() for found in re.findall(r">([^<>]+)</text>", svg.decode())]


def rows(**ends: tuple[float | None, float | None, tuple[float | None, float | None]]) -> object:
    return {
        quantity: {"low": low, "high": high, "rating": rating}
        for quantity, (low, high, rating) in ends.items()
    }


def test_ratings_and_worst_case_are_those_of_the_check() -> None:
    bench = load_bench("sweep-diode")
    checked = check("sweep-diode", bench)
    (area,) = areas(checks_of(checked)[0], {"smu": bench.specifications["smu"].continuous})
    assert (area.part, area.channel) == ("blocking", "smu")
    assert area.rating == BOX
    assert area.most_power == 0.35
    row = checked.worst.parts[0].rows["current"] if checked.worst else None
    assert row is not None
    assert area.worst.current == (row.low, row.high)
    assert area.envelope == bench.specifications["smu"].continuous


def test_what_has_no_bound_is_endless_and_pulses_have_a_rating_of_their_own() -> None:
    of_part = {
        "part": "surge",
        "channel": "smu",
        "rows": rows(
            voltage=(0.0, None, (None, 40.0)),
            current=(0.0, 1.0, (-2.0, 2.0)),
            **{"current per pulse": (0.0, 11.0, (-12.0, 12.0))},
        ),
    }
    (area,) = areas({"parts": [of_part]}, {})
    assert area.worst.voltage == (0.0, float("inf"))
    assert area.rating.voltage == (-float("inf"), 40.0)
    assert area.pulses == (
        Box((-float("inf"), 40.0), (-12.0, 12.0)),
        Box((0.0, float("inf")), (0.0, 11.0)),
    )
    assert "worst case in pulses" in texts(draw([area], "svg"))


def test_the_picture_names_all_that_is_on_it() -> None:
    area = Area("blocking", "smu", BOX, WORST, 0.35, visited=(np.array([0.8]), np.array([0.2])))
    said = texts(draw([area], "svg"))
    for words in (
        "Operating area of blocking on smu",
        "voltage (V)",
        "current into the part (mA)",
        "rating",
        "rating of power",
        "worst case of the check",
        "visited",
    ):
        assert words in said, words
    assert "Operating area of blocking on smu" not in texts(draw([area], "svg", titled=False))


@pytest.mark.parametrize(
    ("rectangles", "said"),
    [
        (
            (Rectangle(voltage="32 V", current="4.5 A"),),
            "all of it lies within what the instrument bears",
        ),
        (
            (Rectangle(voltage="1 V", current="4.5 A"),),
            "dotted: what the instrument bears for ever; hatched: beyond it",
        ),
        (
            (
                Rectangle(voltage="1 V", current="4.5 A"),
                PulsedRectangle(
                    voltage="40 V", current="12 A", longest_width="5 ms", largest_duty="5 %"
                ),
            ),
            "dotted: what the instrument bears for ever",
        ),
        (
            (
                Rectangle(voltage="1 V", current="0.1 A"),
                PulsedRectangle(
                    voltage="2 V", current="12 A", longest_width="5 ms", largest_duty="5 %"
                ),
            ),
            "dotted: what the instrument bears for ever; hatched: not even in pulses",
        ),
        (
            (Rectangle(voltage="32 V", current="4.5 A", direction="source"),),
            "dotted: what the instrument bears for ever; hatched: beyond it",
        ),
    ],
)
def test_what_the_instrument_bears_is_said(rectangles: tuple[Rectangle, ...], said: str) -> None:
    area = Area("blocking", "smu", BOX, WORST, envelope=rectangles)
    assert said in texts(draw([area], "svg"))


POINTS = arrays.arrays(
    np.float64, st.tuples(st.integers(0, 300), st.just(2)), elements=st.floats(-1e6, 1e6)
)


@given(st.lists(POINTS, max_size=4))
def test_no_visited_place_is_farther_than_a_cell_from_one_that_is_drawn(
    blocks: list[np.ndarray],
) -> None:
    gathered = Visited()
    for block in blocks:
        gathered.add(block[:, 0], block[:, 1])
    drawn = np.column_stack(gathered.points)
    every = np.concatenate(blocks) if blocks else np.empty((0, 2))
    if not len(every):
        assert not len(drawn)
        return
    # The grid is that of the last block; those before lay in finer ones.
    cell = (every.max(axis=0) - every.min(axis=0)) / 400
    for place in every[:: max(1, len(every) // 50)]:
        assert (np.abs(drawn - place) <= 2 * cell * (1 + 1e-9) + 1e-300).all(axis=1).any()


def test_a_reading_past_its_range_is_no_place() -> None:
    gathered = Visited()
    gathered.add(np.array([1.0, np.inf, np.nan]), np.array([0.5, 0.1, 0.1]))
    assert [column.tolist() for column in gathered.points] == [[1.0], [0.5]]


def test_a_million_places_are_a_few_thousand() -> None:
    time = np.linspace(0, 1, 4096)
    gathered = Visited()
    for k in range(250):
        gathered.add(np.sin(7 * (k + time)), np.cos(3 * (k + time)))
    assert len(gathered.points[0]) <= 400 * 401
