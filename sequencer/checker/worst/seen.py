"""What readings can be, before any is taken: a channel's, a pulse's, and those kept in a trace.

A reading that trips no guard lies in the ratings that its channel watches, widened by what it may
be off. A part that may be destroyed has no such guards. Knows no order of steps.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING

from grammar import tree
from sequencer.checker.facts import Checked, PartFacts
from sequencer.checker.naming.walking import read_by, steps_of
from sequencer.checker.worst import instrument, interval
from sequencer.checker.worst.interval import EVERYTHING, Interval
from sequencer.checker.worst.observing import Bounds

if TYPE_CHECKING:
    from drivers.specification import Specification

OWN = ("voltage", "current")
"""What every channel can read at its terminals."""

Columns = dict[str, dict[str, Interval]]


def readings(checked: Checked, specification: Callable[[str], Specification | None]) -> Bounds:
    """The bounds of readings by channel; `specification` gives what is known of an instrument."""
    plain, pulsed = {}, {}
    for name, facts in checked.channels.items():
        known = specification(name)
        sensed = (facts.sensed,) if facts.sensed else ()
        plain[name] = {
            quantity: _bounds(_watched(checked, name, quantity), quantity, known)
            for quantity in (*OWN, *sensed)
        }
        part = checked.part_on(name)
        pulsed[name] = dict(plain[name])
        if part is not None and not part.may_be_destroyed:
            for quantity in OWN:
                if quantity in part.per_pulse:
                    rating = Interval(*part.per_pulse[quantity])
                    pulsed[name][quantity] = _bounds(rating, quantity, known)
    return Bounds(plain, pulsed)


def _bounds(rating: Interval, quantity: str, specification: Specification | None) -> Interval:
    if quantity in OWN:
        return instrument.reading(specification, quantity, rating)
    # What a sensor may be off is not known here: a reading of it is as exact as its guard, or free.
    return rating if specification is None else EVERYTHING


def _watched(checked: Checked, channel: str, quantity: str) -> Interval:
    """The ratings of a quantity that a channel watches."""
    found = EVERYTHING
    for part in checked.parts.values():
        if part.may_be_destroyed or _watcher(part, quantity) != channel:
            continue
        found = interval.meet(found, Interval(*part.ratings.get(quantity, EVERYTHING))) or found
    return found


def _watcher(part: PartFacts, quantity: str) -> str:
    return part.watched_by.get(quantity, part.channel)


def columns(checked: Checked, bounds: Bounds) -> Columns:
    """The bounds of a trace's columns, by trace and column (`smu.voltage`, or `voltage` alone).

    Samples of a capture are seen by guards too late to be held by them, and so are readings in
    `finally`: nothing is known of these.
    """
    found: Columns = {}
    recipe = checked.recipe
    for block, final in ((recipe.steps, False), (recipe.final, True)):
        for step in steps_of(block):
            into = getattr(step, "into", None)
            channels = read_by(step)
            if into is None or not channels:
                continue
            of_pulses = isinstance(step, tree.PulseStep)
            if isinstance(step, tree.Sweep):
                of_pulses = step.pulsed
            unseen = final or isinstance(step, tree.CaptureStep)
            known = found.setdefault(into.id, {})
            for channel in channels:
                kept = bounds.pulsed if of_pulses and channel == channels[0] else bounds.plain
                for quantity, span in kept[channel.id].items():
                    _widen(known, channel.id, quantity, EVERYTHING if unseen else span)
    return {trace: _with_short_names(known) for trace, known in found.items()}


def _widen(known: dict[str, Interval], channel: str, quantity: str, span: Interval) -> None:
    name = f"{channel}.{quantity}"
    known[name] = interval.hull(known[name], span) if name in known else span


def _with_short_names(known: Mapping[str, Interval]) -> dict[str, Interval]:
    """With each quantity that only one channel has by its name alone, too."""
    short: dict[str, list[Interval]] = {}
    for name, span in known.items():
        short.setdefault(name.split(".")[1], []).append(span)
    return {**known, **{name: spans[0] for name, spans in short.items() if len(spans) == 1}}
