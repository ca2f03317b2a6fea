"""The figures that a specification is made of: accuracies, ranges, rectangles, noise.

Figures are kept in SI. The module knows no instrument as a whole.
"""

from __future__ import annotations

import math
from typing import Literal

from pydantic import Field

from drivers.fields import (
    Amperes,
    AmperesPerSecond,
    Data,
    Hertz,
    Kelvins,
    KelvinsDifference,
    KelvinsPerWatt,
    PerKelvin,
    Ratio,
    Seconds,
    Volts,
    VoltsPerSecond,
)
from grammar.quantity import TIME, write


class VoltageAccuracy(Data):
    """Largest error of a voltage: of the value, plus an absolute part (V)."""

    of_value: Ratio = Field(ge=0)
    plus: Volts = Field(ge=0)


class CurrentAccuracy(Data):
    """Largest error of a current: of the value, plus an absolute part (A)."""

    of_value: Ratio = Field(ge=0)
    plus: Amperes = Field(ge=0)


class VoltageRange(Data):
    """One voltage range.

    `noise` is the standard deviation of a reading of one power line cycle, white; below
    `noise_corner` its density rises as 1/f. `line_pick_up` is the amplitude of what it picks up at
    line frequency by itself, which averages out over whole cycles.
    """

    full_scale: Volts = Field(gt=0)
    resolution: Volts = Field(ge=0)
    noise: Volts = Field(ge=0)
    noise_corner: Hertz = Field(default=0.0, ge=0, le=100)
    line_pick_up: Volts = Field(default=0.0, ge=0)
    source: VoltageAccuracy
    measure: VoltageAccuracy


class CurrentRange(Data):
    """One current range.

    `noise` is the standard deviation of a reading of one power line cycle, white; below
    `noise_corner` its density rises as 1/f. `line_pick_up` is the amplitude of what it picks up at
    line frequency by itself, which averages out over whole cycles.
    """

    full_scale: Amperes = Field(gt=0)
    resolution: Amperes = Field(ge=0)
    noise: Amperes = Field(ge=0)
    noise_corner: Hertz = Field(default=0.0, ge=0, le=100)
    line_pick_up: Amperes = Field(default=0.0, ge=0)
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


class Slew(Data):
    """How fast a level moves (V/s and A/s); at once where it is left out."""

    voltage: VoltsPerSecond | None = Field(default=None, gt=0, examples=["0.5 V/us"])
    current: AmperesPerSecond | None = Field(default=None, gt=0, examples=["2 A/us"])


class TurnOn(Data):
    """How far a voltage level is passed as the output closes, and within what time it is there."""

    voltage: Volts = Field(gt=0, examples=["5 mV"])
    time: Seconds = Field(gt=0, examples=["100 us"])


class RangeSettling(Data):
    """What a change of the measuring range takes.

    A reading waits for `wait` after it, and one in which the range has followed the part is taken
    anew. Then it is still off by `error`, a fraction of the full scale, less by e every `decay`.
    """

    wait: Seconds = Field(ge=0)
    error: Ratio = Field(default=0.0, ge=0, le=1)
    decay: Seconds = Field(default=0.0, ge=0)


class WarmUp(Data):
    """How much larger the errors of a reading are while the instrument is cold.

    At power-on they are `factor` times what is stated; of the excess e^-5 (0.7 %) is left after
    `time`.
    """

    time: Seconds = Field(gt=0)
    factor: Ratio = Field(gt=1)


class Surroundings(Data):
    """At which temperatures the accuracies hold: within so much of that of the calibration.

    Beyond it, the errors of a reading grow by `coefficient`, a fraction of themselves a kelvin.
    """

    calibrated_at: Kelvins = Field(gt=0)
    holds_within: KelvinsDifference = Field(ge=0)
    coefficient: PerKelvin = Field(ge=0)


class OverTemperature(Data):
    """How warm the heat sink of an output gets that takes power, and at what `limit` it drops.

    For each watt taken it is `rise` warmer than the air, to within 37 % after `time_constant`.
    """

    limit: Kelvins = Field(gt=0)
    rise: KelvinsPerWatt = Field(gt=0)
    time_constant: Seconds = Field(gt=0)


class Protections(Data):
    """At what the output drops by itself: magnitudes at its terminals, the warmth of its heat sink.

    What is left out it doesn't have.
    """

    over_voltage: Volts | None = Field(default=None, gt=0)
    over_current: Amperes | None = Field(default=None, gt=0)
    over_temperature: OverTemperature | None = None


def reading_noise(noise_at_one_cycle: float, aperture_s: float, line_frequency: float) -> float:
    """Standard deviation of a reading over an aperture, white noise: ∝ 1/√aperture."""
    return noise_at_one_cycle / math.sqrt(aperture_s * line_frequency)


def drift_per_octave(white: float, corner_hz: float, line_frequency: float) -> float:
    """The standard deviation of each octave of a drift (1/f) as strong as white noise at a corner.

    `white` is that of a mean over one line cycle, so that its one-sided density is
    2·white²/line frequency; at the corner the drift's is the same, and ln 2 of 1/f an octave.
    """
    return white * math.sqrt(2 * math.log(2) * corner_hz / line_frequency)


SLOWEST_DRIFT_S = 2.0**21
"""What is slower than this, about a month, is an offset to every run."""


def drift_octaves(corner_hz: float) -> int:
    """How many octaves of a drift there are, from above its corner down to the slowest."""
    return max(1, math.ceil(math.log2(16 * corner_hz * SLOWEST_DRIFT_S))) if corner_hz else 0


def averaged_line(aperture_s: float, line_frequency: float) -> float:
    """What is left of a sine at line frequency after averaging; exactly 0 over whole cycles."""
    cycles = aperture_s * line_frequency
    if cycles > 0.5 and abs(cycles - round(cycles)) < 1e-9 * cycles:
        return 0.0
    return math.sin(math.pi * cycles) / (math.pi * cycles)
