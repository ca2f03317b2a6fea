"""The words and bars of a run that goes on, from plain values. Draws nothing by itself."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from drivers.sensed import SENSED
from grammar.quantity import CURRENT, POWER, TIME, VOLTAGE, write
from sequencer.checker.facts import RATED
from sequencer.report.record import clock, span
from sequencer.report.terminal import Terminal, printable

if TYPE_CHECKING:
    from sequencer.report.counts import Headroom
    from sequencer.report.following import Look, Snapshot

BAR = 20  # columns


def elapsed(elapsed_s: float, at_most_s: float | None) -> str:
    """How long it has gone on, and for how long it can at most."""
    said = f"{write(elapsed_s, TIME, 4)} elapsed"
    # The bound leaves out how long a person takes to answer: past it, it says nothing any more.
    if at_most_s is not None and elapsed_s <= at_most_s < math.inf:
        share = elapsed_s / at_most_s if at_most_s else 1.0
        said += f", at most {write(at_most_s, TIME, 3)} ({100 * share:.0f} %)"
    return said


def progress(snapshot: Snapshot) -> str:
    """How long a run has gone on, how much it has read, and which it is."""
    said = elapsed(snapshot.elapsed_s, snapshot.at_most_s)
    return f"{said}, {snapshot.readings} readings, {snapshot.mode} {snapshot.run}"


def setting(look: Look) -> str:
    """What a channel is set to."""
    if not look.mode or math.isnan(look.level):
        return ""
    dimension = VOLTAGE if look.mode == "voltage" else CURRENT
    held = ", the limit holds it" if look.limited and look.on else ""
    return f"set to {write(look.level, dimension, 4)}, limit {look.limit}{held}"


def reading(look: Look) -> str:
    """The last reading of a channel."""
    if math.isnan(look.voltage):
        return "not read yet"
    if look.sensed:
        value = write(look.value, SENSED[look.sensed], 5)
        return f"{look.sensed} {value}, read at {write(look.time, TIME, 5)}"
    power = look.voltage * look.current
    return (
        f"{write(look.voltage, VOLTAGE, 5)}, {write(look.current, CURRENT, 5)}, "
        f"{write(power, POWER, 4)}, read at {write(look.time, TIME, 5)}"
    )


def bar(guard: Headroom, width: int) -> str:
    """How near a guard is, as a bar that is full at the guard's bound."""
    dimension = RATED[guard.quantity]
    filled = round(BAR * min(1.0, guard.used))
    low = guard.low if math.isfinite(guard.low) else None
    high = guard.high if math.isfinite(guard.high) else None
    name = f"{guard.name[: width // 3]:<{min(20, width // 3)}}"
    return (
        f"  {name} [{'#' * filled}{'-' * (BAR - filled)}] {100 * guard.used:3.0f} %  "
        f"{write(guard.value, dimension, 4)} of {span(low, high, dimension)}"
    )


def happening(terminal: Terminal, time: float, text: str) -> str:
    """Something that happened, with its time."""
    return terminal.paragraph(printable(text), " " * 13, f"{clock(time):>11}  ")


def counts_down(text: str) -> bool:
    """Whether words that a run says are a second that is counted down, to be heard, too."""
    return text.isascii() and text.isdecimal()


def line(snapshot: Snapshot) -> str:
    """How a run stands, on one line."""
    said = [progress(snapshot)]
    for look in snapshot.channels:
        nearest = max(look.guards, key=lambda g: g.used, default=None)
        near = f", {nearest.name} at {100 * nearest.used:.0f} %" if nearest is not None else ""
        said.append(f"{look.channel} {'on' if look.on else 'off'}, {reading(look)}{near}")
    said += [f"{name} {state}" for name, state in snapshot.lines]
    return "; ".join(said)
