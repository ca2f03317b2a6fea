"""Lines that are typed, through a pipe that stands for a terminal."""

from __future__ import annotations

import os
from collections.abc import Iterator

import pytest

from sequencer.report.keyboard import Asking, Keyboard

LONGEST_S = 30.0


@pytest.fixture
def pipe() -> Iterator[tuple[Keyboard, int]]:
    read, write = os.pipe()
    try:
        yield Keyboard(read), write
    finally:
        with open(write, "wb", closefd=True):
            pass


def test_lines_come_in_their_order_and_then_the_end() -> None:
    read, write = os.pipe()
    keyboard = Keyboard(read)
    os.write(write, "one\ntwo Ω\r\nth".encode())
    os.write(write, b"ree\nfour")
    os.close(write)
    assert [keyboard.line(LONGEST_S) for _ in range(4)] == ["one", "two Ω", "three", "four"]
    for _ in range(2):
        with pytest.raises(EOFError):
            keyboard.line(LONGEST_S)
    os.close(read)


def test_nobody_waits_for_a_line_that_is_not_there(pipe: tuple[Keyboard, int]) -> None:
    keyboard, write = pipe
    assert keyboard.line() is None
    os.write(write, b"now\n")
    assert keyboard.line(LONGEST_S) == "now"


def test_what_was_typed_before_a_question_does_not_answer_it(pipe: tuple[Keyboard, int]) -> None:
    keyboard, write = pipe
    shown: list[str] = []
    over: list[str] = []
    asking = Asking(keyboard, shown.append, lambda: over.append("over"))
    os.write(write, b"yes\n")
    assert keyboard.line(LONGEST_S) == "yes"  # it has been read by now, and so has what follows
    os.write(write, b"stray\nlast\n")
    while keyboard.line(LONGEST_S) != "last":
        pass
    asking.ask("Is the lid closed?")
    assert (shown, asking.answer(), over) == (["Is the lid closed?"], None, [])
    os.write(write, b"no\n")
    assert keyboard.line(LONGEST_S) == "no"
    asking.withdraw()
    assert over == ["over"]


def test_lines_of_a_script_are_answers_too(pipe: tuple[Keyboard, int]) -> None:
    keyboard, write = pipe
    asking = Asking(keyboard, lambda text: None, typed_ahead=True)
    os.write(write, b"first\n25 C\n")
    assert keyboard.line(LONGEST_S) == "first"
    asking.ask("How warm is it?")
    assert asking.answer() == "25 C"
