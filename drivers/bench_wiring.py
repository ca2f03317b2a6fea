"""What hangs where on a bench: each channel on its pair of terminals, and which of them are joined.

A channel names its part, or one pair of a part's terminals as PART.PAIR; terminals of several
channels that share a potential are named under `common`. Knows no sensor and no simulation.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from itertools import combinations

from drivers.located import Path, Places, suggestion
from grammar.diagnostic import Problems, Span

AMBIENT = "ambient"
"""What a sensor senses that hangs on no part: the conditions of the bench."""
_TERMINALS = ("high", "low")


def split(part: str) -> tuple[str, str]:
    """A part's name, and that of its pair of terminals where it is named."""
    name, _, port = part.partition(".")
    return name, port


def judge_parts(
    named: Mapping[str, str],
    parts: Mapping[str, Sequence[str]],
    sensing: Sequence[str],
    problems: Problems,
    places: Places,
) -> None:
    """Every channel's part exists, and each pair of its terminals hangs on one channel alone.

    `named` is what each channel names, `parts` the pairs of terminals of each part ("" for the only
    one, nothing where the part is wrong itself), `sensing` the channels with a sensor.
    """
    taken: dict[str, str] = {}
    for channel, part in named.items():
        place = places.value(("channels", channel, "part"))
        if part == AMBIENT:
            if channel not in sensing:
                problems.error(
                    "bench-part",
                    place,
                    f"“{AMBIENT}” is what surrounds the bench, and takes a sensor to read",
                    f"Describe one: [channels.{channel}] sensor = {{ kind = … }}.",
                )
            continue
        name, port = split(part)
        if name not in parts:
            problems.error(
                "bench-part",
                place,
                f"there is no part “{name}” on this bench",
                suggestion(name, list(parts)) or f"Describe it under [parts.{name}].",
            )
        elif port not in parts[name]:
            if parts[name]:
                _tell_ports(name, port, parts[name], place, problems)
        elif part in taken:
            problems.error(
                "bench-shared",
                place,
                f"“{part}” hangs on channel “{taken[part]}” already",
                "Give each channel a part of its own.",
            )
        taken.setdefault(part, channel)
    if AMBIENT in parts:
        problems.error(
            "bench-part",
            places.key(("parts", AMBIENT)),
            f"“{AMBIENT}” is what surrounds the bench, and can't be the name of a part",
            "Choose another name.",
        )


def _tell_ports(
    name: str, port: str, ports: Sequence[str], place: Span, problems: Problems
) -> None:
    whole = [f"{name}.{p}" for p in ports if p]
    if not whole:
        words = f"“{name}” has one pair of terminals, and no “{port}”"
        hint = f"Write {name} alone."
    elif not port:
        words, hint = (
            f"“{name}” has {len(ports)} pairs of terminals",
            f"Write {' or '.join(whole)}.",
        )
    else:
        words = f"“{name}” has no terminals “{port}”"
        hint = suggestion(f"{name}.{port}", whole)
    problems.error("bench-part", place, words, hint)


class Joined:
    """Which terminals share a potential: `common` has, by channel, what its low is joined to."""

    def __init__(self, common: Mapping[str, Sequence[str]]) -> None:
        self._nodes: dict[str, str] = {}
        for channel, others in common.items():
            for other in others:
                self._nodes[self.node(f"{channel}.low")] = self.node(other)

    def node(self, terminal: str) -> str:
        """One terminal that stands for all that share its potential."""
        while terminal in self._nodes and self._nodes[terminal] != terminal:
            terminal = self._nodes[terminal]
        return terminal

    def shorted(self, channel: str) -> bool:
        """Whether a channel's two terminals are joined to each other."""
        return self.node(f"{channel}.high") == self.node(f"{channel}.low")

    def parallel(self, channels: Sequence[str]) -> Iterator[tuple[str, str]]:
        """The pairs of channels whose terminals are joined, both, either way round."""
        ends = {c: {self.node(f"{c}.{end}") for end in _TERMINALS} for c in channels}
        for one, other in combinations(channels, 2):
            if ends[one] == ends[other]:
                yield one, other


def judge_common(
    common: Mapping[str, Sequence[str]],
    channels: Sequence[str],
    problems: Problems,
    places: Places,
) -> None:
    """What is named under `common` are terminals of this bench, and no channel is shorted by it."""
    right = True
    for channel, others in common.items():
        for number, other in enumerate(others):
            path: Path = ("channels", channel, "common", number)
            name, _, end = other.partition(".")
            if name in channels and end in _TERMINALS and other != f"{channel}.low":
                continue
            right = False
            words = f"“{other}” is no terminal of this bench"
            hint = f"Write a channel's, as in {name if name in channels else channels[0]}.low."
            if other == f"{channel}.low":
                words, hint = f"“{other}” is this very terminal", "Name another channel's."
            elif name not in channels:
                hint = f"{suggestion(name, list(channels))} {hint}"
            problems.error("bench-common", places.value(path), words, hint)
    joined = Joined(common)
    for channel in channels if right else ():
        if joined.shorted(channel):
            problems.error(
                "bench-common",
                places.value(("channels", channel, "common")),
                f"the two terminals of “{channel}” are joined by what is common: it is shorted",
                "Follow the wires once more: which terminals share a potential?",
            )
