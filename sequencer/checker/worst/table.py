"""The worst case drawn as a table for a terminal and a notebook, and as plain data.

Knows how figures are written and nothing of how they came about.
"""

from __future__ import annotations

import math
import textwrap
from collections.abc import Iterator, Sequence
from decimal import ROUND_CEILING, ROUND_FLOOR, Context, Decimal
from typing import TYPE_CHECKING, Any

from grammar.quantity import CURRENT, TIME, VOLTAGE, write
from sequencer.checker.facts import RATED
from sequencer.checker.worst.envelope import Met
from sequencer.checker.worst.pulses import Train
from sequencer.checker.worst.worst_case import PartWorst, Row, WorstCase

if TYPE_CHECKING:
    from drivers.figures import PulsedRectangle, Rectangle

_DIGITS = {"energy": 3, "charge": 3}
_GAP = 6
_LEAST_GAP = 2
_LEAST_ROOM = 12
_SEEN = ["", "the instrument sees", "share", "of what it bears"]


def render(worst: WorstCase, width: int = 80) -> str:
    """The table, one part after another, and the assumptions that it rests on.

    Where a bench is named, a second one has what its instruments see.
    """
    drawn, start = _columns([_heads(worst), *_rows(worst)], width, len("assumed"))
    lead = " " * start
    assumed = textwrap.wrap(
        "; ".join(worst.assumptions),
        max(width, start + 20),
        initial_indent="assumed".ljust(start),
        subsequent_indent=lead,
        break_on_hyphens=False,
    )
    seen = _all_seen(worst)
    second = ["", *_columns([_SEEN, *seen], width, 0)[0]] if seen else []
    return "\n".join([*drawn, *assumed, *second])


def as_html(worst: WorstCase) -> str:
    """The same for a notebook."""
    from grammar import markup

    seen = _all_seen(worst)
    return "".join(
        [
            markup.table("The worst case", _heads(worst), _rows(worst)),
            markup.paragraph(f"Assumed: {'; '.join(worst.assumptions)}."),
            markup.table("The instruments", _SEEN, seen) if seen else "",
        ]
    )


def _heads(worst: WorstCase) -> list[str]:
    instrument = ["instrument"] if worst.with_bench else []
    return ["", "worst on any path", "rating", *instrument, "held by"]


def _rows(worst: WorstCase) -> list[list[str]]:
    several = len(worst.parts) > 1
    return [cells for part in worst.parts for cells in _lines(part, several, worst.with_bench)]


def _all_seen(worst: WorstCase) -> list[list[str]]:
    return [cells for name, met in worst.instruments.items() for cells in _seen(name, met)]


def _columns(lines: list[list[str]], width: int, least: int) -> tuple[list[str], int]:
    """Rows as lines, and where their second column begins; the first is `least` wide at least."""
    count = len(lines[0])
    # The last cell of a shorter row has the rest of its line to itself.
    columns = [max(len(line[k]) for line in lines if k < len(line) - 1) for k in range(count - 1)]
    columns[0] = max(columns[0], least)
    last = max(len(line[-1]) for line in lines if len(line) == count)
    gap = _GAP
    room = width - last - columns[0] - 1 - sum(columns[1:])
    while gap > _LEAST_GAP and gap * len(columns[1:]) > room:
        gap -= 1
    places = [columns[0] + 1, *(wide + gap for wide in columns[1:])]
    return [text for line in lines for text in _drawn(line, places, width)], places[0]


def _seen(name: str, corners: Sequence[Met]) -> Iterator[list[str]]:
    """The rows of one instrument: a corner in each quadrant, and in pulses beyond those."""
    for met in corners:
        corner, rectangle = met.corner, met.rectangle
        does = {"source": "sources", "sink": "sinks"}[corner.way]
        signs = f"{'-' if corner.volts < 0 else '+'}V {'-' if corner.amperes < 0 else '+'}A"
        sees, bears = _corner(corner.volts, corner.amperes), f"{_at(rectangle)} continuously"
        if met.train is not None and isinstance(rectangle, _pulsed()):
            does += " pulses"
            sees += _train(met.train)
            bears = (
                f"{_at(rectangle)} for {write(rectangle.longest_width, TIME)}, "
                f"{100 * rectangle.largest_duty:.3g} % of the time, "
                f"{rectangle.most_in_a_row} in a row"
            )
        share = math.ceil(100 * met.share * (1 - 1e-9))
        yield [f"{name} {does} {signs}", sees, f"{share} %", bears]


def _pulsed() -> type[PulsedRectangle]:
    from drivers.figures import PulsedRectangle

    return PulsedRectangle


def _corner(volts: float, amperes: float) -> str:
    return f"{outward('voltage', abs(volts), 1)} at {outward('current', abs(amperes), 1)}"


def _at(rectangle: Rectangle) -> str:
    return f"{write(rectangle.voltage, VOLTAGE)} at {write(rectangle.current, CURRENT)}"


