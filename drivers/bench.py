"""Opening a bench: channels that are simulated or stand behind a link, and the clock they share.

Nothing past this module knows which of the two they are. Numerics, VISA and simulation are imported
only when a bench is opened.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import partial
from typing import TYPE_CHECKING

from drivers.bench_file import BenchFile, ChannelEntry, load_bench, read_bench
from drivers.bench_wiring import AMBIENT, split
from drivers.clock import Clock, MonotonicClock, VirtualClock
from drivers.faults import BenchFileError
from drivers.located import suggestion
from drivers.sensed_channel import SensedChannel

if TYPE_CHECKING:
    from drivers.channel import Channel, DigitalLine
    from drivers.simulated.circuits.circuit import Circuit
    from drivers.simulated.conditions import Conditions
    from drivers.simulated.instruments.noise import Disturbance
    from drivers.simulated.lines import SimulatedLine
    from drivers.simulated.probe import TrueInterval
    from drivers.simulated.rehearsal import Fault

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
    """An open bench: its channels and digital lines by name, and the clock that is theirs."""

    clock: Clock
    channels: dict[str, Channel]
    file: BenchFile
    lines: dict[str, DigitalLine] = field(default_factory=dict)

    @property
    def instruments(self) -> dict[str, Channel]:
        """The channels as their instruments are, whatever sensors make of their readings."""
        return {
            name: channel.instrument if isinstance(channel, SensedChannel) else channel
            for name, channel in self.channels.items()
        }

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
    served: bool = False,
    faults: Iterable[str] = (),
) -> Bench:
    """The bench with a simulated instrument in each channel's place, in virtual time.

    `channels` and `lines` are the ones wanted, all where it is None. `ideal` takes away the
    instruments' errors, noise and resolution. The same seed gives the same readings, whichever
    other channels are open. `probe` is told what truly happens at every channel's terminals,
    without a gap, each interval when it ends and the last ones when the bench is closed. Conditions
    that end while it is `served` stay as they are; otherwise that ends the run. `faults` are
    rehearsed: `drivers/simulated/rehearsal.py` says which there are. Raises BenchFileError where a
    channel or line isn't there, a channel has no part, or there is no such fault.
    """
    from drivers.simulated.instruments.instrument import SimulatedChannel
    from drivers.simulated.lines import SimulatedLine
    from drivers.simulated.rehearsal import asked, mishaps

    clock = clock or VirtualClock()
    opened: dict[str, Channel] = {}
    wanted = _named(bench, channels)
    conditions = bench.conditions.held() if served else bench.conditions
    rehearsed = asked(faults, wanted)
    driven = {
        name: SimulatedLine(
            name,
            clock,
            [(s.at, s.state == "high") for s in bench.digital[name].simulated],
            bench.boxes.get(name),
        )
        for name in _named_lines(bench, lines)
    }
    circuits = _wired(bench, wanted, conditions, rehearsed, seed, driven)
    for name in wanted:
        entry, circuit = bench.channels[name], circuits[name]
        channel = SimulatedChannel(
            name,
            bench.specifications[name],
            circuit,
            clock,
            line_frequency_hz=bench.line_frequency_hz,
            lead_resistance=2 * entry.leads.per_lead_resistance,
            seed=seed,
            ideal=ideal,
            conditions=conditions,
            disturbances=_disturbances(bench, entry, conditions),
            mishaps=mishaps(rehearsed, name),
        )
        if probe is not None:
            from drivers.simulated.probe import Probe

            channel.attach(Probe(name, circuit, probe))
        opened[name] = _sensed(bench, name, channel)
    return Bench(clock, opened, bench, dict[str, "DigitalLine"](driven))


def _wired(
    bench: BenchFile,
    channels: Iterable[str],
    conditions: Conditions,
    faults: Sequence[Fault],
    seed: int,
    driven: Mapping[str, SimulatedLine],
) -> dict[str, Circuit]:
    """What hangs on each of these channels: a part each time once, a pair of its terminals each.

    The digital lines that are `driven` move the parts that feel them.
    """
    from drivers.simulated.circuits.dynamic_port import DynamicPort
    from drivers.simulated.parts.base import Lever
    from drivers.simulated.rehearsal import wiring
    from drivers.simulated.sensing import sensing
    from drivers.simulated.wiring import PLAIN, Wiring, circuit_of, circuits_of

    found: dict[str, Circuit] = {}
    hanging: dict[str, dict[str, str]] = {}
    for name in channels:
        entry = bench.channels[name]
        if entry.part is None:
            part = AMBIENT if name in bench.sensors else "bank"
            raise BenchFileError(
                f"{bench.path}: channel “{name}” has no part to simulate",
                f'Name one under [channels.{name}], as in part = "{part}"'
                + ("." if part == AMBIENT else ", and describe it."),
            )
        if entry.part == AMBIENT:
            lead_ohms = entry.leads.per_lead_resistance
            found[name] = circuit_of(
                sensing(bench.sensors[name], bench.conditions, lead_ohms), name
            )
            continue
        part, port = split(entry.part)
        hanging.setdefault(part, {})[port] = name
    for part, on in hanging.items():
        model = bench.parts[part]
        wirings = {}
        for port, name in on.items():
            leads, wrong = bench.channels[name].leads, wiring(faults, name, seed)
            lifted = tuple((span.at, span.until) for span in leads.lifted)
            wrong = wrong._replace(bounces=wrong.bounces + lifted)
            wirings[port] = Wiring(leads.simulated(), wrong)
        levers = {line: Lever() for line in model.lines.values() if line in driven}
        physics = model.on_lines(conditions, levers)
        circuits = circuits_of(physics, part, [wirings.get(port, PLAIN) for port in model.ports])
        for line, lever in levers.items():
            first = circuits[0]
            assert isinstance(first, DynamicPort)  # what feels a line moves by an equation
            driven[line].followers.append(partial(first.move, lever))
        found |= {on[port]: c for port, c in zip(model.ports, circuits, strict=True) if port in on}
    return found


def _disturbances(
    bench: BenchFile, entry: ChannelEntry, conditions: Conditions
) -> tuple[Disturbance, Disturbance]:
    """What leads and part add to readings of voltage and of current: the mains, noise.

    Johnson noise of a resistance R is 4kTR (V²/Hz) or 4kT/R (A²/Hz) at the temperature of the
    start. Shot noise is that of the current; what it makes of a voltage is left out.
    """
    from drivers.simulated.instruments.noise import Disturbance
    from drivers.simulated.parts.base import QUIET
    from drivers.simulated.parts.junction import BOLTZMANN_J_PER_K

    part, port = split(entry.part or "")
    model = bench.parts.get(part)
    ohms, settling_s, carrier = QUIET if model is None else model.noise(port)
    volts = amperes = 0.0
    if math.isfinite(ohms):
        amperes = math.sqrt(4 * BOLTZMANN_J_PER_K * conditions.temperature.at(0.0) / ohms)
        volts = amperes * ohms
    return (
        Disturbance(noise_density=volts, settling_s=settling_s),
        Disturbance(entry.leads.line_pick_up, amperes, carrier=carrier),
    )


def _sensed(bench: BenchFile, name: str, channel: Channel) -> Channel:
    """The channel, as it reads its sensor where it has one."""
    sensor = bench.sensors.get(name)
    if sensor is None:
        return channel
    return SensedChannel(channel, sensor, bench.channels[name].leads.per_lead_resistance)


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
            channel = ScpiChannel.open(
                name,
                entry,
                bench.specifications[name],
                opened.clock,
                bench.line_frequency_hz,
                base=bench.path.parent,
            )
            opened.channels[name] = _sensed(bench, name, channel)
    except BaseException:
        opened.close()
        raise
    return opened
