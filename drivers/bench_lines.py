"""The digital lines of a bench file: which line of which box each is, and what hangs on it.

A line carries logic, not a load. What an output `drives` (the driver in between, or another input)
and what an input is `driven_by` can be stated, and is held against the box's levels.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Literal

from pydantic import Field, field_validator, model_validator

from drivers.digital_box import DigitalBox
from drivers.fields import Amperes, Data, Seconds, Volts
from drivers.located import Path, Places, suggestion
from grammar.diagnostic import Problems
from grammar.quantity import CURRENT, VOLTAGE, write


class LineState(Data):
    """From when on a line has which state; `at` counts from the bench's start (s)."""

    at: Seconds = Field(ge=0, examples=["0 s"])
    state: Literal["high", "low"] = Field(examples=["high"])


class Driven(Data):
    """What an output drives: it takes up to `low` (V) for low, from `high` on for high.

    It draws `current` (A) meanwhile.
    """

    low: Volts = Field(ge=0, examples=["0.8 V"])
    high: Volts = Field(gt=0, examples=["2 V"])
    current: Amperes = Field(ge=0, examples=["2 mA"])


class Driving(Data):
    """What drives an input: it gives `low` (V) at most when low, and `high` when high."""

    low: Volts = Field(examples=["0.2 V"])
    high: Volts = Field(examples=["5 V"])


class LineEntry(Data):
    """A digital line as the bench file has it.

    `specification` names that of its box; `resource`, `library` and `dialect` are as for a channel,
    `line` is the line's number there. `simulated` is what an input sees in a dry run; an output has
    none.
    """

    specification: str | None = Field(default=None, min_length=1)
    resource: str | None = Field(default=None, min_length=1)
    library: str | None = Field(default=None, min_length=1)
    dialect: str | None = Field(default=None, min_length=1)
    line: int | None = Field(default=None, ge=0, le=65535)
    drives: Driven | None = None
    driven_by: Driving | None = None
    simulated: tuple[LineState, ...] = Field(default=(), max_length=10_000)

    @field_validator("simulated")
    @classmethod
    def _runs_from_the_start(cls, value: tuple[LineState, ...]) -> tuple[LineState, ...]:
        times = [state.at for state in value]
        if times and times[0] != 0:
            raise ValueError('doesn\'t say how the line is at first: begin with { at = "0 s", … }')
        if times != sorted(set(times)):
            raise ValueError("has times that don't rise: the earliest state first, each time once")
        return value

    @model_validator(mode="after")
    def _goes_one_way(self) -> LineEntry:
        if self.drives is not None and (self.driven_by is not None or self.simulated):
            raise ValueError(
                "drives something and is driven from outside (“driven_by”, “simulated”): a line "
                "does one or the other"
            )
        if self.specification is not None and self.line is None:
            raise ValueError("has a specification and no “line”: write its number there, line = 0")
        return self


def judge_box(
    name: str, entry: LineEntry, box: DigitalBox, problems: Problems, places: Places
) -> None:
    """What a line is used for is what its box can do there."""
    path: Path = ("digital", name)
    number = entry.line
    if number not in box.lines:
        problems.error(
            "bench-line",
            places.value((*path, "line")),
            f"there is no line {number} on this box ({box.title})",
            f"It has {_numbers(box.lines)}.",
        )
        return
    if entry.drives is not None:
        _judge_output(entry.drives, box, number, (*path, "drives"), problems, places)
    for key in ("driven_by", "simulated"):
        if getattr(entry, key) and number not in box.inputs:
            problems.error(
                "bench-line",
                places.value((*path, key)),
                f"line {number} of this box ({box.title}) can't be an input",
                f"Its inputs are {_numbers(box.inputs)}." if box.inputs else "It has none.",
            )
            return
    if entry.driven_by is not None:
        _judge_input(entry.driven_by, box, (*path, "driven_by"), problems, places)


