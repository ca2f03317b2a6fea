"""Readings at a level that is reversed again and again: what turns with it, without what doesn't.

Pure functions of arrays; they don't know whether a current is driven or a voltage.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from grammar.quantity import TIME, write
from sequencer.analysis.calculations.readings import (
    Floats,
    NotWorkedOut,
    counted,
    require_readings,
)

# A reading is on a side within this of the largest level: what is still on its way, in a reading
# that spans the reversal itself, belongs to none. Common practice, no source.
_ON_A_SIDE = 0.95


class Turns(NamedTuple):
    """The means over each stay on a side: time (s), driven, answer, each of shape (k,).

    `readings` counts those that went into them; `moving` is what the answer's size still grew by
    from the first half of the stays to the second, as a share of it (1), `moving_error` its
    standard error.
    """

    time: Floats
    driven: Floats
    answer: Floats
    readings: int
    moving: float
    moving_error: float


class Slopes(NamedTuple):
    """Answer over driven, shape (k,) a combination, and what of the answer doesn't turn with it;
    the standard error of the mean slope, 0 where a single combination says nothing of it."""

    slope: Floats
    offset: Floats
    error: float

    @property
    def mean(self) -> float:
        """The mean slope."""
        return float(np.mean(self.slope))


def turns(
    time: Floats,
    driven: Floats,
    answer: Floats,
    limited: Floats,
    settling: float | None,
    quantity: str,
) -> Turns:
    """Average the readings of each stay on a side, once it has settled.

    Args:
        time: time of each reading (s), shape (n,), rising.
        driven: what is reversed, shape (n,).
        answer: what is read, shape (n,); right after a reversal, where it doesn't count, it may be
            over range.
        limited: 1 where the limit was in control, else 0, shape (n,).
        settling: the time (s) that is left out of each stay, from its first reading on; half of it
            if None.
        quantity: what the answer is, for words.

    Raises:
        NotWorkedOut: fewer than two stays, two in a row on the same side, as where the other is of
            another size, a stay with no reading left, in one that counts a limit in control or an
            answer over range or empty.
    """
    side = np.sign(driven) * (np.abs(driven) > _ON_A_SIDE * np.max(np.abs(driven)))
    first = np.flatnonzero(np.diff(side, prepend=np.nan) != 0)
    last = np.append(first[1:], len(time)) - 1
    stays = side[first] != 0
    first, last = first[stays], last[stays]
    if len(first) < 2:
        raise NotWorkedOut("the level is never reversed", "readings at both polarities in turn")
    if np.any(side[first[1:]] == side[first[:-1]]):
        raise NotWorkedOut(
            "the level doesn't change its polarity from one stay to the next, at the same size",
            f"both polarities in turn, of a size to {100 * (1 - _ON_A_SIDE):.2g} %",
        )
    start = time[first] + ((time[last] - time[first]) / 2 if settling is None else settling)
    # A reading at the very end of the settling counts, also where its last digit is off.
    begin = np.searchsorted(time, start - 1e-9 * (start - time[first]))
    empty = np.flatnonzero(begin > last)
    if len(empty):
        lasts = write(float(time[last[empty[0]]] - time[first[empty[0]]]), TIME)
        raise NotWorkedOut(
            f"no reading is left of a stay of {lasts} once it has settled",
            "a longer time at each polarity, or less of it for settling",
        )
    marks = np.zeros(len(time) + 1)
    marks[begin] += 1
    marks[last + 1] -= 1
    counts = np.cumsum(marks[:-1]) > 0
    require_readings(time, 2, counts, **{quantity: answer})
    answer = np.where(counts, answer, 0.0)
    held = np.flatnonzero(_means(limited, begin, last))
    if len(held):
        raise NotWorkedOut(
            f"the limit was in control in {counted(len(held), 'stay')} of {len(first)}, in "
            "readings that count",
            "a limit that leaves room, also as the level is reversed",
        )
    counting = int(np.sum(counts))
    when, levels, means = (_means(values, begin, last) for values in (time, driven, answer))
    middle = begin + (last + 1 - begin) // 2
    halved = middle > begin
    moving, error = 0.0, math.inf
    if np.sum(halved) > 1:
        begin, middle, last = begin[halved], middle[halved], last[halved]
        grown = _means(answer, middle, last) - _means(answer, begin, middle - 1)
        shares = grown * np.sign(levels[halved]) / np.mean(np.abs(means))
        moving = float(np.mean(shares))
        error = float(np.std(shares, ddof=1)) / math.sqrt(len(shares))
    return Turns(when, levels, means, counting, moving, error)


def two_point(found: Turns) -> Slopes:
    """From each pair of stays, one after another: an even offset falls out, half a step of drift
    stays.

    Equation: (A_1 − A_2)/(D_1 − D_2) with answer A and driven D; offset (A_1 + A_2 − s (D_1 +
    D_2))/2.
    """
    pairs = slice(0, len(found.answer) // 2 * 2)
    answer, driven = found.answer[pairs].reshape(-1, 2), found.driven[pairs].reshape(-1, 2)
    slope = (answer[:, 0] - answer[:, 1]) / (driven[:, 0] - driven[:, 1])
    offset = np.mean(answer - slope[:, np.newaxis] * driven, axis=1)
    return Slopes(slope, offset, _deviation(slope) / math.sqrt(len(slope)))


def three_point(found: Turns) -> Slopes:
    """From each three stays in a row: an offset that drifts evenly falls out.

    Equation: (A_2 − A_13)/(D_2 − D_13), where 13 is the first and the third read at the time of the
    second, on the line between them; at even times (A_1 − 2 A_2 + A_3)/(D_1 − 2 D_2 + D_3). The
    offset is (A_2 + A_13 − s (D_2 + D_13))/2, that at the second's time. Threes in a row share
    stays: for answers of even scatter σ one of them scatters by √(3/8) σ/D, and their mean over n
    stays by about σ/(D √n).

    Raises:
        NotWorkedOut: fewer than three stays.
    """
    if len(found.time) < 3:
        raise NotWorkedOut(
            f"the level was reversed {counted(len(found.time) - 1, 'time')}",
            "three stays at least, for a drift to fall out",
        )
    t, a, d = found.time, found.answer, found.driven
    share = (t[1:-1] - t[:-2]) / (t[2:] - t[:-2])
    a_13 = a[:-2] + share * (a[2:] - a[:-2])
    d_13 = d[:-2] + share * (d[2:] - d[:-2])
    slope = (a[1:-1] - a_13) / (d[1:-1] - d_13)
    offset = (a[1:-1] + a_13 - slope * (d[1:-1] + d_13)) / 2
    return Slopes(slope, offset, _deviation(slope) * math.sqrt(8 / 3 / len(t)))


def _deviation(slope: Floats) -> float:
    return float(np.std(slope, ddof=1)) if len(slope) > 1 else 0.0


def _means(
    values: Floats,
    first: np.ndarray[tuple[int], np.dtype[np.intp]],
    last: np.ndarray[tuple[int], np.dtype[np.intp]],
) -> Floats:
    """The means from a row to a row, both in, of stretches that follow one another."""
    # Every second sum of those between the ends is what lies between two stretches.
    ends = np.stack((first, last + 1), axis=1).ravel()
    sums = np.add.reduceat(np.append(values, 0.0), ends)[::2]
    means: Floats = sums / (last + 1 - first)
    return means
