"""A simulated channel that also makes pulses and captures by its own commands, and digital lines.

Each does exactly what the protocol says of it, made of what a plain channel can do: so a test can
say to the nanosecond what must come out.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

from drivers.bench import Bench
from drivers.bench_file import BenchFile
from drivers.channel import Capture, Pulse, Reading, Waveform
from drivers.faults import InstrumentError
from tests.sequencer.engine.bench_of import bench_file

DEMO = Path("drivers/specifications/demo-source-measure.toml")


def pulsing_bench(folder: Path, part: str) -> BenchFile:
    """A bench as `bench_file` makes it, whose instrument says that it pulses and captures."""
    text = DEMO.read_text("utf-8")
    for capability in ("pulse", "capture"):
        if f'"{capability}"' not in text:
            text = text.replace('"source",', f'"source", "{capability}",', 1)
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / "pulsing.toml"
    path.write_text(text, "utf-8")
    return bench_file(part, str(path))


class Scripted:
    """Takes the place of a simulated channel; `wave` gives voltage and current at a time (s)."""

    def __init__(
        self, channel: Any, wave: Callable[[float], tuple[float, float]] | None = None
    ) -> None:
        self._channel = channel
        self._clock = channel._clock
        self._wave = wave
        self.pulses: list[tuple[float, Pulse]] = []
        self.triggered_at: float | None = None
        self.capturing: tuple[float, Capture] | None = None

    def __getattr__(self, name: str) -> Any:
        return getattr(self._channel, name)

    def measure(self) -> Reading:
        """One reading, which an instrument that captures can't take."""
        if self.capturing is not None and self._channel.read_back().output:
            raise InstrumentError("it captures")
        return self._channel.measure()  # type: ignore[no-any-return]

    def pulse(self, pulse: Pulse) -> Reading:
        """To the level, a reading that ends with the width, and back."""
        start = self._clock.now()
        self.pulses.append((start, pulse))
        base = self._channel.read_back().setpoint
        self._channel.program(base._replace(level=pulse.level, low=pulse.low, high=pulse.high))
        aperture = self._channel._aperture_ns / 1e9
        assert aperture <= pulse.width_s
        self._clock.wait_until(start + pulse.width_s - aperture)
        reading: Reading = self._channel.measure()
        self._channel.program(base)
        return reading

    def begin_capture(self, capture: Capture) -> None:
        """Remember it and when it began."""
        self.capturing = (self._clock.now(), capture)

    def end_capture(self) -> Waveform | None:
        """The samples of `wave`, at once or from before the trigger."""
        assert self.capturing is not None
        start, capture = self.capturing
        self.capturing = None
        if capture.trigger is not None:
            if self.triggered_at is None:
                return None
            start = self.triggered_at - capture.trigger.before_s
        self._clock.wait_until(start + capture.samples / capture.rate_hz)
        assert self._wave is not None
        values = [self._wave(start + k / capture.rate_hz) for k in range(capture.samples)]
        return Waveform(
            start, capture.rate_hz, [v for v, _ in values], [i for _, i in values],
            [0.0] * capture.samples, 5.0, 5.0,
        )  # fmt: skip


def scripted(
    holder: list[Scripted], wave: Callable[[float], tuple[float, float]] | None = None
) -> Callable[[Bench], None]:
    """Put one in the place of the bench's `smu`."""

    def change(bench: Bench) -> None:
        made = Scripted(bench.channels["smu"], wave)
        holder.append(made)
        bench.channels["smu"] = made  # type: ignore[assignment]

    return change


class Line:
    """A digital line: what was written to it, and what it reads as a function of time."""

    def __init__(self, name: str, high: Callable[[], bool] = lambda: False) -> None:
        self.name = name
        self.high = high
        self.written: list[bool] = []
        self.fails = False

    def read(self) -> bool:
        """Whether it is high now."""
        return self.high()

    def write(self, high: bool) -> None:
        """Drive it."""
        if self.fails:
            raise InstrumentError("the line doesn't move")
        self.written.append(high)

    def close(self) -> None:
        """Nothing to let go of."""
