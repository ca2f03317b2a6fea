"""What an instrument can do, as data: read from TOML, used by checker, runner and simulator alike.

Figures are kept in SI. Accuracy is a fraction of the value plus an absolute part, a limit
(rectangular) unless a coverage factor is stated. The module knows no recipe and opens no link.
"""

from __future__ import annotations

import math
from importlib import resources
from pathlib import Path
from typing import Literal

from pydantic import Field, model_validator

from drivers.contradictions import contradictions
from drivers.fields import Amperes, Data, Hertz, Ohms, Ratio, Seconds, Volts
from drivers.figures import (
    CurrentRange,
    Overshoot,
    Protections,
    PulsedRectangle,
    RangeSettling,
    Rectangle,
    Slew,
    Surroundings,
    TurnOn,
    VoltageRange,
    WarmUp,
    averaged_line,
    drift_octaves,
    drift_per_octave,
    reading_noise,
)
from drivers.located import Places, parse_toml, suggestion, validate
from grammar.diagnostic import NOWHERE, Problems, Source

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

    What stands at the terminals with the output off is `off_state`, after a reset `reset_state`,
    after power-on `power_on_state`; "open" is a relay with `off_leakage_resistance` across it, none
    where left out. `measures = "sequential"` takes the voltage first, and the current `skew` after
    it. An instrument with `source_value = "programmed"` reports the level in place of the forced
    quantity. A level moves at its `slew` rate; meanwhile limits give way by their `overshoot`, and
    afterwards they are there within `limit_response`. `turn_on` is what the closing output adds.
    More than `largest_outside_voltage` from the part damages it. `stray_current` and
    `stray_pick_up` (the amplitude at line frequency) come into its leads from around: a reading of
    the part's current may be off by them.
    """

    title: str
    figures_from: str
    simulated_identity: str = Field(default="RIDGE,DEMO", pattern=r"^[^,;\s]+,[^,;\s]+$")
    capabilities: tuple[Capability, ...]
    off_state: Literal["open", "zero volts"] = "open"
    reset_state: Literal["open", "zero volts"] = "open"
    power_on_state: Literal["open", "zero volts", "last"] = "open"
    off_leakage_resistance: Ohms | None = Field(default=None, gt=0)
    measures: Literal["simultaneous", "sequential"] = "simultaneous"
    skew: Seconds = Field(default=0.0, ge=0)
    source_value: Literal["measured", "programmed"] = "measured"
    range_settling: RangeSettling | None = None
    warm_up: WarmUp | None = None
    temperature: Surroundings | None = None
    protections: Protections = Protections()
    largest_outside_voltage: Volts | None = Field(default=None, gt=0)
    stray_current: Amperes = Field(default=0.0, ge=0)
    stray_pick_up: Amperes = Field(default=0.0, ge=0)
    switching_time: Seconds = Field(ge=0)
    limit_response: Seconds = Field(default=0.0, ge=0)
    overshoot: Overshoot = Overshoot()
    slew: Slew = Slew()
    turn_on: TurnOn | None = None
    shortest_aperture: Seconds = Field(gt=0)
    longest_aperture: Seconds = Field(gt=0)
    over_range: Ratio = Field(default=0.0, ge=0)
    coverage_factor: float | None = Field(default=None, gt=0)
    output_resistance: Ohms = Field(default=0.0, ge=0)
    fastest_sampling: Hertz | None = Field(default=None, gt=0)
    memory_samples: int | None = Field(default=None, gt=0)
    continuous: tuple[Rectangle, ...] = ()
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

    # What follows from a specification alone is kept by it and asked for often: it is compared and
    # looked up as itself, not by all that it says.
    __eq__ = object.__eq__
    __hash__ = object.__hash__

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

    def reading_error(
        self, r: VoltageRange | CurrentRange, aperture_s: float, line_frequency: float
    ) -> tuple[float, float]:
        """The largest error of a reading in a range: of its value, and an absolute part (V or A).

        The accuracy, cold; three standard deviations of white noise and drift; the resolution,
        pick-up, what a change of range leaves and what else flows into the leads. Temperatures
        beyond those at which the accuracy holds are the bench's, and not counted.
        """
        cold = 1.0 if self.warm_up is None else self.warm_up.factor
        drift = drift_per_octave(r.noise, r.noise_corner, line_frequency)
        drift *= math.sqrt(drift_octaves(r.noise_corner))
        noise = 3 * math.hypot(reading_noise(r.noise, aperture_s, line_frequency), drift)
        plus = cold * r.measure.plus + noise + r.resolution
        pick_up = r.line_pick_up
        if isinstance(r, CurrentRange):
            plus += self.stray_current
            pick_up += self.stray_pick_up
        plus += pick_up * abs(averaged_line(aperture_s, line_frequency))
        if self.range_settling is not None:
            plus += self.range_settling.error * r.full_scale
        return cold * r.measure.of_value, plus

    @property
    def fastest_sampling_hz(self) -> float | None:
        """The most samples a second of a capture (Hz), None where it makes none."""
        return self.fastest_sampling

    @property
    def largest_voltage(self) -> float:
        """The largest voltage of the continuous envelope (V)."""
        return max((r.voltage for r in self.continuous), default=0.0)

    @property
    def largest_current(self) -> float:
        """The largest current of the continuous envelope (A)."""
        return max((r.current for r in self.continuous), default=0.0)

    @property
    def most_apertures(self) -> int:
        """How many apertures one reading takes at most, one after the other.

        The quantities may be read in turn, and again where the range has followed the part.
        """
        in_turn = 2 if self.measures == "sequential" else 1
        return in_turn if self.range_settling is None else 2 * in_turn

    @property
    def longest_waits_s(self) -> float:
        """The most that one reading takes besides its apertures (s)."""
        if self.range_settling is None:
            return self.skew
        return 2 * (self.skew + self.range_settling.wait)


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
    source, problems = specification_text(name, beside)
    return (None, problems) if source is None else read_specification(source)


def specification_text(name: str, beside: Path | None = None) -> tuple[Source | None, Problems]:
    """The text of a specification of any kind, named as in `load_specification`."""
    if name in shipped_specifications():
        file = resources.files("drivers") / "specifications" / f"{name}.toml"
        source = Source(f"{name}.toml", file.read_text("utf-8"))
        return source, Problems(source, fault="bench")
    path = (beside or Path()) / name
    try:
        source = Source(str(path), path.read_text("utf-8"))
    except (OSError, ValueError):
        problems = Problems(Source(name, ""), fault="bench")
        problems.error(
            "specification-file",
            NOWHERE,
            f"there is no specification “{name}”, neither shipped nor as a text file at {path}",
            suggestion(name, shipped_specifications()),
        )
        return None, problems
    return source, Problems(source, fault="bench")


def read_specification(source: Source) -> tuple[Specification | None, Problems]:
    """A specification from its TOML text, with the problems found in it."""
    problems = Problems(source, fault="bench")
    data = parse_toml(problems, "specification")
    if data is None:
        return None, problems
    places = Places(source.text)
    for key in ("inputs", "outputs"):
        if key in data:
            problems.error(
                "specification-value",
                places.key((key,)),
                "this is the specification of a box of digital lines, and a channel has an "
                "instrument's",
                "Name one, as demo-source-measure.",
            )
            return None, problems
    specification = validate(Specification, data, problems, places, "specification")
    if specification is not None:
        for path, words in contradictions(specification):
            problems.error("specification-value", places.value(path), words)
    return (None if problems.has_errors else specification), problems
