"""Opening a bench: channels that are simulated or stand behind a link, and the clock they share.

Nothing past this module knows which of the two they are. Numerics, VISA and simulation are imported
only when a bench is opened.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from drivers.bench_file import BenchFile, ChannelEntry, LineEntry, load_bench, read_bench
from drivers.clock import Clock, MonotonicClock, VirtualClock
from drivers.faults import BenchFileError
from drivers.located import suggestion

if TYPE_CHECKING:
    from drivers.channel import Channel, DigitalLine
    from drivers.simulated.probe import TrueInterval

__all__ = [
    "Bench",
    "BenchFile",
    "ChannelEntry",
    "LineEntry",
    "load_bench",
    "open_bench",
    "open_simulated",
    "read_bench",
]


@dataclass
class Bench:
    """An open bench: its channels and digital lines by name, and the clock that is theirs."""

    clock: Clock
    channels: dict[str, Channel]
    file: BenchFile
    lines: dict[str, DigitalLine] = field(default_factory=dict)

    def close(self) -> None:
        """Let go of every link; instruments and lines stay as they are."""
        for channel in self.channels.values():
            channel.close()
        for line in self.lines.values():
            line.close()


def _named(file: BenchFile, channels: Iterable[str] | None) -> list[str]:
    return _known(file, "channel", file.channels, channels)


def _named_lines(file: BenchFile, lines: Iterable[str] | None) -> list[str]:
    return _known(file, "digital line", file.digital, lines)


def _known(
    file: BenchFile, what: str, known: Mapping[str, object], wanted: Iterable[str] | None
) -> list[str]:
    """The names wanted, all that are known where it is None."""
    names = list(known) if wanted is None else list(wanted)
    for name in names:
        if name not in known:
            key = "channels" if what == "channel" else "digital"
            raise BenchFileError(
                f"{file.path}: there is no {what} “{name}” on this bench",
                suggestion(name, list(known)) or f"Describe it under [{key}.{name}].",
            )
    return names


def open_simulated(
    bench: BenchFile,
    *,
    channels: Iterable[str] | None = None,
    lines: Iterable[str] | None = None,
    seed: int = 0,
    ideal: bool = False,
    clock: VirtualClock | None = None,
    probe: Callable[[TrueInterval], None] | None = None,
) -> Bench:
    """The bench with a simulated instrument in each channel's place, in virtual time.

    `channels` and `lines` are the ones wanted, all where it is None. `ideal` takes away the
    instruments' errors, noise and resolution. The same seed gives the same readings, whichever
    other channels are open. `probe` is told what truly happens at every channel's terminals,
    without a gap, each interval when it ends and the last ones when the bench is closed. Raises
    BenchFileError where a channel or line isn't there, or a channel has no part.
    """
    from drivers.simulated.instrument import SimulatedChannel
    from drivers.simulated.lines import SimulatedLine
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
        circuit = circuit_of(bench.parts[entry.part].physics())
        channel = SimulatedChannel(
            name,
            bench.specifications[name],
            circuit,
            clock,
            line_frequency_hz=bench.line_frequency_hz,
            lead_resistance=2 * entry.leads.per_lead_resistance,
            seed=seed,
            ideal=ideal,
        )
        if probe is not None:
            from drivers.simulated.probe import Probe

            channel.attach(Probe(name, circuit, probe))
        opened[name] = channel
    driven: dict[str, DigitalLine] = {
        name: SimulatedLine(
            name, clock, [(s.at, s.state == "high") for s in bench.digital[name].simulated]
        )
        for name in _named_lines(bench, lines)
    }
    return Bench(clock, opened, bench, driven)


def open_bench(
    bench: BenchFile,
    channels: Iterable[str] | None = None,
    *,
    lines: Iterable[str] = (),
    clock: Clock | None = None,
) -> Bench:
    """The bench with its instruments' links open, on the computer's clock unless one is given.

    `channels` are the ones wanted, all where it is None; `lines` the digital lines wanted. Raises
    BenchFileError where a channel isn't there or has no resource, or for any line, LinkError and
    InstrumentError where an instrument doesn't answer as it should; links opened until then are
    closed again.
    """
    for name in _named_lines(bench, lines):
        raise BenchFileError(
            f"{bench.path}: digital line “{name}” can't be opened: digital lines run only in a "
            "dry run so far, since no dialect says yet how an instrument switches or reads one",
            "Make a dry run, or leave the line out of the recipe.",
        )
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
