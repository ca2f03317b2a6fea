"""The status system of IEEE 488.2 and SCPI-1999: registers, the status byte, the error queue.

Numbers and texts of the errors are the standard's (SCPI-1999 volume 2, 21.8); they come from a
table read elsewhere and, where so marked, from memory. The module knows no commands and no
instrument.
"""

from __future__ import annotations

from collections import deque

from drivers.simulated.served.scpi_message import ScpiError

ERRORS = {
    0: "No error",
    -100: "Command error",
    -101: "Invalid character",
    -102: "Syntax error",
    -103: "Invalid separator",
    -104: "Data type error",
    -108: "Parameter not allowed",
    -109: "Missing parameter",
    -112: "Program mnemonic too long",
    -113: "Undefined header",
    -114: "Header suffix out of range",
    -120: "Numeric data error",
    -123: "Exponent too large",  # from memory
    -131: "Invalid suffix",
    -138: "Suffix not allowed",  # from memory
    -141: "Invalid character data",
    -144: "Character data too long",  # from memory
    -151: "Invalid string data",
    -161: "Invalid block data",
    -200: "Execution error",
    -211: "Trigger ignored",
    -213: "Init ignored",
    -221: "Settings conflict",
    -222: "Data out of range",
    -223: "Too much data",
    -224: "Illegal parameter value",
    -230: "Data corrupt or stale",
    -240: "Hardware error",
    -241: "Hardware missing",
    -310: "System error",
    -330: "Self-test failed",
    -350: "Queue overflow",
    -363: "Input buffer overrun",
    -365: "Time out error",
    -400: "Query error",
    -410: "Query INTERRUPTED",
    -420: "Query UNTERMINATED",
    -430: "Query DEADLOCKED",
    -500: "Power on",  # from memory
    -600: "User request",  # from memory
}

# The standard event register's bit for each class of error (SCPI-1999 volume 2, 21.8).
_EVENT_BITS = {1: 32, 2: 16, 3: 8, 4: 4, 5: 128, 6: 64, 7: 2, 8: 1}
OPERATION_COMPLETE = 1
DEVICE_ERROR = 8
POWER_ON = 128

_QUEUE_LENGTH = 32
_LONGEST_TEXT = 255


class ErrorQueue:
    """First in, first out; when it is full, its last entry gives way to -350."""

    def __init__(self) -> None:
        self._entries: deque[str] = deque()

    def __len__(self) -> int:
        return len(self._entries)

    def push(self, error: ScpiError) -> None:
        """Append an error: the standard's words, then the instrument's own behind a semicolon."""
        if len(self._entries) >= _QUEUE_LENGTH:
            self._entries[-1] = _entry(-350, "")
        else:
            self._entries.append(_entry(error.number, error.detail))

    def pop(self) -> str:
        """The oldest entry, taken out; `0,"No error"` where there is none."""
        return self._entries.popleft() if self._entries else _NO_ERROR

    def pop_all(self) -> str:
        """All entries, taken out."""
        entries = ",".join(self._entries) or _NO_ERROR
        self._entries.clear()
        return entries

    def clear(self) -> None:
        """Forget all entries."""
        self._entries.clear()


def _entry(number: int, detail: str) -> str:
    text = ERRORS.get(number, "Device-specific error")
    if detail:
        text = f"{text};{detail}"
    printable = "".join(c if " " <= c <= "~" else "?" for c in text)
    return f'{number},"{printable[:_LONGEST_TEXT].replace(chr(34), chr(34) * 2)}"'


_NO_ERROR = _entry(0, "")


class Register:
    """A condition register with its transition filters, event register and enable mask."""

    def __init__(self) -> None:
        self.condition = 0
        self.event = 0
        self.preset()

    def preset(self) -> None:
        """As after STATus:PRESet: events on the positive transition, nothing enabled."""
        self.enable = 0
        self.positive = 0x7FFF
        self.negative = 0

    def update(self, condition: int) -> None:
        """Take a new condition; bits that changed become events as the filters say."""
        before = self.condition
        if condition != before:
            rose, fell = condition & ~before, before & ~condition
            self.event |= (rose & self.positive) | (fell & self.negative)
            self.condition = condition

    def take_event(self) -> int:
        """The event register, read and cleared."""
        event, self.event = self.event, 0
        return event


class Status:
    """All registers of one instrument."""

    def __init__(self) -> None:
        self.errors = ErrorQueue()
        self.questionable = Register()
        self.operation = Register()
        self.power_on()

    def power_on(self) -> None:
        """As after mains came: all cleared, the power-on bit set."""
        self.event_enable = 0
        self.service_enable = 0
        self.preset()
        self.clear()
        self.questionable.update(0)
        self.events = POWER_ON

    def preset(self) -> None:
        """STATus:PRESet."""
        self.questionable.preset()
        self.operation.preset()

    def operation_complete(self) -> None:
        """*OPC: commands here are done in order, so all that was asked before is complete."""
        self.events |= OPERATION_COMPLETE

    def report(self, error: ScpiError) -> None:
        """Put an error in the queue and its class's bit in the standard event register."""
        self.errors.push(error)
        self.events |= _EVENT_BITS.get(-error.number // 100, DEVICE_ERROR)

    def take_events(self) -> int:
        """The standard event register, read and cleared."""
        events, self.events = self.events, 0
        return events

    def clear(self) -> None:
        """As by *CLS: event registers and queue, neither enables nor conditions."""
        self.errors.clear()
        self.events = 0
        self.questionable.event = 0
        self.operation.event = 0

    def byte(self) -> int:
        """The status byte with its master summary (IEEE 488.2 11.2, SCPI-1999 volume 1, 9).

        An answer is sent as soon as it is made, so none is ever available while this is asked.
        """
        value = (
            (4 if len(self.errors) else 0)
            | (8 if self.questionable.event & self.questionable.enable else 0)
            | (32 if self.events & self.event_enable else 0)
            | (128 if self.operation.event & self.operation.enable else 0)
        )
        return value | (64 if value & self.service_enable else 0)
