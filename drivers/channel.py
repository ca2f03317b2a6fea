"""The one protocol that every driver meets, and the few values that cross it.

A channel is a pair of terminals with an instrument behind them. It knows volts, amperes and
seconds; it knows no recipe. Sign convention: current and power are positive into the part.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal, NamedTuple, Protocol

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    import numpy as np
    import numpy.typing as npt

    from drivers.specification import Specification

Mode = Literal["voltage", "current"]


class Setpoint(NamedTuple):
    """What a source is programmed to: its mode, its level, and the span of the other quantity.

    In voltage mode `level` is in volts and `low`/`high` bound the current in amperes; in current
    mode the other way round. A symmetric limit L is low = -L, high = L.
    """

    mode: Mode
    level: float
    low: float
    high: float


class Reading(NamedTuple):
    """One reading of one channel, made once and never changed.

    `time` is the middle of the aperture (s, bench clock); `limited` is 1.0 where the limit was in
    control during any part of it, else 0.0; a value past the range is ±inf; the ranges are those
    in force (full scale, V and A).
    """

    time: float
    voltage: float
    current: float
    limited: float
    voltage_range: float
    current_range: float


class Block(NamedTuple):
    """Readings that a channel could take with nothing else happening on the way: as columns.

    They are those of `Reading`; limit flag and ranges are the same for all. `ends_ns` is when each
    is complete, in nanoseconds of the bench clock. None of them leaves anything to be polled.
    """

    time: npt.NDArray[np.float64]
    voltage: npt.NDArray[np.float64]
    current: npt.NDArray[np.float64]
    limited: float
    voltage_range: float
    current_range: float
    ends_ns: npt.NDArray[np.int64]


class Event(NamedTuple):
    """Something that an instrument reports by itself.

    `kind` is one of "limit" (the limit took control), "level" (the level took control again),
    "dropped" (the output went off by itself), "power cycle", "range", "damage" (of the
    instrument), "panel" (a setting was changed by hand); and what only a simulation can tell:
    "destroyed" (the part bore no more), "part" (it gave way as it is made to). `exact` is False
    where the time is only that of the reading that showed it.
    """

    time: float
    kind: str
    text: str
    exact: bool = True


class Acquisition(NamedTuple):
    """How a channel measures. Exactly one of `aperture_s` and `aperture_cycles` is given.

    Ranges are full scales in V and A; the forced quantity's range is the source's, the other the
    meter's. None for a range means that the measuring range follows the reading (autorange).
    """

    voltage_range: float | None
    current_range: float | None
    aperture_s: float | None = None
    aperture_cycles: float | None = 1.0
    average: int = 1
    remote_sense: bool = False


class Pulse(NamedTuple):
    """One timed pulse from the programmed level, in the mode of the programmed setpoint.

    For `width_s` the source is at `level` with the pulse's own limit (`low` to `high`, of the other
    quantity); then it is back at the programmed level and limit.
    """

    level: float
    low: float
    high: float
    width_s: float


class Trigger(NamedTuple):
    """When a capture's record is taken: where a quantity passes a threshold (V or A).

    Passing is getting from one side to the other, upwards where `above` says so; a quantity that is
    beyond at the beginning has to come back first. The record starts `before_s` before that, but
    never before the capture has begun.
    """

    quantity: Mode
    above: bool
    threshold: float
    before_s: float


class Capture(NamedTuple):
    """Fast sampling: `samples` values at `rate_hz`, at once or around a trigger."""

    rate_hz: float
    samples: int
    trigger: Trigger | None = None


class Waveform(NamedTuple):
    """What a capture brought: samples at `start + k / rate` (s, bench clock), in V and A.

    Values past the range are ±inf; `limited` is 1.0 where the limit was in control at the sample.
    """

    start: float
    rate_hz: float
    voltage: list[float]
    current: list[float]
    limited: list[float]
    voltage_range: float
    current_range: float


class State(NamedTuple):
    """What a channel says of itself when read back; `setpoint` is None where never programmed."""

    setpoint: Setpoint | None
    output: bool
    voltage_range: float | None
    current_range: float | None


class Identity(NamedTuple):
    """Who answers; empty fields where the instrument doesn't say."""

    maker: str
    model: str
    serial: str
    firmware: str


