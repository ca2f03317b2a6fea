"""The questions before power, asked of a person made of prepared answers."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from sequencer.arming import Asking, Caution, NotArmed, Stake, arm

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
    ("stake", "answers"),
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
    stake: Stake, answers: list[str | None]
) -> None:
    with pytest.raises(NotArmed):
        arm(stake, Person(*answers).asking)


@pytest.mark.parametrize("second", [1, 2, 3, 4, 5])
def test_who_leaves_in_the_countdown_has_armed_nothing(second: int) -> None:
    person = Person("\n", "\n", "arm\n")
    person.leaves_at_tick = second
    with pytest.raises(NotArmed):
        arm(GRAVE, person.asking)
    assert person.ticks == second
