"""The table of kinds: what a part of a kind forces by itself, how it goes off, what to beware of.

One table that every room reads: the checker (what the part can force), the runner (how its output
goes off, the presence push, how its energy counts), the command line (cautions). Figures here are
common practice unless a source is named.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Forces = Literal["nothing", "up to its rating", "within its rating"]
Off = Literal["open", "current to zero", "ramp to zero", "zero volts"]

SETTLED_AT_ZERO_S = 0.05
"""How long each level on the way to zero is held before the output opens."""
RAMP_STEPS = 20
"""In how many levels a ramp to zero comes down."""


def way_off_s(off: Off) -> float:
    """How long the output stays on while it goes off by a way (s), without its switching time."""
    if off == "open":
        return 0.0
    return SETTLED_AT_ZERO_S * (RAMP_STEPS if off == "ramp to zero" else 1)


@dataclass(frozen=True)
class Kind:
    """One kind of part.

    `forces`: the voltage that the part brings by itself. `off` is the usual way off, `trip` the one
    at a trip; every way ends open. `energy` says how an energy or charge rating counts: from the
    run's start for what dissipates, from its lowest point since the output went on for what stores.
    """

    name: str
    forces: Forces
    energy: Literal["dissipates", "stores"]
    cautions: tuple[str, ...]
    off: Off = "open"
    trip: Off = "open"


_STORED = (
    "Stored energy: a charged capacitor stays charged after the output is off and can weld tools. "
    "Discharge it, then leave it shorted through a resistor: its voltage recovers."
)
_POLARITY = "Polarity: a polarised part that is reversed can vent or burst. Check it twice."
_CELL = (
    "Cells vent and burn when overcharged, reversed or shorted. Never leave a cell charging "
    "unattended without its own protection."
)
_HOT = "Hot: the part may burn fingers, and may burst or fly when it is overdriven. Cover it."
_PANEL = (
    "A panel in light is always on. Cover it before wiring, never break a loaded DC connector; "
    "strings can pass 60 V."
)
_LASER = (
    "Laser light, often invisible: enclosure first, beam on a stop, then goggles for the "
    "wavelength; follow the rules for its class."
)
_MOVES = "Moving parts start without warning. Keep fingers, hair and sleeves away."


def _kind(
    name: str,
    forces: Forces,
    energy: Literal["dissipates", "stores"],
    *cautions: str,
    off: Off = "open",
    trip: Off = "open",
) -> tuple[str, Kind]:
    return name, Kind(name, forces, energy, cautions, off, trip)


KINDS: dict[str, Kind] = dict(
    (
        _kind("capacitor", "within its rating", "stores", _STORED, _POLARITY),
        _kind("cell", "within its rating", "stores", _CELL, _POLARITY),
        _kind("resistor", "nothing", "dissipates", _HOT),
        _kind("contact", "nothing", "dissipates"),
        _kind("insulator", "nothing", "dissipates", off="zero volts", trip="zero volts"),
        _kind("solar cell", "up to its rating", "stores", _PANEL),
        _kind("solar module", "up to its rating", "stores", _PANEL),
        _kind("diode", "nothing", "dissipates", _HOT),
        _kind("LED", "nothing", "dissipates", "Bright light: don't stare into it."),
        _kind("suppressor", "nothing", "dissipates", _HOT),
        _kind("resettable fuse", "nothing", "dissipates", _HOT),
        _kind("laser diode", "nothing", "dissipates", _LASER, off="ramp to zero"),
        _kind("photodiode", "up to its rating", "stores"),
        _kind(
            "motor",
            "within its rating",
            "dissipates",
            _MOVES,
            off="current to zero",
            trip="current to zero",
        ),
        _kind(
            "coil",
            "within its rating",
            "dissipates",
            "A coil keeps its current: breaking it makes a spark and a high voltage.",
            off="current to zero",
            trip="current to zero",
        ),
        _kind("other", "within its rating", "stores"),
    )
)

ONE_WAY = ("diode", "LED", "laser diode")
"""The kinds that let current through one way, and block the other."""
