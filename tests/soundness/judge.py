"""What of a run its worst case rules out.

A row of the worst case is what the source imposes: of voltage, the terminals may also show what the
part brought by itself, and anything between. Energy and charge count from `output on` for kinds
that store and from the start for others, as the ratings do.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import NamedTuple

from drivers.kinds import KINDS
from sequencer.checker import Checked
from sequencer.checker.worst.worst_case import PartWorst, WorstCase
from sequencer.engine.ending import Outcome
from tests.soundness.parts import Span
from tests.soundness.truth import Ran

SHARE = 1e-9
"""What rounding may add, as a share: sums are made in another order than their bounds."""
SMALLEST = 1e-9
"""The same beside nothing (V, A, W, J, C and s): what the circuit's own solution resolves."""
OURS = ("program", "instrument", "link", "bench")
"""Whose fault the end of a run of a checked recipe on a simulated bench must not be."""


class Near(NamedTuple):
    """How near the truth came to a bound: the row, and the share of the bound that was reached."""

    row: str
    share: float


def _outside(seen: tuple[float, float], low: float, high: float) -> bool:
    room = SHARE * max(abs(low), abs(high)) + SMALLEST
    return seen[0] < low - room or seen[1] > high + room


def _row(part: PartWorst, row: str) -> Span | None:
    """A row's span, None where there is none or nothing is ever imposed."""
    found = part.rows.get(row)
    if found is None or math.isnan(found.low):
        return None
    return Span(found.low, found.high)


def _hull(*spans: Span | None) -> Span:
    known = [span for span in spans if span is not None]
    return Span(min(span.low for span in known), max(span.high for span in known))


def bounds(part: PartWorst, own: Span, per_pulse: set[str]) -> dict[str, Span]:
    """The span that each quantity of a truth has to stay in."""
    nothing = Span(0.0, 0.0)
    found = {
        "voltage": _hull(_row(part, "voltage"), own),
        "current": _hull(_row(part, "current"), nothing),
        "power": _hull(_row(part, "power"), nothing),
    }
    if own != nothing:
        # A pulse may have charged it, and it stays charged.
        found["voltage"] = _hull(found["voltage"], _row(part, "voltage per pulse"))
    for quantity in ("voltage", "current", "power"):
        governed = quantity in per_pulse
        in_pulse = _row(part, f"{quantity} per pulse" if governed else quantity)
        also = found["voltage"] if quantity == "voltage" and own != nothing else nothing
        found[f"{quantity} in pulse"] = _hull(in_pulse, also, own if also != nothing else nothing)
    for quantity in ("voltage", "current", "power"):
        found[f"{quantity} in edge"] = _hull(found[quantity], found[f"{quantity} in pulse"])
    if "power" in per_pulse:
        for place in ("pulse", "edge"):
            found[f"power in {place} of train"] = found[f"power in {place}"]
    for quantity in ("energy", "charge"):
        found[quantity] = _hull(_row(part, quantity), nothing)
        carried = _row(part, f"{quantity} per pulse")
        if carried is not None:
            found[f"{quantity} in pulse"] = _hull(carried, nothing)
    return found


def violations(ran: Ran, checked: Checked, worst: WorstCase, own: dict[str, Span]) -> Iterator[str]:
    """What the run has shown that its worst case rules out, in words."""
    ending = ran.ending
    if ending.outcome is Outcome.FAILED and ending.fault in OURS:
        yield f"ended as failed, {ending.fault}: {ending.reason}"
    parts = {part.channel: part for part in worst.parts}
    for name, truth in ran.channels.items():
        part = parts.get(name)
        if part is None:
            if truth.under_power_s > 0:
                yield f"{name} under power, of which the worst case knows nothing"
            continue
        facts = checked.parts[part.name]
        # Where the look's push, or an offset, has brought it, it may stay by itself.
        brought = [truth.rows.get(f"voltage {how}") for how in ("in look", "at its offset")]
        mine = _hull(own[name], *(Span(*span) for span in brought if span is not None))
        for row, span in bounds(part, mine, set(facts.per_pulse)).items():
            seen = truth.rows.get(_counted(row, facts.kind))
            if seen is not None and _outside(seen, *span):
                yield f"{name} {row}: {_written(seen)} outside {_written(span)}"
        for quantity in ("voltage", "current", "power"):
            rating = facts.ratings.get(quantity)
            seen = truth.rows.get(f"{quantity} in look")
            if rating is None or seen is None:
                continue
            low, high = _hull(Span(*rating), Span(0.0, 0.0), own[name])
            if _outside(seen, low, high):
                yield f"{name} {quantity} in look: {_written(seen)}, rated {_written((low, high))}"
        if _outside((0.0, truth.under_power_s), 0.0, part.under_power_s):
            proved = f"at most {part.under_power_s} proved"
            yield f"{name} under power: {truth.under_power_s} s, {proved}"


def _written(span: tuple[float, float]) -> str:
    return f"{span[0]:.9g} … {span[1]:.9g}"


def _counted(row: str, kind: str) -> str:
    """The row of the truth that an energy or a charge of this kind is judged by."""
    if row in ("energy", "charge") and KINDS[kind].energy != "stores":
        return f"{row} in all"
    return row


def nearness(ran: Ran, checked: Checked, worst: WorstCase) -> Iterator[Near]:
    """How near the truth came to each bound of the worst case that isn't zero."""
    for part in worst.parts:
        rows = ran.channels[part.channel].rows
        kind = checked.parts[part.name].kind
        for row, known in part.rows.items():
            seen = rows.get(_counted(row.replace("per pulse", "in pulse"), kind))
            if seen is None or not math.isfinite(known.low + known.high):
                continue
            reach = max(abs(known.low), abs(known.high))
            if reach > 0:
                yield Near(row, max(abs(seen[0]), abs(seen[1])) / reach)
