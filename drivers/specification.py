"""What an instrument can do, as data: read from TOML, used by checker, runner and simulator alike.

Figures are kept in SI. Accuracy is a fraction of the value plus an absolute part, a limit
(rectangular) unless a coverage factor is stated. The module knows no recipe and opens no link.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from importlib import resources
from pathlib import Path
from typing import Literal

from pydantic import Field, model_validator

from drivers.fields import Amperes, Data, Hertz, Ohms, Ratio, Seconds, Volts
from drivers.located import Path as KeyPath
from drivers.located import Places, parse_toml, suggestion, validate
from grammar.diagnostic import NOWHERE, Problems, Source
from grammar.quantity import CURRENT, FREQUENCY, TIME, VOLTAGE, write


class VoltageAccuracy(Data):
    """Largest error of a voltage: of the value, plus an absolute part (V)."""

    of_value: Ratio = Field(ge=0)
    plus: Volts = Field(ge=0)


class CurrentAccuracy(Data):
    """Largest error of a current: of the value, plus an absolute part (A)."""

    of_value: Ratio = Field(ge=0)
    plus: Amperes = Field(ge=0)


class VoltageRange(Data):
    """One voltage range; noise is the standard deviation of a reading of one power line cycle."""

    full_scale: Volts = Field(gt=0)
    resolution: Volts = Field(ge=0)
    noise: Volts = Field(ge=0)
    source: VoltageAccuracy
    measure: VoltageAccuracy


class CurrentRange(Data):
    """One current range; noise is the standard deviation of a reading of one power line cycle."""

    full_scale: Amperes = Field(gt=0)
    resolution: Amperes = Field(ge=0)
    noise: Amperes = Field(ge=0)
    source: CurrentAccuracy
    measure: CurrentAccuracy


class Rectangle(Data):
    """One rectangle of the continuous envelope, about zero: up to these magnitudes.

    `source` is the quadrants where power goes out of the instrument, `sink` where it comes back.
    """

    voltage: Volts = Field(gt=0)
    current: Amperes = Field(gt=0)
    direction: Literal["source", "sink", "both"] = "both"

    def holds(self, voltage: float, current: float, direction: str) -> bool:
        """Whether it holds these magnitudes (V, A); direction "source" or "sink"."""
        return (
            self.direction in (direction, "both")
            and voltage <= self.voltage
            and current <= self.current
        )


class PulsedRectangle(Rectangle):
    """One rectangle of the pulsed envelope: what may be reached for short, and how often.

    A pulse lasts `longest_width` at most. From its beginning to that of the next one at least
    width / `largest_duty` goes by. After `most_in_a_row` pulses there is a rest of `shortest_rest`
    at least, and any rest as long begins a new row: left out, it is one between any two pulses.
    Pulses inside the continuous envelope count for none of this.
    """

    longest_width: Seconds = Field(gt=0, examples=["5 ms"])
    largest_duty: Ratio = Field(gt=0, le=1, examples=["5 %"])
    shortest_rest: Seconds = Field(default=0.0, ge=0)
    most_in_a_row: int = Field(default=1, ge=1)

    def excess(self, width_s: float, period_s: float = math.inf, in_a_row: int = 1) -> str:
        """What of a train of so many equal pulses is beyond it, in words; empty where nothing is.

        `period_s` lies between the beginnings of two pulses.
        """
        return self.too_long(width_s) or self.too_often(width_s, period_s, in_a_row)

    def too_long(self, width_s: float) -> str:
        """As `excess`, of the width alone."""
        # The shaved parts keep what equals its bound in decimal within it.
        if width_s <= self.longest_width * (1 + 1e-9):
            return ""
        return (
            f"a pulse of {write(width_s, TIME)} is longer than the "
            f"{write(self.longest_width, TIME)} that it bears"
        )

    def too_often(self, width_s: float, period_s: float, in_a_row: int) -> str:
        """As `excess`, of the pauses between pulses alone."""
        if width_s > self.largest_duty * period_s * (1 + 1e-9):
            return (
                f"{write(width_s, TIME)} in every {write(period_s, TIME)} is a duty of "
                f"{100 * width_s / period_s:.3g} %, more than the {100 * self.largest_duty:.3g} % "
                "that it bears"
            )
        rest_s = period_s - width_s
        if in_a_row > self.most_in_a_row and rest_s < self.shortest_rest * (1 - 1e-9):
            after = "each" if self.most_in_a_row == 1 else f"{self.most_in_a_row} in a row"
            return (
                f"{in_a_row} pulses in a row with rests of {write(max(rest_s, 0.0), TIME)} are "
                f"more than it bears: after {after} it needs {write(self.shortest_rest, TIME)}"
            )
        return ""


class Overshoot(Data):
    """How far each limit is passed before it responds."""

    voltage: Volts = Field(default=0.0, ge=0)
    current: Amperes = Field(default=0.0, ge=0)


Capability = Literal[
    "source",
    "sink",
    "measure",
    "measure voltage",
    "measure current",
    "remote sense",
    "measure open",
    "pulse",
    "capture",
    "two-sided limit",
    "mode change under power",
]


class Specification(Data):
    """An instrument's figures.

    `continuous` is what it bears for ever, `pulsed` what it bears in pulses besides.
    `fastest_sampling` and `memory_samples` bound a capture: samples a second, samples of it.

    `simulated_identity` is the maker and model that its simulation answers with; `over_range` is
    how far past a full scale a reading still holds, as a fraction of it; `coverage_factor` is that
    of the stated accuracies, none where they are limits.
    """

    title: str
    figures_from: str
    simulated_identity: str = Field(default="RIDGE,DEMO", pattern=r"^[^,;\s]+,[^,;\s]+$")
    capabilities: tuple[Capability, ...]
    off_state: Literal["open", "zero volts"] = "open"
    reset_state: Literal["open", "zero volts"] = "open"
    power_on_state: Literal["open", "zero volts", "last"] = "open"
    measures: Literal["simultaneous", "sequential"] = "simultaneous"
    switching_time: Seconds = Field(ge=0)
    limit_response: Seconds = Field(default=0.0, ge=0)
    overshoot: Overshoot = Overshoot()
    shortest_aperture: Seconds = Field(gt=0)
    longest_aperture: Seconds = Field(gt=0)
    over_range: Ratio = Field(default=0.0, ge=0)
    coverage_factor: float | None = Field(default=None, gt=0)
    output_resistance: Ohms = Field(default=0.0, ge=0)
    fastest_sampling: Hertz | None = Field(default=None, gt=0)
    memory_samples: int | None = Field(default=None, gt=0)
    continuous: tuple[Rectangle, ...] = Field(min_length=1)
    pulsed: tuple[PulsedRectangle, ...] = ()
    voltage_ranges: tuple[VoltageRange, ...] = Field(min_length=1)
    current_ranges: tuple[CurrentRange, ...] = Field(min_length=1)

    @model_validator(mode="after")
    def _ranges_ascend(self) -> Specification:
        for name in ("voltage_ranges", "current_ranges"):
            scales = [r.full_scale for r in getattr(self, name)]
            if scales != sorted(set(scales)):
                raise ValueError(
                    f"has {name} that don't ascend: the smallest full scale first, each once"
                )
        if self.shortest_aperture > self.longest_aperture:
            raise ValueError("has a shortest_aperture that is longer than its longest_aperture")
        return self

    def can(self, capability: str) -> bool:
        """Whether the instrument has a capability; "measure" covers its two quantities."""
        if capability in ("measure voltage", "measure current") and "measure" in self.capabilities:
            return True
        return capability in self.capabilities

    def voltage_range(self, magnitude: float) -> VoltageRange | None:
        """The smallest voltage range that holds a magnitude (V), None where none does."""
        return next((r for r in self.voltage_ranges if r.full_scale >= magnitude), None)

    def current_range(self, magnitude: float) -> CurrentRange | None:
        """The smallest current range that holds a magnitude (A), None where none does."""
        return next((r for r in self.current_ranges if r.full_scale >= magnitude), None)

    def holds(self, voltage: float, current: float, direction: str) -> bool:
        """Whether the continuous envelope holds these magnitudes; direction "source" or "sink"."""
        return any(r.holds(voltage, current, direction) for r in self.continuous)

    @property
    def fastest_sampling_hz(self) -> float | None:
        """The most samples a second of a capture (Hz), None where it makes none."""
        return self.fastest_sampling

    @property
    def largest_voltage(self) -> float:
        """The largest voltage of the continuous envelope (V)."""
        return max(r.voltage for r in self.continuous)

    @property
    def largest_current(self) -> float:
        """The largest current of the continuous envelope (A)."""
        return max(r.current for r in self.continuous)


def reading_noise(noise_at_one_cycle: float, aperture_s: float, line_frequency: float) -> float:
    """Standard deviation of a reading over an aperture, white noise: ∝ 1/√aperture."""
    return noise_at_one_cycle / math.sqrt(aperture_s * line_frequency)


def shipped_specifications() -> list[str]:
    """The names of the specifications that ship with the program, in alphabetical order."""
    folder = resources.files("drivers") / "specifications"
    return sorted(f.name[:-5] for f in folder.iterdir() if f.name.endswith(".toml"))


def load_specification(
    name: str, beside: Path | None = None
) -> tuple[Specification | None, Problems]:
    """A shipped specification by its name, or one from a path (relative to the folder `beside`).

    Returns None with the problems where it can't be read; each is located in its own file.
    """
    if name in shipped_specifications():
        file = resources.files("drivers") / "specifications" / f"{name}.toml"
        return read_specification(Source(f"{name}.toml", file.read_text("utf-8")))
    path = (beside or Path()) / name
    try:
        text = path.read_text("utf-8")
    except (OSError, ValueError):
        problems = Problems(Source(name, ""), fault="bench")
        problems.error(
            "specification-file",
            NOWHERE,
            f"there is no specification “{name}”, neither shipped nor as a text file at {path}",
            suggestion(name, shipped_specifications()),
        )
        return None, problems
    return read_specification(Source(str(path), text))


def read_specification(source: Source) -> tuple[Specification | None, Problems]:
    """A specification from its TOML text, with the problems found in it."""
    problems = Problems(source, fault="bench")
    data = parse_toml(problems, "specification")
    if data is None:
        return None, problems
    places = Places(source.text)
    specification = validate(Specification, data, problems, places, "specification")
    if specification is not None:
        for path, words in _contradictions(specification):
            problems.error("specification-value", places.value(path), words)
    return (None if problems.has_errors else specification), problems


def _contradictions(specification: Specification) -> Iterator[tuple[KeyPath, str]]:
    """Figures that are possible each for itself, and not together: where they stand, and why."""
    yield from _of_envelopes(specification)
    for number, capability in enumerate(specification.capabilities):
        path: KeyPath = ("capabilities", number)
        says = f"“capabilities[{number}]” says “{capability}”"
        if capability in ("source", "sink"):
            if not any(r.direction in (capability, "both") for r in specification.continuous):
                yield path, f"{says}, and none of “continuous” is a rectangle to {capability} in"
        elif capability == "capture":
            for key in ("fastest_sampling", "memory_samples"):
                if getattr(specification, key) is None:
                    yield path, f"{says}, and there is no “{key}”"
    for key, capability in (
        ("pulsed", "pulse"),
        ("fastest_sampling", "capture"),
        ("memory_samples", "capture"),
    ):
        if getattr(specification, key) and not specification.can(capability):
            yield (key,), f"“{key}” is stated, and “capabilities” doesn't say “{capability}”"
    fastest = specification.fastest_sampling
    # The shaved part: 2.5 us is 1/400 kHz in decimal, not in binary.
    if fastest is not None and fastest * specification.shortest_aperture > 1 + 1e-9:
        yield (
            ("fastest_sampling",),
            (
                f"“fastest_sampling” of {write(fastest, FREQUENCY)} leaves a sample "
                f"{write(1 / fastest, TIME)}, and the shortest aperture is "
                f"{write(specification.shortest_aperture, TIME)}"
            ),
        )


def _of_envelopes(specification: Specification) -> Iterator[tuple[KeyPath, str]]:
    """Rectangles beyond every range, and pulsed ones that add nothing."""
    largest = {
        "voltage": (VOLTAGE, specification.voltage_ranges[-1].full_scale),
        "current": (CURRENT, specification.current_ranges[-1].full_scale),
    }
    for key in ("continuous", "pulsed"):
        for number, rectangle in enumerate(getattr(specification, key)):
            for quantity, (dimension, most) in largest.items():
                value = getattr(rectangle, quantity)
                if value > most:
                    yield (
                        (key, number, quantity),
                        (
                            f"“{key}[{number}].{quantity}” is {write(value, dimension)}, and the "
                            f"largest {quantity} range holds {write(most, dimension)}"
                        ),
                    )
    for number, rectangle in enumerate(specification.pulsed):
        ways = ("source", "sink") if rectangle.direction == "both" else (rectangle.direction,)
        if all(specification.holds(rectangle.voltage, rectangle.current, way) for way in ways):
            yield (
                ("pulsed", number),
                (f"“pulsed[{number}]” lies inside the continuous envelope, and so bounds nothing"),
            )
