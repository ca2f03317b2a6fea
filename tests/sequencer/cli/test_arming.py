"""The questions before power, asked of a person made of prepared answers."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import pytest

from drivers.figures import Rectangle
from sequencer import api, shipped
from sequencer.arming import Asking, Caution, NotArmed, Stake, arm, stake_of

LIGHT = Stake((), (Caution("blocking", "Hot."),), 3.0)
GRAVE = Stake(
    ("up to 90.7 kJ can flow",),
    (Caution("bank", "Stored energy."), Caution("bank", "Polarity.")),
    9e4,
)


class Person:
    """Answers in turn; `None` is Ctrl-C, and after the last answer the input has ended."""

    def __init__(self, *answers: str | None) -> None:
        self._answers: Iterator[str | None] = iter(answers)
        self.heard: list[str] = []
        self.ticks = 0
        self.leaves_at_tick = 0

    def ask(self, question: str) -> str:
        self.heard.append(question)
        for answer in self._answers:
            if answer is None:
                raise KeyboardInterrupt
            return answer
        raise EOFError

    def tick(self) -> None:
        self.ticks += 1
        if self.ticks == self.leaves_at_tick:
            raise KeyboardInterrupt

    @property
    def asking(self) -> Asking:
        return Asking(self.heard.append, self.ask, self.tick)


def test_little_at_stake_asks_for_enter_alone() -> None:
    person = Person("\n")
    assert arm(LIGHT, person.asking) == ["armed with Enter"]
    assert person.heard == ["Caution, blocking: Hot.", "Enter switches on, Ctrl-C leaves. "]
    assert person.ticks == 0


def test_much_at_stake_asks_for_each_caution_a_word_and_five_seconds() -> None:
    person = Person("\n", "\n", "yes\n", "\n", "ARM\n")
    assert arm(GRAVE, person.asking) == [
        "acknowledged, bank: Stored energy.",
        "acknowledged, bank: Polarity.",
        "armed with the word “arm”",
    ]
    assert person.heard == [
        "At stake: up to 90.7 kJ can flow.",
        "Caution 1 of 2, bank: Stored energy.",
        "Enter when you have seen to it, Ctrl-C leaves. ",
        "Caution 2 of 2, bank: Polarity.",
        "Enter when you have seen to it, Ctrl-C leaves. ",
        "Type arm to switch on, Ctrl-C leaves: ",
        "Nothing is switched on yet.",
        "Type arm to switch on, Ctrl-C leaves: ",
        "Nothing is switched on yet.",
        "Type arm to switch on, Ctrl-C leaves: ",
        *(f"On in {left} s. Ctrl-C leaves." for left in (5, 4, 3, 2, 1)),
    ]
    assert person.ticks == 5


@pytest.mark.parametrize(
    ("at_stake", "answers"),
    [
        (LIGHT, [None]),
        (LIGHT, []),
        (GRAVE, [None]),
        (GRAVE, ["\n", None]),
        (GRAVE, ["\n", "\n", None]),
        (GRAVE, ["\n", "\n", "no\n"]),
    ],
)
def test_who_leaves_at_any_question_has_armed_nothing(
    at_stake: Stake, answers: list[str | None]
) -> None:
    with pytest.raises(NotArmed):
        arm(at_stake, Person(*answers).asking)


@pytest.mark.parametrize("second", [1, 2, 3, 4, 5])
def test_who_leaves_in_the_countdown_has_armed_nothing(second: int) -> None:
    person = Person("\n", "\n", "arm\n")
    person.leaves_at_tick = second
    with pytest.raises(NotArmed):
        arm(GRAVE, person.asking)
    assert person.ticks == second


def stake(name: str, **replaced: Any) -> Stake:
    """What is at stake with a shipped recipe on its bench, words of the specification replaced."""
    recipe = shipped.find_recipe(name)
    file = api.load_bench(shipped.bench_beside(recipe))
    if replaced:
        changed = {
            channel: specification.model_copy(update=replaced)
            for channel, specification in file.specifications.items()
        }
        file = replace(file, specifications=changed)
    return stake_of(api.check(recipe, file), file)


def test_a_supercapacitor_is_armed_with_cautions_and_a_word() -> None:
    found = stake("characterise-supercapacitor")
    (reason,) = found.reasons
    # IEC 60950-1 as quoted: from 2 V, more than 20 J
    assert "past the 20 J above which energy is a hazard of its own" in reason
    assert found.energy_j > 20.0
    assert [caution.part for caution in found.cautions] == ["bank", "bank"]


def test_a_diode_is_armed_with_enter() -> None:
    found = stake("sweep-diode")
    assert found.reasons == ()
    assert found.energy_j <= 20.0
    assert [caution.part for caution in found.cautions] == ["blocking"]


@pytest.mark.parametrize(("volts", "grave"), [(60.0, False), (60.1, True), (200.0, True)])
def test_touch_is_judged_by_what_the_instrument_could_put_out(volts: float, grave: bool) -> None:
    # IEC 61010-1, from memory: 60 V direct may be touched
    rectangle = Rectangle.model_construct(voltage=volts, current=1.0, direction="both")
    found = stake("sweep-diode", continuous=(rectangle,))
    assert found.grave is grave
    if grave:
        (reason,) = found.reasons
        assert reason == (
            f"smu can put out {volts:g} V in a fault, past the 60 V that may be touched"
        )
        assert found.cautions[0].part == "smu"
        assert "touch" in found.cautions[0].text