class Channel(Protocol):
    """What the runner asks of a channel. Every method may raise `drivers.faults.BenchError`.

    Methods return when the instrument has done what was asked. They spend time on the bench's own
    clock. `measure` works with the output off where the specification says "measure open".
    """

    name: str
    specification: Specification

    def identify(self) -> Identity:
        """Ask who answers; raises InstrumentError where it isn't what the bench file names."""
        ...

    def reset(self) -> None:
        """To a known state with the output off, errors cleared."""
        ...

    def configure(self, acquisition: Acquisition) -> None:
        """Set aperture, averaging, ranges and sensing."""
        ...

    def program(self, setpoint: Setpoint) -> None:
        """Program mode, level and limit; does not switch the output.

        A limit that goes down is programmed before the level, one that goes up after it, each side
        for itself. Changing the mode under power is the caller's to avoid or to allow.
        """
        ...

    def switch(self, on: bool) -> None:
        """Switch the output; off is the specification's off state."""
        ...

    def read_back(self) -> State:
        """What the instrument itself says of its setpoint, output and ranges."""
        ...

    def measure(self) -> Reading:
        """Take one reading now."""
        ...

    def poll(self) -> list[Event]:
        """What happened since the last poll; empty where nothing did."""
        ...

    def recover(self) -> None:
        """Clear a suspect link and identify the instrument again; raises LinkError if in vain."""
        ...

    def close(self) -> None:
        """Let go of the link; leaves the instrument as it is."""
        ...


class PulsingChannel(Channel, Protocol):
    """A channel that makes timed pulses; its specification says "pulse"."""

    def pulse(self, pulse: Pulse) -> Reading:
        """Make one pulse now and return when it is over.

        The reading's aperture (the one that is set up, or the pulse's width where that is shorter)
        ends at the pulse's end.
        """
        ...


class CapturingChannel(Channel, Protocol):
    """A channel that samples fast while other things happen; its specification says "capture"."""

    def begin_capture(self, capture: Capture) -> None:
        """Begin to sample, or to wait for the trigger; a capture that was under way is dropped."""
        ...

    def end_capture(self) -> Waveform | None:
        """What was sampled, once the record is full: time is spent until then.

        None where a trigger was waited for and has not come by now; the waiting is over then.
        """
        ...


class DigitalLine(Protocol):
    """One digital line of a bench. Every method may raise `drivers.faults.BenchError`."""

    name: str

    def read(self) -> bool:
        """Whether the line is high now."""
        ...

    def write(self, high: bool) -> None:
        """Drive an output line."""
        ...

    def close(self) -> None:
        """Let go of the line; it stays as it is."""
        ...


class PrefetchingChannel(Channel, Protocol):
    """A channel that can look ahead without spending: the place for blocks of readings."""

    def peek_many(self, begins_ns: npt.NDArray[np.int64]) -> Block:
        """The readings that would begin at these times, had nothing else happened; spends nothing.

        The times ascend in nanoseconds of the bench clock, the first one is not over, and none
        comes before the reading before it is complete. There are as many as can be foreseen,
        perhaps none, and each is to the bit what `measure` gives at that time.
        """
        ...

    def take(self, count: int) -> None:
        """Spend the first `count`, at least one, of the readings just peeked."""
        ...


class Levels(NamedTuple):
    """Readings that are foreseen of levels, one after the other: each level's first, then `block`.

    `programmed_ns` is when each level would be programmed (ns of the bench clock).
    """

    programmed_ns: npt.NDArray[np.int64]
    block: Block


class LevelForeseeingChannel(PrefetchingChannel, Protocol):
    """A channel that can look ahead over levels that it is yet to be told."""

    def peek_levels(
        self,
        setpoint: Setpoint,
        levels: Sequence[float],
        begins_ns: Callable[[npt.NDArray[np.int64]], npt.NDArray[np.int64]],
    ) -> Levels:
        """The readings that would follow these levels, each programmed when the last is read.

        They stand in the place of the setpoint's own, one after the other.
        `begins_ns` tells when readings begin after levels that are programmed at these times (ns).
        Spends nothing, and otherwise as `peek_many`, in place of `program` and `measure`.
        """
        ...

    def take_levels(self, count: int) -> None:
        """Be as after the first `count`, at least one, of the levels just peeked."""
        ...
