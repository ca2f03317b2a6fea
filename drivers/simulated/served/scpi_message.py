"""SCPI program messages taken apart: headers, their path, and the data that follows them.

The syntax is that of IEEE 488.2 chapter 7 and SCPI-1999 volume 1 chapter 6, written down from
memory: compound messages, path rules, mnemonics of up to twelve characters with numeric suffixes,
decimal and other numbers with units, keywords, strings and blocks. The module knows no instrument;
which headers exist is its caller's.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Literal, NamedTuple

LONGEST_MNEMONIC = 12

_NAME = r"[A-Za-z][A-Za-z0-9_]*"
_HEADER = re.compile(rf"(\*|:?)({_NAME}(?::{_NAME})*)(\??)")
_SPACE = re.compile(r"[\x00-\x09\x0b-\x20]*")
_NUMBER = re.compile(
    r"(?P<mantissa>[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+))(?:[ \t]*[eE][ \t]*(?P<exponent>[+-]?[0-9]+))?"
)
_NONDECIMAL = re.compile(r"#(?:[hH]([0-9A-Fa-f]+)|[qQ]([0-7]+)|[bB]([01]+))")
_SUFFIX = re.compile(r"[A-Za-z/][A-Za-z0-9/.\-]*")
_KEYWORD = re.compile(_NAME)
_STRING = re.compile(r"\"(?:[^\"]|\"\")*\"|'(?:[^']|'')*'")
_BASES = (16, 8, 2)
_LARGEST_EXPONENT = 32000


class ScpiError(Exception):
    """An error by its standard number, with what the instrument adds to the standard's words."""

    def __init__(self, number: int, detail: str = "") -> None:
        super().__init__(number, detail)
        self.number = number
        self.detail = detail


class Datum(NamedTuple):
    """One piece of program data; `suffix` is a number's unit in capitals, else empty."""

    kind: Literal["number", "keyword", "string", "block"]
    text: str
    value: float = 0.0
    suffix: str = ""


class Unit(NamedTuple):
    """One program message unit: its header from the root in capitals, suffixes taken off."""

    header: tuple[str, ...]
    suffixes: tuple[int, ...]
    query: bool
    data: tuple[Datum, ...]


def short_form(mnemonic: str) -> str:
    """The short form of a long mnemonic: up to four letters unchanged, else the first four, or
    three where the fourth is a vowel (SCPI-1999 volume 1, 6.2.1).
    """
    if len(mnemonic) <= 4:
        return mnemonic.upper()
    return mnemonic[: 3 if mnemonic[3].upper() in "AEIOU" else 4].upper()


def units(message: str) -> Iterator[Unit]:
    """The units of one program message, in order. Raises ScpiError at the first that is none."""
    position, path = 0, ()  # type: tuple[int, tuple[str, ...]]
    while True:
        position = _skip(message, position)
        if position == len(message):
            return
        if message[position] == ";":
            position += 1
            continue
        match = _HEADER.match(message, position)
        if match is None:
            raise ScpiError(-102 if message[position].isascii() else -101, message[position:][:20])
        position = match.end()
        if position < len(message) and not (message[position] == ";" or message[position] <= " "):
            raise ScpiError(-103 if message[position].isascii() else -101, message[position:][:20])
        names = match[2].split(":")
        if match[1] == "*":
            header: tuple[str, ...] = ("*" + match[2].upper(),)
            suffixes: tuple[int, ...] = ()
        else:
            for name in names:
                if len(name) > LONGEST_MNEMONIC:
                    raise ScpiError(-112, name)
            spelled = tuple(names) if match[1] == ":" else (*path, *names)
            path = spelled[:-1]
            header = tuple(name.rstrip("0123456789").upper() for name in spelled)
            suffixes = tuple(
                int(name[len(bare) :] or "1") for name, bare in zip(spelled, header, strict=True)
            )
        position, data = _data(message, _skip(message, position))
        yield Unit(header, suffixes, bool(match[3]), data)


def _skip(message: str, position: int) -> int:
    match = _SPACE.match(message, position)
    return match.end() if match else position


def _data(message: str, position: int) -> tuple[int, tuple[Datum, ...]]:
    """The data of a unit, up to its semicolon or the end; the position after it."""
    found: list[Datum] = []
    while position < len(message) and message[position] != ";":
        if found:
            if message[position] != ",":
                raise ScpiError(
                    -103 if message[position].isascii() else -101, message[position:][:20]
                )
            position = _skip(message, position + 1)
        position, datum = _datum(message, position)
        found.append(datum)
        position = _skip(message, position)
    return position, tuple(found)


def _datum(message: str, position: int) -> tuple[int, Datum]:
    if match := _NUMBER.match(message, position):
        return _number(message, match)
    if match := _KEYWORD.match(message, position):
        if len(match[0]) > LONGEST_MNEMONIC:
            raise ScpiError(-144, match[0])
        return match.end(), Datum("keyword", match[0].upper())
    if match := _STRING.match(message, position):
        quote = match[0][0]
        return match.end(), Datum("string", match[0][1:-1].replace(quote * 2, quote))
    if match := _NONDECIMAL.match(message, position):
        digits = next(group for group in match.groups() if group)
        base = _BASES[match.lastindex - 1 if match.lastindex else 0]
        return match.end(), Datum("number", match[0], float(int(digits, base)))
    character = message[position : position + 1]
    if character == "#":
        return _block(message, position)
    if character in "\"'" and character:
        raise ScpiError(-151, message[position:][:20])
    if not character or character in ",;":
        raise ScpiError(-109)
    raise ScpiError(-102 if character.isascii() else -101, message[position:][:20])


def _number(message: str, match: re.Match[str]) -> tuple[int, Datum]:
    if abs(int(match["exponent"] or 0)) > _LARGEST_EXPONENT:
        raise ScpiError(-123, match[0])
    value = float(match["mantissa"] + "e" + (match["exponent"] or "0"))
    position = match.end()
    suffix = _SUFFIX.match(message, _skip(message, position))
    if suffix is None:
        return position, Datum("number", match[0], value)
    return suffix.end(), Datum("number", match[0], value, suffix[0].upper())


def _block(message: str, position: int) -> tuple[int, Datum]:
    """A definite-length block, or an indefinite one that ends with the message."""
    size = message[position + 1 : position + 2]
    if size == "0":
        return len(message), Datum("block", message[position + 2 :])
    begin = position + 2 + int(size) if size.isascii() and size.isdigit() else 0
    digits = message[position + 2 : begin]
    if not (digits.isascii() and digits.isdigit() and len(digits) == int(size)):
        raise ScpiError(-161, message[position:][:20])
    end = begin + int(digits)
    if end > len(message):
        raise ScpiError(-161, "the block is shorter than it says")
    return end, Datum("block", message[begin:end])


def cut_messages(received: bytes) -> tuple[list[bytes], bytes]:
    """The whole messages at the beginning of a stream, and the rest.

    A message ends with a newline, except that a newline within a definite-length block is data.
    """
    if b"#" not in received:
        *whole, rest = received.split(b"\n")
        return whole, rest
    messages: list[bytes] = []
    begin = position = 0
    while True:
        newline = received.find(b"\n", position)
        if newline < 0:
            return messages, received[begin:]
        block = _BLOCK_START.search(received, position, newline)
        if block is not None and len(block[2]) == int(block[1]):
            position = block.end() + int(block[2])
            continue
        messages.append(received[begin:newline])
        begin = position = newline + 1


# A block follows a space or a comma; in a string, "#" may stand there too, but no string that this
# instrument takes holds one.
_BLOCK_START = re.compile(rb"[ ,]#([1-9])(\d+)")
