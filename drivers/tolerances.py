"""Tolerances in a bench file: what a part's parameter may be, besides what it is taken as.

A quantity of a part, or of a channel's leads, may be written with a tolerance, as a span is written
in recipes: "10 F ± 20 %", "1 nA ± 0.2 nA", "25 °C ± 5 K". A run takes the value before it; a spread
of dry runs draws from all of them. The module knows no part and draws nothing.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from typing import Any, NamedTuple

from drivers.located import Path, Places, written
from grammar.diagnostic import Problems
from grammar.quantity import TEMPERATURE, Dimension, Quantity, UnitError, read
from grammar.quantity import write as quantity_written

_PLUS_MINUS = re.compile(r"±|\+/-")
_SHARE = re.compile(r"(?:%|ppm)\s*\Z")


class Tolerance(NamedTuple):
    """What a parameter is taken as, and the least and the most that it may be (SI)."""

    nominal: float
    low: float
    high: float
    dimension: Dimension


def take_off(
    data: Mapping[str, Any], problems: Problems, places: Places
) -> tuple[dict[str, Any], dict[Path, Tolerance]]:
    """The bench file's tables without their tolerances, and these by key path."""
    found: dict[Path, Tolerance] = {}

    def plain(value: Any, path: Path) -> Any:
        if isinstance(value, dict):
            return {key: plain(inner, (*path, key)) for key, inner in value.items()}
        if isinstance(value, list):
            return [plain(inner, (*path, number)) for number, inner in enumerate(value)]
        pieces = _PLUS_MINUS.split(value) if isinstance(value, str) else []
        if len(pieces) < 2 or not (_may_vary(path) or _is_tolerance(pieces, path)):
            return value
        if not _may_vary(path):
            problems.error(
                "bench-tolerance",
                places.value(path),
                f"“{written(path)}” can't have a tolerance",
                "Those of parts and of leads can; write one value here.",
            )
            return pieces[0].strip()
        try:
            found[path] = _tolerance(*pieces)
        except (UnitError, TypeError) as error:
            why = str(error) if isinstance(error, UnitError) else "there is more than one ±"
            problems.error(
                "bench-tolerance",
                places.value(path),
                f"“{written(path)}” has no tolerance that can be read: {why}",
                'Write a value and what it may be off by, as in "10 F ± 20 %".',
            )
        return pieces[0].strip()

    return {key: plain(value, (key,)) for key, value in data.items()}, found


def _may_vary(path: Path) -> bool:
    return path[0] == "parts" or (path[0] == "channels" and path[2:3] == ("leads",))


def _is_tolerance(pieces: Sequence[str], path: Path) -> bool:
    """Whether pieces around a ± are quantities, and no text that has one in it."""
    try:
        return path != ("title",) and all(read(piece) is not None for piece in pieces)
    except UnitError:
        return False


def _tolerance(value: str, off: str) -> Tolerance:
    """A tolerance by its two sides, read as the language reads them. Raises UnitError."""
    centre, half = read(value), read(off)
    width = half.value
    if half.dimension.is_plain and _SHARE.search(off) and not _SHARE.search(value):
        if centre.dimension.point:
            raise UnitError("a share of a temperature in °C means nothing: write it in K")
        width *= abs(centre.value)
    elif half.dimension != (TEMPERATURE if centre.dimension.point else centre.dimension):
        raise UnitError(
            f"“{off.strip()}” is a {half.dimension.name}, "
            f"and that is no tolerance of a {centre.dimension.name}"
        )
    if not width > 0:
        raise UnitError("it must be above 0")
    low, high = centre.value - width, centre.value + width
    return Tolerance(centre.value, low, high, centre.dimension)


def judge_ends(
    tolerances: Mapping[Path, Tolerance],
    data: Mapping[str, Any],
    validate_entry: Callable[[Mapping[str, Any], Path, Problems, Places], object],
    problems: Problems,
    places: Places,
) -> None:
    """Tell the tolerances that would take a parameter out of what its part accepts.

    `validate_entry` tells what is wrong with the entry of the tables that a path leads into.
    """
    for path, tolerance in tolerances.items():
        for end in (tolerance.low, tolerance.high):
            there = Problems(problems.source, fault="bench")
            varied = put(data, {path: Quantity(end, tolerance.dimension)})
            validate_entry(varied, path, there, places)
            if there.has_errors:
                problems.error(
                    "bench-tolerance",
                    places.value(path),
                    f"“{written(path)}” may be {quantity_written(end, tolerance.dimension)} by its "
                    f"tolerance, and that can't be: {next(iter(there)).message}",
                    "Make the tolerance smaller.",
                )
                break


def put(data: Mapping[str, Any], values: Mapping[Path, Any]) -> dict[str, Any]:
    """Tables with other values at some paths; those that are given stay as they are."""
    changed = dict(data)
    for path, value in values.items():
        inner: Any = changed
        for step in path[:-1]:
            inner[step] = inner[step].copy()
            inner = inner[step]
        inner[path[-1]] = value
    return changed