def _judge_output(
    driven: Driven, box: DigitalBox, number: int, path: Path, problems: Problems, places: Places
) -> None:
    gives = box.output
    if number not in box.outputs or gives is None:
        problems.error(
            "bench-line",
            places.value(path),
            f"line {number} of this box ({box.title}) can't be an output",
            f"Its outputs are {_numbers(box.outputs)}." if box.outputs else "It has none.",
        )
        return
    if driven.current > gives.most_current:
        problems.error(
            "bench-line",
            places.value((*path, "current")),
            f"what hangs on it draws {write(driven.current, CURRENT)}, and the box ({box.title}) "
            f"gives {write(gives.most_current, CURRENT)} at most",
            "A digital line drives logic, not a load: put a driver in between, and state what "
            "that draws.",
        )
    if gives.high < driven.high or gives.low > driven.low:
        problems.error(
            "bench-line",
            places.value(path),
            f"what hangs on it takes up to {write(driven.low, VOLTAGE)} for low and from "
            f"{write(driven.high, VOLTAGE)} on for high, and the box ({box.title}) gives "
            f"{write(gives.low, VOLTAGE)} and {write(gives.high, VOLTAGE)}",
            "Put a level shifter in between.",
        )


def _judge_input(
    driving: Driving, box: DigitalBox, path: Path, problems: Problems, places: Places
) -> None:
    takes = box.input
    assert takes is not None  # a box with inputs states their levels
    if driving.high > takes.bears or driving.low < 0:
        beyond = write(driving.low if driving.low < 0 else driving.high, VOLTAGE)
        problems.error(
            "bench-line",
            places.value(path),
            f"this gives {beyond}, and an input of the box ({box.title}) bears 0 V to "
            f"{write(takes.bears, VOLTAGE)}",
            "Put a divider or an isolator in between.",
        )
    elif driving.high < takes.high or driving.low > takes.low:
        problems.error(
            "bench-line",
            places.value(path),
            f"this gives {write(driving.low, VOLTAGE)} and {write(driving.high, VOLTAGE)}, and an "
            f"input of the box ({box.title}) takes up to {write(takes.low, VOLTAGE)} for low and "
            f"from {write(takes.high, VOLTAGE)} on for high",
            "Put a level shifter in between.",
        )


def judge_shared(entries: Mapping[str, LineEntry], problems: Problems, places: Places) -> None:
    """A line of a box that can be told from others is one line of the bench."""
    taken: dict[tuple[str, int], str] = {}
    for name, entry in entries.items():
        if entry.resource is None or entry.line is None:
            continue
        first = taken.setdefault((entry.resource, entry.line), name)
        if first != name:
            problems.error(
                "bench-shared",
                places.value(("digital", name, "line")),
                f"line {entry.line} of {entry.resource} is “{first}” already",
                "Give each its own line, or use one name for both.",
            )


def judge_felt(
    felt: Mapping[str, Mapping[str, str]],
    entries: Mapping[str, LineEntry | None],
    problems: Problems,
    places: Places,
) -> None:
    """The lines that parts feel are lines of this bench that it drives.

    `felt` has, by part and by the key that says so, the name of the line.
    """
    for part, lines in felt.items():
        for key, line in lines.items():
            place = places.value(("parts", part, key, "line"))
            if line not in entries:
                problems.error(
                    "bench-part",
                    place,
                    f"“{part}” hangs on a digital line “{line}”, and there is none on this bench",
                    suggestion(line, list(entries)) or f"Describe it under [digital.{line}].",
                )
                continue
            entry = entries[line]
            if entry is not None and (entry.simulated or entry.driven_by is not None):
                problems.error(
                    "bench-part",
                    place,
                    f"“{part}” hangs on the digital line “{line}”, which is an input here",
                    "Take an output: a line that nothing drives from outside.",
                )


def _numbers(lines: Iterable[int]) -> str:
    return ", ".join(map(str, lines))
