"""Command trees: headers written as the standard prints them, looked up as they are sent.

`[SOURce]:VOLTage[:LEVel][:IMMediate][:AMPLitude]` is found under every spelling that SCPI-1999
volume 1, chapter 6 allows: long and short forms, nothing in between, nodes in brackets left out.
The module knows no command of any instrument.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Generic, TypeVar

from drivers.simulated.served.scpi_message import ScpiError, Unit, short_form

Command = TypeVar("Command")

_NODE = re.compile(r"(\[?):?([A-Za-z*]+)(\]?)")


class Tree(Generic[Command]):
    """Commands by their headers. Every node may bear the numeric suffix 1, or imply it."""

    def __init__(self, commands: dict[str, Command]) -> None:
        self._commands: dict[tuple[str, ...], Command] = {}
        self._short: dict[str, str] = {}
        for pattern, command in commands.items():
            for header in self._spellings(pattern):
                self._commands[header] = command

    def _spellings(self, pattern: str) -> Iterator[tuple[str, ...]]:
        """The headers in short form, with and without each node in brackets."""
        headers: list[tuple[str, ...]] = [()]
        for opened, name, _ in _NODE.findall(pattern):
            short = name if name.startswith("*") else short_form(name)
            self._short[name.upper()] = self._short[short] = short
            longer = [(*header, short) for header in headers]
            headers = headers + longer if opened else longer
        yield from headers

    def find(self, unit: Unit) -> Command:
        """The command of a unit. Raises ScpiError: undefined header, or suffix out of range."""
        spelled = ":".join(unit.header)
        try:
            command = self._commands[tuple(self._short[name] for name in unit.header)]
        except KeyError:
            raise ScpiError(-113, spelled) from None
        if any(suffix != 1 for suffix in unit.suffixes):
            raise ScpiError(-114, spelled)
        return command
