"""What keeps a checked recipe from running on an opened bench, found before anything is on.

The check has compared the recipe with what the bench file says; here it meets the channels and
lines as they were opened, and the person who may have to answer. Nothing is read or switched.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator
from typing import TYPE_CHECKING

from grammar import tree
from grammar.diagnostic import NOWHERE, Problem
from grammar.wording import listed, near
from sequencer.engine.columns import everything

if TYPE_CHECKING:
    from drivers.bench import Bench
    from sequencer.checker import Checked

_READ = ("voltage", "current", "power", "energy", "charge")


def refusals(
    checked: Checked, bench: Bench, *, nobody_answers: bool, answers: Collection[str]
) -> list[Problem]:
    """All reasons at once, each with its place and whose fault it is.

    `nobody_answers` is that the run is no rehearsal and has no person to ask; `answers` are the
    names of the values that a rehearsal is to give.
    """
    found = [*_of_channels(checked, bench), *_of_lines(checked, bench), *_of_sensors(checked)]
    source = checked.problems.source
    names = []
    for node in everything(checked):
        if isinstance(node, tree.Ask) and node.into is not None:
            names.append(node.into.id)
        if nobody_answers and isinstance(node, tree.Ask | tree.ConfirmStep | tree.Confirm):
            found.append(
                Problem(
                    "nobody-to-ask",
                    "this waits for a person, and nobody is there to answer",
                    node.span,
                    source,
                    "run it in a terminal, or leave the question out",
                    fault="person",
                )
            )
    for name in answers:
        if name not in names:
            wanted = near(name, names)
            hint = f"give an answer to {listed(names)}" if names else "leave the answer out"
            found.append(
                Problem(
                    "unknown-answer",
                    f"there is an answer for `{name}`, and no `ask` takes a value of that name",
                    NOWHERE,
                    source,
                    f"write {wanted}" if wanted else hint,
                    fault="person",
                )
            )
    return found


def _of_channels(checked: Checked, bench: Bench) -> Iterator[Problem]:
    """Pulses and captures that a channel can't make, or not in the form that is asked for."""
    for node in everything(checked):
        if isinstance(node, tree.PulseStep) or (isinstance(node, tree.Sweep) and node.pulsed):
            what, method = "timed pulses", "pulse"
        elif isinstance(node, tree.CaptureStep):
            what, method = "captures", "begin_capture"
        else:
            continue
        name = node.channel.id
        channel = bench.channels[name]
        if not callable(getattr(channel, method, None)):
            yield Problem(
                "bench-lacks-capability",
                f"`{name}` makes no {what} as this bench opens it: the commands of its dialect "
                "have none",
                node.channel.span,
                checked.problems.source,
                "dry-run it, or take an instrument whose dialect has them",
                fault="bench",
            )


def _of_lines(checked: Checked, bench: Bench) -> Iterator[Problem]:
    known = bench.lines
    for name, facts in checked.digital.items():
        if name not in known:
            hint = f"the bench has {listed(known)}" if known else "this bench has none"
            yield Problem(
                "bench-lacks-line",
                f"the bench has no digital line `{name}`",
                facts.span,
                checked.problems.source,
                f"describe [digital.{name}] in the bench file; {hint}",
                fault="bench",
            )


def _of_sensors(checked: Checked) -> Iterator[Problem]:
    """Ratings that no reading of this program can be held against."""
    for part in checked.parts.values():
        for quantity in part.ratings:
            watched = part.watched_by.get(quantity)
            if watched and checked.channels[watched].sensed == quantity:
                continue
            if quantity in _READ and not (watched and quantity in ("energy", "charge")):
                continue
            by = f"`{watched}` reads" if watched else "its channel reads"
            reason = f"{by} voltage and current alone"
            if quantity in _READ:
                reason = f"{quantity} is counted where it is sourced, and not by `{watched}`"
            yield Problem(
                "rating-unwatched",
                f"nothing can watch the {quantity} of `{part.name}`: {reason}",
                part.places.get(quantity, part.span),
                checked.problems.source,
                "leave this rating out, and watch it yourself",
                fault="bench",
            )
