"""A dialect: which SCPI lines an instrument is sent for each action, and how its answers are read.

A dialect is data that a person writes in TOML, never code. It comes from strangers, so it may hold
nothing but program headers, numbers, keywords and typed placeholders; every size is bounded, and
values reach an instrument only through the placeholders, as numbers and booleans. The module knows
no link and no channel; `dialect_file` reads and judges the files.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal, NamedTuple

from drivers.faults import InstrumentError

Takes = Literal["number", "integer", "boolean"]

# IEEE 488.2 7.6 and SCPI-1999 (from memory): a header, then numbers, keywords or placeholders with
# commas between them. Strings and blocks are left out on purpose: they can carry anything.
_HEADER = r"(?:\*[A-Za-z]{1,12}|[A-Za-z][A-Za-z0-9]{0,11}(?::[A-Za-z][A-Za-z0-9]{0,11})*)\??"
_PARAMETER = r"(?:[A-Za-z0-9+.\-]+|\{[a-z_]+\})"
UNIT_PATTERN = re.compile(rf"{_HEADER}(?: {_PARAMETER}(?:, ?{_PARAMETER})*)?")
PLACEHOLDER = re.compile(r"\{([a-z_]+)\}")
LONGEST_UNIT = 120
MOST_UNITS = 16

# SCPI-1999 volume 1, 7.2.1: what an instrument answers for a value past its range, and for none.
INFINITY = 9.9e37
NOT_A_NUMBER = 9.91e37


class Action(NamedTuple):
    """What an action may carry: its placeholders by type, the fields that its answer must have."""

    placeholders: Mapping[str, Takes]
    fields: frozenset[str]
    required: bool
    text: str


def _action(text: str, fields: str = "", *, required: bool = True, **placeholders: Takes) -> Action:
    return Action(placeholders, frozenset(fields.split()), required, text)


_SETPOINT = "level low high"
_ERROR = "error_number error_text"
ACTIONS: dict[str, Action] = {
    "identify": _action("who answers", "maker model serial firmware"),
    "reset": _action("to the reset state, output off"),
    "clear": _action("forget errors and events"),
    "echo": _action("answers the integer sent (0 to 255)", "integer", integer="integer"),
    "complete": _action("answers 1 when all that was asked is done", "done"),
    "read_error": _action("the oldest entry of the error queue", _ERROR),
    "read_events": _action("the standard event status register, read and cleared", "events"),
    "read_condition": _action("the register with the bits under [limit_bits]", "condition"),
    "source_voltage": _action("source a voltage from now on"),
    "source_current": _action("source a current from now on"),
    "read_mode": _action("what is sourced, one of [keywords]", "mode"),
    "voltage_level": _action("the voltage to source", level="number"),
    "current_level": _action("the current to source", level="number"),
    "voltage_limit_high": _action("upper voltage limit", limit="number", required=False),
    "voltage_limit_low": _action("lower voltage limit", limit="number", required=False),
    "voltage_limit": _action("symmetric voltage limit", limit="number", required=False),
    "current_limit_high": _action("upper current limit", limit="number", required=False),
    "current_limit_low": _action("lower current limit", limit="number", required=False),
    "current_limit": _action("symmetric current limit", limit="number", required=False),
    "read_voltage_source": _action("voltage level, current limits", _SETPOINT),
    "read_current_source": _action("current level, voltage limits", _SETPOINT),
    "output": _action("switch the output", on="boolean"),
    "read_output": _action("whether the output is on", "output"),
    "source_voltage_range": _action("range of the voltage source", range="number", required=False),
    "source_current_range": _action("range of the current source", range="number", required=False),
    "source_voltage_autorange": _action("the voltage source follows its level", required=False),
    "source_current_autorange": _action("the current source follows its level", required=False),
    "measure_voltage_range": _action("range of the voltmeter", range="number"),
    "measure_current_range": _action("range of the ammeter", range="number"),
    "measure_voltage_autorange": _action("the voltmeter follows its reading"),
    "measure_current_autorange": _action("the ammeter follows its reading"),
    "read_ranges": _action("ranges in force", "voltage_range current_range"),
    "aperture_cycles": _action("aperture in power line cycles", cycles="number"),
    "aperture_seconds": _action("aperture in seconds", seconds="number", required=False),
    "average": _action("how many apertures make a reading", count="integer", required=False),
    "remote_sense": _action("sense at the part", required=False),
    "local_sense": _action("sense at the terminals", required=False),
    "measure": _action("take a reading and give it", "voltage current condition"),
}
FIELDS = frozenset({"_"}.union(*(action.fields for action in ACTIONS.values())))


class AnswerError(ValueError):
    """An answer that doesn't read as the dialect says."""


