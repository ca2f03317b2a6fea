"""Questions to the person while guards go on, and what a rehearsal answers in the person's place.

The run asks, and polls for the answer between readings, so that it is never blind however long the
person thinks. Whoever stands at the terminal's side meets `Asker`; nothing here knows a terminal.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import TYPE_CHECKING, Protocol

from grammar.quantity import Dimension, Quantity, UnitError, read, write
from sequencer.engine.ending import Failed, Interrupted
from sequencer.engine.pace import ATTENTION_S

if TYPE_CHECKING:
    from sequencer.engine.pace import Pace

YES, NO = ("y", "yes"), ("n", "no")


class Asker(Protocol):
    """The person's side of a question; one is open at a time.

    Neither method may wait: the run has outputs to watch.
    """

    def ask(self, text: str) -> None:
        """Show a question and begin to wait for its answer; a question asked before is over."""
        ...

    def answer(self) -> str | None:
        """The line that was typed, None while there is none. Raises EOFError if none can come."""
        ...

    def withdraw(self) -> None:
        """The question is over without an answer: the run ends, or has gone on."""
        ...


class Questions:
    """The questions of one run. Without an asker they are answered as in a rehearsal.

    `answers` are the values that a rehearsal gives, by name; `typed` are those that were given.
    """

    def __init__(self, pace: Pace, asker: Asker | None, answers: Mapping[str, Quantity]) -> None:
        self._pace = pace
        self._asker = asker
        self._answers = answers
        self.typed: dict[str, str] = {}

    def wait(self, text: str) -> None:
        """Wait until the person has read it and answers anything."""
        if self._asker is None:
            self._note(f"{text} (rehearsed)")
            return
        said = self._ask(text)
        self._note(f"{text} {said}".rstrip())

    def yes(self, text: str, rehearsed: bool) -> bool:
        """Ask for a yes or a no."""
        if self._asker is None:
            self._note(f"{text} {'yes' if rehearsed else 'no'} (rehearsed)")
            return rehearsed
        said = self._ask(text)
        while said.casefold() not in YES + NO:
            said = self._ask(f"“{said}” is neither: answer yes or no. {text}")
        answer = said.casefold() in YES
        self._note(f"{text} {'yes' if answer else 'no'}")
        return answer

    def confirm(self, text: str) -> None:
        """Go on only if the person says yes. Raises Interrupted."""
        if not self.yes(text, rehearsed=True):
            raise Interrupted(reason=f"stopped by the person, who said no to “{text}”")

    def value(self, text: str, name: str, low: float, high: float, dimension: Dimension) -> float:
        """Ask for a value between two bounds (SI); asked again, with the reason, until it fits."""
        wanted = f"from {write(low, dimension)} to {write(high, dimension)}"
        if self._asker is None:
            value = self._rehearsed(name, low, high, dimension, wanted)
            said = f"{write(value, dimension)} (rehearsed)"
        else:
            found, why = None, ""
            while found is None:
                said = self._ask(f"{why}{text} ({wanted})")
                found, wrong = _read(said, low, high, dimension, wanted)
                why = f"{wrong}. "
            value, said = found, write(found, dimension)
        self.typed[name] = write(value, dimension)
        self._note(f"{text} {name} = {said}")
        self._pace.record.update(conditions=self.typed)
        return value

    def _rehearsed(
        self, name: str, low: float, high: float, dimension: Dimension, wanted: str
    ) -> float:
        """The value given for a dry run, or the middle of its span."""
        if name not in self._answers:
            middle = low / 2 + high / 2
            if math.isfinite(middle):
                return middle
            raise Failed(f"`{name}` is asked for without two bounds: it has no middle", "recipe")
        value, wrong = _fits(self._answers[name], low, high, dimension, wanted)
        if value is None:
            raise Failed(f"the answer given for `{name}` doesn't fit: {wrong}", "person")
        return value

    def _ask(self, text: str) -> str:
        """Ask, and let time pass under guards until an answer is there."""
        assert self._asker is not None
        self._asker.ask(text)
        try:
            while True:
                said = self._asker.answer()
                if said is not None:
                    return said.strip()
                self._pace.wait_until(self._pace.now() + ATTENTION_S)
        except EOFError:
            raise Failed(f"nobody is there to answer “{text}”", "person") from None
        except BaseException:
            self._asker.withdraw()
            raise

    def _note(self, text: str) -> None:
        self._pace.record.note(self._pace.now(), text, "person")
        self._pace.touched()


def _read(
    said: str, low: float, high: float, dimension: Dimension, wanted: str
) -> tuple[float | None, str]:
    """A typed value in SI, or None and what is wrong with it."""
    try:
        found = read(said)
    except UnitError as error:
        return None, f"“{said}”: {error}"
    return _fits(found, low, high, dimension, wanted)


def _fits(
    found: Quantity, low: float, high: float, dimension: Dimension, wanted: str
) -> tuple[float | None, str]:
    if found.dimension != dimension:
        if found.dimension.is_plain:
            return None, f"the unit is missing: it takes a {dimension.name}, {wanted}"
        return None, f"this is a {found.dimension.name}, and it takes a {dimension.name}, {wanted}"
    if not low <= found.value <= high:
        return None, f"{write(found.value, dimension)} is not {wanted}"
    return found.value, ""
