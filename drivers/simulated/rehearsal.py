"""Faults on command, of the wiring and of instruments: so that one sees what the guards would do.

    [CHANNEL:]KIND[@TIME]        reversed   smu:lead-off@90s   bounce@1min

A fault without a channel is every channel's; one without a time is there from the start. The module
reads what was asked; leads and instruments do it.
"""

from __future__ import annotations

import random
from collections.abc import Iterable, Mapping, Sequence
from typing import NamedTuple
from zlib import crc32

from drivers.clock import NANOSECONDS
from drivers.faults import BenchFileError
from drivers.located import suggestion
from drivers.simulated.circuits.leads import Wrong
from drivers.simulated.faults import KINDS
from drivers.simulated.instruments.mishaps import MISHAPS, Mishap
from grammar.quantity import TIME, UnitError, read

_OF_SENSE = ("sense-open", "sense-reversed")
_BOUNCES = 5
_BOUNCE_S = 0.1


class Fault(NamedTuple):
    """One fault: its kind, its channel (none for all of them), and from when on (s)."""

    kind: str
    channel: str | None = None
    time_s: float = 0.0


def asked(texts: Iterable[str], channels: Sequence[str]) -> list[Fault]:
    """The faults asked for; raises BenchFileError where one makes no sense."""
    return [_one(text, channels) for text in texts]


def refuse_idle(texts: Iterable[str], senses_remotely: Mapping[str, bool]) -> None:
    """Refuse what nothing would come of: a fault of sense leads that no channel makes use of.

    `senses_remotely` holds every channel of the recipe. Raises BenchFileError, as `asked` does.
    """
    for text in texts:
        kind, channel, _ = _one(text, list(senses_remotely))
        concerned = list(senses_remotely) if channel is None else [channel]
        if kind in _OF_SENSE and not any(senses_remotely[name] for name in concerned):
            who = f"channel “{channel}” senses" if channel else "every channel senses"
            raise BenchFileError(
                f"--fault {text}: {who} at its own terminals in this recipe, so that nothing would "
                "come of it",
                "Declare `remote sense` on the channel, or leave the fault out.",
            )


def _one(text: str, channels: Sequence[str]) -> Fault:
    what, at, when = text.partition("@")
    channel, colon, kind = what.rpartition(":")
    kind, channel = kind.strip(), channel.strip()
    if kind not in KINDS:
        raise BenchFileError(
            f"--fault {text}: there is no fault “{kind}”",
            suggestion(kind, list(KINDS)) or f"There are: {', '.join(KINDS)}.",
        )
    if colon and channel not in channels:
        raise BenchFileError(
            f"--fault {text}: there is no channel “{channel}” in this recipe",
            suggestion(channel, list(channels)) or f"There are: {', '.join(channels)}.",
        )
    if at and KINDS[kind].timed == "never":
        raise BenchFileError(
            f"--fault {text}: “{kind}” is so from the start", f"Leave @{when} out."
        )
    if not at and KINDS[kind].timed == "must":
        raise BenchFileError(
            f"--fault {text}: “{kind}” happens at a time", f"Write it as in {what}@90s."
        )
    return Fault(kind, channel or None, _time(text, when) if at else 0.0)


def _time(text: str, when: str) -> float:
    example = f"Write it as in {text.partition('@')[0]}@90s."
    try:
        quantity = read(when.strip())
    except UnitError as error:
        raise BenchFileError(f"--fault {text}: {error}", example) from None
    if quantity.dimension != TIME or not 0 <= quantity.value < float("inf"):
        raise BenchFileError(f"--fault {text}: “{when}” is no time", example)
    return quantity.value


def of_channel(faults: Iterable[Fault], channel: str) -> list[Fault]:
    """Those of one channel."""
    return [fault for fault in faults if fault.channel in (None, channel)]


def wiring(faults: Iterable[Fault], channel: str, seed: int) -> Wrong:
    """What is wrong with a channel's leads; when a lead bounces is drawn from the seed."""
    wrong = Wrong()
    dice = random.Random(crc32(channel.encode()) ^ seed)
    for kind, _, time_s in of_channel(faults, channel):
        if kind == "reversed":
            wrong = wrong._replace(reversed=True)
        elif kind == "lead-off":
            wrong = wrong._replace(open_from=min(wrong.open_from, time_s))
        elif kind == "bounce":
            times = sorted(time_s + dice.uniform(0, _BOUNCE_S) for _ in range(2 * _BOUNCES))
            spans = tuple(zip(times[::2], times[1::2], strict=True))
            wrong = wrong._replace(bounces=wrong.bounces + spans)
    return wrong


def mishaps(faults: Iterable[Fault], channel: str) -> list[Mishap]:
    """What happens to a channel's instrument, and when."""
    return [
        Mishap(round(time_s * NANOSECONDS), kind)
        for kind, _, time_s in of_channel(faults, channel)
        if kind in MISHAPS
    ]
