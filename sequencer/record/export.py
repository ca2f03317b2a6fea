"""A run or one of its traces as a CSV file that a spreadsheet opens.

Form: RFC 4180, with a byte-order mark, without which a common spreadsheet takes "°" and "Ω" for
something else. The head is made of lines of one cell each that begin with "#", so that no text of a
recipe is ever taken for a formula; the first says where the table begins. Numbers are written with
a point and as many digits as it takes to read the same number back. The file is written a block at
a time, whatever its length, and appears under its name only when it is whole.
"""

from __future__ import annotations

import csv
import heapq
import json
import os
from array import array
from collections.abc import Iterable, Iterator, Mapping
from contextlib import suppress
from operator import itemgetter, mul
from pathlib import Path
from typing import TextIO

from sequencer.record.failures import StoreError
from sequencer.record.reader import Columns, Run
from sequencer.record.rows import (
    QUANTITIES,
    Stream,
    capture_stream,
    extra_stream,
)

_SIGNS = "current and power are positive into the part"
_VALUES = "SI units; inf is a reading past its range; an empty cell has no value"


def to_csv(run: Run, path: str | Path, trace: str | None = None) -> None:
    """Write all readings of a run, or one trace, to a CSV file; a file of that name is replaced.

    All readings: a row each in the order of time, with the columns of every channel, those of the
    others empty. A trace: its rows, with its further columns. Raises StoreError.
    """
    if trace is None:
        header, lines = _all_readings(run)
    else:
        header, lines = _trace(run, trace)
    # A link stays a link to what it names, and a device or a pipe is never replaced by a file.
    place = Path(path).resolve()
    if place.exists() and not place.is_file():
        what = "a folder" if place.is_dir() else "no plain file"
        raise StoreError(f"{path} can't be written: it is {what}", "name another file")
    part = place.with_name(place.name + ".part")
    try:
        try:
            with part.open("w", encoding="utf-8-sig", newline="") as file:
                _write(file, _head(run, trace), header, lines)
            os.replace(part, place)
        except BaseException:
            with suppress(OSError):
                part.unlink()
            raise
    except OSError as error:
        raise StoreError(
            f"{path} can't be written: {error.strerror}", "name another file, or make room there"
        ) from error


def _write(file: TextIO, head: list[str], header: list[str], lines: Iterable[str]) -> None:
    writer = csv.writer(file)
    begins = len(head) + 2
    for line in (f"record of a run; the table begins on line {begins}", *head):
        writer.writerow(["# " + " ".join(line.split())])
    writer.writerow(header)
    file.writelines(f"{line}\r\n" for line in lines)


def _head(run: Run, trace: str | None) -> list[str]:
    meta = run.meta
    lines = [
        f"title: {meta.title}",
        f"run: {meta.id} ({meta.mode}), started {meta.started}",
        f"outcome: {meta.outcome or 'still running'} {meta.reason}",
        f"recipe: {meta.recipe_name}, SHA-256 {meta.recipe_sha256}",
    ]
    if meta.mode == "dry run":
        lines.append(f"simulation: seed {meta.seed}, {'ideal' if meta.ideal else 'with noise'}")
    if trace is not None:
        lines.append(f"trace: {trace}")
    for what, values in (("setting", meta.settings), ("condition", meta.conditions)):
        lines += [f"{what}: {name} = {_plain(value)}" for name, value in values.items()]
    for channel, identity in meta.identities.items():
        lines.append(f"instrument: {channel} is {_plain(identity)}")
    return [*lines, f"sign: {_SIGNS}", f"values: {_VALUES}"]


def _plain(value: object) -> str:
    return value if isinstance(value, str) else json.dumps(value, ensure_ascii=False)


def _all_readings(run: Run) -> tuple[list[str], Iterator[str]]:
    streams = [stream for name, stream in run.streams().items() if ":" not in name]
    names = {float(row.number): name for name, row in run.traces().items()}
    header = ["time (s)", "trace", "line of the recipe"]
    widths = []
    for stream in streams:
        own = _header(stream.name, stream.quantities)
        header += own
        widths.append(len(own))

    def lines(index: int) -> Iterator[tuple[float, str]]:
        before, after = "," * sum(widths[:index]), "," * sum(widths[index + 1 :])
        for time, trace, step, cells in _readings(run, streams[index]):
            place = f"{time!r},{names.get(trace, '')},{step:.0f}"
            yield time, f"{place},{before}{cells}{after}"

    merged = heapq.merge(*(lines(k) for k in range(len(streams))), key=itemgetter(0))
    return header, (line for _, line in merged)


def _trace(run: Run, name: str) -> tuple[list[str], Iterator[str]]:
    found = run.trace_row(name)
    streams = run.streams()
    header = ["time (s)"]
    header += [f"{key} ({unit})" if unit else key for key, unit in found.extra.items()]
    samples = streams.get(capture_stream(name))
    if samples is not None:
        header += _header(found.channels[0], QUANTITIES)
        return header, _samples(run, samples, tuple(found.extra))
    parts: list[Iterator[tuple[float, str]]] = []
    for channel in found.channels:
        stream = streams.get(channel)
        header += _header(channel, stream.quantities if stream is not None else QUANTITIES)
        parts.append(_of_trace(run, stream, found.number))
    if not found.extra:
        return header, (f"{row[0][0]!r},{_joined(row)}" for row in zip(*parts, strict=False))
    further = _further(run, streams.get(extra_stream(name)), tuple(found.extra))
    rows = zip(*parts, further, strict=False)
    return header, (f"{row[0][0]!r},{row[-1][1]},{_joined(row[:-1])}" for row in rows)


def _samples(run: Run, stream: Stream, further: tuple[str, ...]) -> Iterator[str]:
    """The samples of a trace's captures, with its further columns."""
    for time, *block in run.blocks(stream, ("time", *QUANTITIES, *further)):
        quantities, extra = block[: len(QUANTITIES)], block[len(QUANTITIES) :]
        power = array("d", map(mul, quantities[0], quantities[1]))
        for moment, cells in zip(time, _cells([*extra, *quantities, power]), strict=True):
            yield f"{moment!r},{cells}"


def _joined(row: tuple[tuple[float, str], ...]) -> str:
    return ",".join([cells for _, cells in row])


def _of_trace(run: Run, stream: Stream | None, number: int) -> Iterator[tuple[float, str]]:
    for time, trace, _, cells in _readings(run, stream) if stream else ():
        if trace == number:
            yield time, cells


def _further(
    run: Run, stream: Stream | None, names: tuple[str, ...]
) -> Iterator[tuple[float, str]]:
    for time, *columns in run.blocks(stream, ("time", *names)) if stream else ():
        yield from zip(time, _cells(columns), strict=True)


def _header(channel: str, quantities: Mapping[str, str]) -> list[str]:
    units = {**quantities, "power": "W"}
    return [f"{channel}.{name} ({unit})" if unit else f"{channel}.{name}"
            for name, unit in units.items()]  # fmt: skip


def _readings(run: Run, stream: Stream) -> Iterator[tuple[float, float, float, str]]:
    """Of each reading of a channel its time, trace, line and the cells of its quantities."""
    for block in run.blocks(stream, ("time", "trace", "step", *stream.quantities)):
        time, trace, step, *quantities = block
        power = array("d", map(mul, quantities[0], quantities[1]))
        yield from zip(time, trace, step, _cells([*quantities, power]), strict=True)


def _cells(columns: Columns) -> Iterator[str]:
    texts = [["" if value != value else repr(value) for value in column] for column in columns]
    return map(",".join, zip(*texts, strict=True))