def _train(train: Train) -> str:
    """A train of pulses in words: ", 5 ms every 1 s, 3 of them"."""
    found = f", {write(train.width.high, TIME, 3)}"
    if train.period is not None:
        found += f" every {write(train.period.low, TIME, 3)}"
    if train.most > 1:
        found += f", {train.most:.0f} of them"
    return found


def _drawn(line: list[str], places: list[int], width: int) -> list[str]:
    """A row; where its last cell goes past the width it is folded beneath itself."""
    cells = "".join(cell.ljust(wide) for cell, wide in zip(line, places, strict=False))
    if len(line) <= len(places):
        return [cells.rstrip()]
    room = max(width - len(cells), _LEAST_ROOM)
    first, *more = textwrap.wrap(line[-1], room) or [""]
    return [(cells + first).rstrip(), *(" " * len(cells) + text for text in more)]


def _lines(part: PartWorst, several: bool, with_bench: bool) -> list[list[str]]:
    """The rows of one part: what is rated, and its time under power."""
    found = []
    for quantity, row in part.rows.items():
        if row.rating is None:
            continue
        cells = [
            f"{part.name} {quantity}",
            _worst(quantity, row),
            _rating(quantity, row.rating),
            row.held_by,
        ]
        if with_bench:
            envelope = row.envelope
            cells.insert(3, _rating(quantity, envelope) if envelope is not None else "")
        found.append(cells)
    label = f"{part.name} under power" if several else "time under power"
    longest = "no bound"
    if not math.isinf(part.under_power_s):
        longest = f"up to {write(part.under_power_s, TIME, 3)}"
    if part.asked:
        longest += ", and while the person is asked"
    return [*found, [label, longest]]


def _worst(quantity: str, row: Row) -> str:
    if math.isnan(row.low):
        return "none imposed"
    assert row.rating is not None
    if math.isinf(row.low) or math.isinf(row.high):
        return "no bound"
    high = outward(quantity, row.high, 1)
    if row.rating[0] == -math.inf:
        return f"up to {high}"
    low = outward(quantity, row.low, -1)
    if row.rating[1] == math.inf:
        return f"at least {low}"
    return high if low == high else f"{low} … {high}"


def outward(quantity: str, value: float, side: int) -> str:
    """A bound in few digits that is never better than the bound itself.

    What rounding alone has added, in the ninth digit and beyond, is taken off first.
    """
    quantity = quantity.removesuffix(" per pulse")
    dimension = RATED[quantity]
    if quantity in _DIGITS:
        return write(value, dimension, _DIGITS[quantity])
    rounding = ROUND_CEILING if side > 0 else ROUND_FLOOR
    plain = Decimal(f"{value:.9g}")
    return write(float(Context(prec=4, rounding=rounding).plus(plain)), dimension)


def _rating(quantity: str, bounds: tuple[float, float]) -> str:
    """A span in the unit of its larger end: "-0.05 … 2.8 V", "up to 2 kJ"."""
    dimension = RATED[quantity.removesuffix(" per pulse")]
    low, high = bounds
    if low == -math.inf:
        return f"up to {write(high, dimension)}"
    if high == math.inf:
        return f"at least {write(low, dimension)}"
    unit = write(max(low, high, key=abs), dimension).split(" ")[1]
    first = write(low, dimension, unit=unit).split(" ")[0]
    return f"{first} … {write(high, dimension, unit=unit)}"


def as_data(worst: WorstCase) -> dict[str, Any]:
    """The worst case as plain data in SI; what has no bound, or is not imposed, is None."""
    return {
        "parts": [
            {
                "part": part.name,
                "channel": part.channel,
                "time_under_power_s": _finite(part.under_power_s),
                "rows": {
                    quantity: {
                        "low": _finite(row.low),
                        "high": _finite(row.high),
                        "rating": _ends(row.rating),
                        "envelope": _ends(row.envelope),
                        "held_by": row.held_by,
                    }
                    for quantity, row in part.rows.items()
                },
            }
            for part in worst.parts
        ],
        "stake": {
            "energy_j": _finite(worst.stake.energy),
            "voltage_v": _finite(worst.stake.voltage),
            "power_w": _finite(worst.stake.power),
        },
        "instruments": [
            {
                "channel": name,
                "way": met.corner.way,
                "voltage_v": met.corner.volts,
                "current_a": met.corner.amperes,
                "pulses": met.train is not None,
                "share": met.share,
                "envelope": [met.rectangle.voltage, met.rectangle.current],
            }
            for name, corners in worst.instruments.items()
            for met in corners
        ],
        "longest_s": _finite(worst.longest_s),
        "assumptions": list(worst.assumptions),
    }


def _finite(value: float) -> float | None:
    return value if math.isfinite(value) else None


def _ends(bounds: tuple[float, float] | None) -> list[float | None] | None:
    return None if bounds is None else [_finite(bounds[0]), _finite(bounds[1])]
