"""The table of faults that a dry run can rehearse on command, and how each is asked for.

Read by the command line's help as well: the module loads nothing of the simulation.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Literal, NamedTuple


class FaultKind(NamedTuple):
    """One kind of fault: what happens, and whether it has a time of its own."""

    what: str
    timed: Literal["never", "may", "must"] = "may"


KINDS: Mapping[str, FaultKind] = {
    "reversed": FaultKind("the leads of the part are the wrong way round", "never"),
    "lead-off": FaultKind("a lead drops off"),
    "bounce": FaultKind("a lead has no contact for moments, within a tenth of a second"),
    "sense-open": FaultKind("the sense leads drop off, where the channel senses remotely"),
    "sense-reversed": FaultKind(
        "the sense leads are the wrong way round, where the channel senses remotely"
    ),
    "power-cycle": FaultKind("the instrument loses its mains for a moment", "must"),
    "output-stuck": FaultKind("the output, once on, no longer goes off"),
}
"""Every kind of fault, and what happens."""


def form(kind: str) -> str:
    """How a kind is written, as in “lead-off[@TIME]”."""
    time = {"never": "", "may": "[@TIME]", "must": "@TIME"}[KINDS[kind].timed]
    return kind + time
