"""Opening a bench: channels that are simulated or stand behind a link, and the clock they share.

Nothing past this module knows which of the two they are. Numerics, VISA and simulation are imported
only when a bench is opened.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING

from drivers.bench_file import BenchFile, ChannelEntry, load_bench, read_bench
from drivers.clock import Clock, MonotonicClock, VirtualClock
from drivers.faults import BenchFileError
from drivers.located import suggestion

if TYPE_CHECKING:
    from drivers.channel import Channel

__all__ = [
    "Bench",
    "BenchFile",
    "ChannelEntry",
    "load_bench",
    "open_bench",
    "open_simulated",
    "read_bench",
]


@dataclass
class Bench:
    """An open bench: its channels by name, and the clock that belongs to them."""

    clock: Clock
    channels: dict[str, Channel]
    file: BenchFile

    def close(self) -> None:
        """Let go of every link; the instruments stay as they are."""
        for channel in self.channels.values():
            channel.close()


def _named(file: BenchFile, channels: Iterable[str] | None) -> list[str]:
    names = list(file.channels) if channels is None else list(channels)
    for name in names:
        if name not in file.channels:
            raise BenchFileError(
                f"{file.path}: there is no channel “{name}” on this bench",
                suggestion(name, list(file.channels)),
            )
    return names


def open_simulated(
    bench: BenchFile,
    *,
    channels: Iterable[str] | None = None,
    seed: int = 0,
    ideal: bool = False,
    clock: VirtualClock | None = None,
) -> Bench:
    """The bench with a simulated instrument in each channel's place, in virtual time.

    `channels` are the ones wanted, all where it is None. `ideal` takes away the instruments'
    errors, noise and resolution. The same seed gives the same readings, whichever other channels
    are open. Raises BenchFileError where a channel isn't there or has no part.
    """
    from drivers.simulated.instrument import SimulatedChannel
    from drivers.simulated.wiring import circuit_of

    clock = clock or VirtualClock()
    opened: dict[str, Channel] = {}
    for name in _named(bench, channels):
        entry = bench.channels[name]
        if entry.part is None:
            raise BenchFileError(
                f"{bench.path}: channel “{name}” has no part to simulate",
                f'Name one under [channels.{name}], as in part = "bank", and describe it.',
            )
        opened[name] = SimulatedChannel(
            name,
            bench.specifications[name],
            circuit_of(bench.parts[entry.part].physics()),
            clock,
            line_frequency_hz=bench.line_frequency_hz,
            lead_resistance=2 * entry.leads.per_lead_resistance,
            seed=seed,
            ideal=ideal,
        )
    return Bench(clock, opened, bench)


def open_bench(
    bench: BenchFile,
    channels: Iterable[str] | None = None,
    *,
    clock: Clock | None = None,
) -> Bench:
    """The bench with its instruments' links open, on the computer's clock unless one is given.

    Raises BenchFileError where a channel isn't there or has no resource, LinkError and
    InstrumentError where an instrument doesn't answer as it should; links opened until then are
    closed again.
    """
    from drivers.scpi.channel import ScpiChannel

    opened = Bench(clock or MonotonicClock(), {}, bench)
    try:
        for name in _named(bench, channels):
            entry = bench.channels[name]
            for key in ("resource", "dialect"):
                if getattr(entry, key) is None:
                    raise BenchFileError(
                        f"{bench.path}: channel “{name}” has no {key}, which a run needs",
                        f"Add {key} = … under [channels.{name}], or make a dry run.",
                    )
            opened.channels[name] = ScpiChannel.open(
                name,
                entry,
                bench.specifications[name],
                opened.clock,
                bench.line_frequency_hz,
                base=bench.path.parent,
            )
    except BaseException:
        opened.close()
        raise
    return opened
