"""The questions before power: how much is at stake, what to beware of, and a word to go on.

What is asked scales with what is at stake. Everything is asked through the few callables that are
handed in, so that a terminal, a page or a test may stand behind them. Switches nothing.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, NamedTuple

from drivers.kinds import KINDS
from grammar.quantity import ENERGY, VOLTAGE, write

if TYPE_CHECKING:
    from drivers.bench import BenchFile
    from sequencer.checker import Checked

TOUCH_V = 60.0
"""Direct voltage that may be touched, dry (IEC 61010-1, from memory)."""
HAZARDOUS_ENERGY_J = 20.0
"""Energy hazard, from 2 V up (historic IEC 60950-1 bound, as quoted)."""
HAZARDOUS_FROM_V = 2.0
COUNTDOWN_S = 5
WORD = "arm"
_GRAVE_KINDS = {
    "cell": "is a cell: it can vent and burn",
    "laser diode": "is a laser diode: its light can blind",
}
_TOUCH = (
    "Voltage: past 60 V direct a touch can hurt or kill. Cover the terminals, one hand away, "
    "nobody alone."
)


class NotArmed(Exception):
    """The person did not go on; nothing was switched on."""


class Caution(NamedTuple):
    """What to beware of, and with which part."""

    part: str
    text: str


class Stake(NamedTuple):
    """What is at stake: `reasons` why more than Enter is asked, empty where Enter is enough."""

    reasons: tuple[str, ...]
    cautions: tuple[Caution, ...]
    energy_j: float

    @property
    def grave(self) -> bool:
        """Whether the cautions are acknowledged one by one and a word is typed."""
        return bool(self.reasons)


class Asking(NamedTuple):
    """How the person is asked.

    `say` shows a text, `ask` shows a question and returns the answer, `tick` sounds and waits one
    second. All may raise KeyboardInterrupt or EOFError: the person went away.
    """

    say: Callable[[str], None]
    ask: Callable[[str], str]
    tick: Callable[[], None]


def stake_of(checked: Checked, bench: BenchFile) -> Stake:
    """What is at stake: judged by what the instrument could put out in a fault, too."""
    reasons: list[str] = []
    cautions: list[Caution] = []
    for name in checked.channels:
        volts = bench.specifications[name].largest_voltage
        if volts > TOUCH_V:
            reasons.append(
                f"{name} can put out {write(volts, VOLTAGE)} in a fault, past the "
                f"{write(TOUCH_V, VOLTAGE)} that may be touched"
            )
            cautions.append(Caution(name, _TOUCH))
    worst = checked.worst.stake if checked.worst is not None else None
    energy = worst.energy if worst is not None else 0.0
    if worst is not None and worst.voltage >= HAZARDOUS_FROM_V and energy > HAZARDOUS_ENERGY_J:
        reasons.append(
            f"up to {write(energy, ENERGY, 3)} can flow, past the "
            f"{write(HAZARDOUS_ENERGY_J, ENERGY)} above which energy is a hazard of its own"
        )
    for part in checked.parts.values():
        if part.kind in _GRAVE_KINDS:
            reasons.append(f"{part.name} {_GRAVE_KINDS[part.kind]}")
        cautions += [Caution(part.name, text) for text in KINDS[part.kind].cautions]
    return Stake(tuple(reasons), tuple(cautions), energy)


def unattended(checked: Checked) -> str:
    """Why nobody may be away from this run; empty where nothing speaks against it."""
    for part in checked.parts.values():
        if part.kind == "cell":
            return (
                f"{part.name} is a cell, and a cell is not charged unattended: neither a reading "
                "of its temperature nor protection of its own is known here"
            )
    return ""


def arm(stake: Stake, asking: Asking) -> list[str]:
    """Ask; returns what the person acknowledged, for the record. Raises NotArmed."""
    try:
        if not stake.grave:
            return _lightly(stake, asking)
        return _gravely(stake, asking)
    except (KeyboardInterrupt, EOFError):
        raise NotArmed from None


def _lightly(stake: Stake, asking: Asking) -> list[str]:
    for caution in stake.cautions:
        asking.say(f"Caution, {caution.part}: {caution.text}")
    asking.ask("Enter switches on, Ctrl-C leaves. ")
    return ["armed with Enter"]


def _gravely(stake: Stake, asking: Asking) -> list[str]:
    asking.say("At stake: " + "; ".join(stake.reasons) + ".")
    kept = []
    count = len(stake.cautions)
    for k, caution in enumerate(stake.cautions, 1):
        asking.say(f"Caution {k} of {count}, {caution.part}: {caution.text}")
        asking.ask("Enter when you have seen to it, Ctrl-C leaves. ")
        kept.append(f"acknowledged, {caution.part}: {caution.text}")
    while asking.ask(f"Type {WORD} to switch on, Ctrl-C leaves: ").strip().lower() != WORD:
        asking.say("Nothing is switched on yet.")
    for left in range(COUNTDOWN_S, 0, -1):
        asking.say(f"On in {left} s. Ctrl-C leaves.")
        asking.tick()
    return [*kept, f"armed with the word “{WORD}”"]
