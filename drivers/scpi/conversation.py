"""A conversation with an instrument: groups of commands out, named answers and errors back.

A group is the lines of some actions of the dialect, with the question for the error queue at its
end. What comes back is either read as the dialect says, or makes the link suspect. The module knows
neither volts nor setpoints; what an error means is its caller's.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Sequence
from typing import NamedTuple, NoReturn, TypeVar

from drivers.channel import Mode
from drivers.faults import InstrumentError, LinkError
from drivers.scpi.dialect import (
    AnswerError,
    Dialect,
    chain,
    read_integer,
    read_number,
    read_string,
    split_answer,
)
from drivers.scpi.link import Link

Value = TypeVar("Value")
Answer = tuple[tuple[str, ...], ...]

# An instrument whose queue never empties is not asked for more entries than this.
_MOST_ERRORS = 32
_LAST_ERROR = re.compile(r'(?:^|;)\s*([+-]?[0-9]+)\s*,\s*("(?:[^"]|"")*")\s*$')


class ErrorEntry(NamedTuple):
    """One entry of an instrument's error queue; 0 stands for none."""

    number: int
    text: str

    def __str__(self) -> str:
        return f"{self.number} “{self.text}”"


class Report(NamedTuple):
    """What came back for a group: the fields by name, and the errors in order, without zeros.

    Where an error stood in the place of an answer, the group is `refused` and has no fields.
    """

    fields: dict[str, str]
    errors: list[ErrorEntry]
    refused: bool = False


class Refused(InstrumentError):
    """An error entry came in the place of an answer that was asked for."""

    def __init__(self, entry: ErrorEntry) -> None:
        super().__init__(f"the instrument reports {entry}")
        self.entry = entry


class Conversation:
    """A link with a dialect; `margin_s` is what an exchange may take beyond the instrument's own.

    `error_answer` is what comes at the end of every group: a number and a text.
    """

    def __init__(self, name: str, link: Link, dialect: Dialect, margin_s: float) -> None:
        self.name = name
        self.link = link
        self.dialect = dialect
        self.margin_s = margin_s
        self.error_units = dialect.actions["read_error"].send
        self.error_answer = dialect.actions["read_error"].answer

    def do(self, *actions: str, busy_s: float = 0.0) -> Report:
        """Do actions that carry no values, ask what they ask, then ask for errors."""
        commands = [self.dialect.actions[action] for action in actions]
        return self._group(
            tuple(line for command in commands for line in command.send),
            tuple(group for command in commands for group in command.answer),
            busy_s,
        )

    def say(self, units: Sequence[str], *queries: str, busy_s: float = 0.0) -> Report:
        """Send lines that ask nothing, then do actions, then ask for errors."""
        commands = [self.dialect.actions[query] for query in queries]
        return self._group(
            (*units, *(line for command in commands for line in command.send)),
            tuple(group for command in commands for group in command.answer),
            busy_s,
        )

    def _group(self, units: tuple[str, ...], answer: Answer, busy_s: float) -> Report:
        try:
            *values, number, text = self.answers(
                units + self.error_units, answer + self.error_answer, busy_s
            )
        except Refused as refused:
            return Report({}, self.all_errors(refused.entry), refused=True)
        names = [field for group in answer for field in group]
        return Report(
            dict(zip(names, values, strict=True)), self.all_errors(self.entry(number, text))
        )

    def answers(self, units: tuple[str, ...], answer: Answer, busy_s: float) -> list[str]:
        """The fields of the answers to some lines, in the order in which they come.

        Raises Refused where an error entry came in the place of an answer, LinkError for nonsense.
        """
        timeout_s = self.margin_s + busy_s
        if self.dialect.chained:
            text = self.link.exchange(chain(units), timeout_s)
        else:
            text = self._one_by_one(units, timeout_s)
        try:
            return split_answer(text, answer)
        except AnswerError as error:
            # A query that can't be carried out leaves its place empty; the queue says why.
            last = _LAST_ERROR.search(text)
            if last is not None and int(last[1]) != 0:
                raise Refused(ErrorEntry(int(last[1]), read_string(last[2]))) from None
            self.nonsense(error)

    def shout(self, units: Sequence[str]) -> None:
        """Send lines over a link that isn't trusted any more, and ask nothing. Raises LinkError."""
        for message in [chain(tuple(units))] if self.dialect.chained else units:
            self.link.shout(message, self.margin_s)

    def _one_by_one(self, units: tuple[str, ...], timeout_s: float) -> str:
        answers = []
        for unit in units:
            if unit.split(" ", 1)[0].endswith("?"):
                answers.append(self.link.exchange(unit, timeout_s))
            else:
                self.link.send(unit, timeout_s)
        return ";".join(answers)

    def ask_alone(self, action: str) -> str:
        """The whole answer to a query that is free text and must stand alone."""
        return self.link.exchange(chain(self.dialect.actions[action].send), self.margin_s).strip()

    def renew(self, number: int, busy_s: float) -> None:
        """Clear the link and prove by an echo of a number that nothing late is under way."""
        units = self.dialect.actions["echo"].units(integer=number)
        fence = chain(units) if self.dialect.chained else "\n".join(units)
        self.link.renew(self.margin_s + busy_s, fence, lambda line: _is_number(line, number))

    def entry(self, number: str, text: str) -> ErrorEntry:
        """An entry of the error queue from its two fields."""
        return ErrorEntry(self.read(read_integer, number), read_string(text))

    def all_errors(self, first: ErrorEntry) -> list[ErrorEntry]:
        """That entry and all that follow it in the queue; none where it is no error."""
        entries: list[ErrorEntry] = []
        while first.number != 0 and len(entries) < _MOST_ERRORS:
            entries.append(first)
            first = self.entry(*self.answers(self.error_units, self.error_answer, 0.0))
        return entries

    def read(self, reader: Callable[[str], Value], text: str) -> Value:
        """A field read as what it should be; nonsense makes the link suspect and is a LinkError."""
        try:
            return reader(text)
        except AnswerError as error:
            self.nonsense(error)

    def mode(self, text: str) -> Mode:
        """A field that names a mode."""
        return self.read(self.dialect.mode, text)

    def number(self, text: str) -> float:
        """A field that is a number, ±inf past the range. Raises InstrumentError where it is none.

        The standard's not-a-number is a number to the link: the instrument says that it has none.
        """
        value = self.read(read_number, text)
        if math.isnan(value):
            raise InstrumentError(
                f"{self.name}: the instrument has no value ({text.strip()} is not a number)",
                "Check its set-up: it was asked for something that it could not measure.",
            )
        return value

    def nonsense(self, error: AnswerError) -> NoReturn:
        """An answer that can't be what was asked for: what comes next can't be trusted either."""
        self.link.distrust()
        raise LinkError(
            f"{self.name} ({self.link.resource}): the answer makes no sense: {error}",
            "Check that the dialect is the instrument's, and that no other program talks to it.",
        )


def _is_number(line: str, number: int) -> bool:
    try:
        return read_integer(line) == number
    except AnswerError:
        return False