@dataclass(frozen=True, slots=True)
class Command:
    """The lines of one action, and the fields of its answer, one tuple a query."""

    send: tuple[str, ...]
    answer: tuple[tuple[str, ...], ...] = ()

    def units(self, **values: float | int | bool) -> tuple[str, ...]:
        """The lines with their placeholders filled; a float keeps all its digits.

        Raises ValueError for a value that is not finite: no instrument is to be sent one.
        """
        if not values:
            return self.send
        written = {name: written_as_parameter(value) for name, value in values.items()}
        return tuple(line.format_map(written) for line in self.send)


@dataclass(frozen=True, slots=True)
class Dialect:
    """One dialect, read and judged. `limit_bits`: the condition bit of each quantity's limit."""

    title: str
    forms_from: str
    chained: bool
    keywords: Mapping[str, str]
    limit_bits: Mapping[str, int]
    actions: Mapping[str, Command]

    def knows(self, action: str) -> bool:
        """Whether the dialect says how an optional action is done."""
        return action in self.actions

    def units(self, action: str, **values: float) -> list[str]:
        """The lines of an action. Raises InstrumentError for a value that is not finite."""
        try:
            return list(self.actions[action].units(**values))
        except ValueError as error:
            raise InstrumentError(str(error)) from None

    def mode(self, keyword: str) -> Literal["voltage", "current"]:
        """Which mode a keyword names, long or short form, any case. Raises AnswerError."""
        word = keyword.strip().upper()
        if word in _forms(self.keywords["voltage"]):
            return "voltage"
        if word in _forms(self.keywords["current"]):
            return "current"
        raise AnswerError(f"“{keyword[:40]}” is neither of the dialect's two modes")


def _forms(keyword: str) -> tuple[str, str]:
    """The long and the short form of a keyword written as in the standard (VOLTage)."""
    return keyword.upper(), "".join(c for c in keyword if not c.islower())


def written_as_parameter(value: float | int | bool) -> str:
    """A value as program data: NR1, NR3 with all its digits, or 1 and 0 for a boolean."""
    if isinstance(value, bool):
        return "1" if value else "0"
    if not math.isfinite(value):
        raise ValueError(f"{value} is not a value that an instrument can be set to")
    return repr(value)


@lru_cache(maxsize=256)
def chain(units: tuple[str, ...]) -> str:
    """Several units in one message; each but a common command starts from the root of the tree."""
    return ";".join(
        unit if number == 0 or unit.startswith("*") else ":" + unit
        for number, unit in enumerate(units)
    )


def split_answer(text: str, answer: tuple[tuple[str, ...], ...]) -> list[str]:
    """The fields of an answer in the order in which the answer has them, still as text.

    Units stand apart by semicolons, fields by commas, neither of which counts within quotes. Raises
    AnswerError where their number isn't the one that was asked for.
    """
    fields: list[str] = []
    for unit, names in zip(_split(text, ";", len(answer)), answer, strict=True):
        fields += _split(unit, ",", len(names))
    return fields


def _split(text: str, separator: str, count: int) -> list[str]:
    """So many parts. Quotes are looked into only where the plain count differs: it is the rule
    that texts of errors hold neither separator, and this is done for every reading.
    """
    parts = text.split(separator)
    if len(parts) != count:
        parts = _split_outside_quotes(text, separator)
        if len(parts) != count:
            raise AnswerError(f"“{text[:60]}” has {len(parts)} values where {count} are due")
    return parts


def _split_outside_quotes(text: str, separator: str) -> list[str]:
    """Doubled quotes within a string (IEEE 488.2 8.7.8) fall out right by themselves."""
    parts, begin, quoted = [], 0, False
    for position, character in enumerate(text):
        if character == '"':
            quoted = not quoted
        elif character == separator and not quoted:
            parts.append(text[begin:position])
            begin = position + 1
    return [*parts, text[begin:]]


def read_number(text: str) -> float:
    """A decimal number of an answer (NR1, NR2, NR3); ±inf past the range, NaN for none.

    Raises AnswerError for anything else.
    """
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    # Python reads "nan", "inf" and "1_0" as numbers, which IEEE 488.2 doesn't know.
    if not math.isfinite(value) or "_" in text:
        raise AnswerError(f"“{text[:40]}” is not a number")
    if abs(value) < INFINITY:
        return value
    return math.nan if abs(value) >= NOT_A_NUMBER else math.copysign(math.inf, value)


def read_integer(text: str) -> int:
    """An integer of an answer; instruments may write one as "+0". Raises AnswerError."""
    try:
        return int(text)
    except ValueError:
        raise AnswerError(f"“{text[:40]}” is not a whole number") from None


def read_boolean(text: str) -> bool:
    """A boolean of an answer, 1 or 0 by the standard. Raises AnswerError."""
    word = text.strip().upper()
    if word in ("1", "+1", "ON"):
        return True
    if word in ("0", "+0", "OFF"):
        return False
    raise AnswerError(f"“{text[:40]}” is neither 1 nor 0")


def read_string(text: str) -> str:
    """A string of an answer without its quotes."""
    word = text.strip()
    if len(word) >= 2 and word[0] == word[-1] == '"':
        word = word[1:-1].replace('""', '"')
    return word
