"""A session over whatever PyVISA opens: serial ports, USB, GPIB, VXI-11, HiSLIP, simulated devices.

The library's own timeout is set to what is left of the deadline before each piece, and sizes are
bounded here. What the libraries do inside one call can't be cut short: opening a silent VXI-11 or
HiSLIP host takes 5 s whatever is asked, and closing one can (pyvisa-py 0.8.1). Exceptions of every
class come out of them (OSError, RuntimeError, bare Exception), so every class is caught. The module
knows bytes and lines, no SCPI.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any, cast

from pyvisa import constants, errors

from drivers.scpi.session import (
    DEADLINE_CLOCK,
    LONGEST_LINE,
    MOST_LATE_LINES,
    Babble,
    Closed,
    Deaf,
    SessionError,
    Silence,
)

if TYPE_CHECKING:
    from pyvisa import ResourceManager

_CHUNK = 4096
_QUIET_S = 0.05
_TIMEOUT = constants.StatusCode.error_timeout
_MORE_TO_COME = constants.StatusCode.success_max_count_read


class VisaSession:
    """One resource that PyVISA has opened."""

    def __init__(self, manager: ResourceManager, resource_name: str, deadline: float) -> None:
        with _in_words("could not be opened"):
            # PyVISA types every resource as the base class; only message-based ones can be lines.
            self._resource = cast(Any, manager.open_resource(resource_name))
        if not hasattr(self._resource, "write_raw"):
            self._resource.close()
            raise SessionError(
                "this kind of resource carries no messages",
                "Name the instrument's message-based resource (INSTR or SOCKET).",
            )
        try:
            with _in_words("could not be set up"):
                self._is_serial = self._resource.interface_type == constants.InterfaceType.asrl
                self._resource.read_termination = "\n"
            if self._is_serial:
                # A client that died in mid-line leaves the instrument with half a message; an
                # empty line ends it, and is no message by itself (IEEE 488.2 allows empty ones).
                self.tell(b"\n", deadline)
        except SessionError:
            self.close()
            raise

    def _time_left(self, deadline: float) -> bool:
        left_ms = (deadline - DEADLINE_CLOCK.now()) * 1e3
        if left_ms <= 0:
            return False
        self._resource.timeout = max(1, round(left_ms))
        return True

    def tell(self, data: bytes, deadline: float) -> None:
        """Send all of it."""
        with _in_words("could not be written to", on_timeout=Deaf()):
            if not self._time_left(deadline):
                raise Deaf
            sent = self._resource.write_raw(data)
        if sent < len(data):
            raise Deaf

    def ask(self, data: bytes, deadline: float) -> bytes:
        """Send all of it and give back the one line that answers it, without its end."""
        self._expect_quiet()
        self.tell(data, deadline)
        return self._line(deadline)

    def fence(self, data: bytes, is_echo: Callable[[bytes], bool], deadline: float) -> None:
        """Send a question whose answer can't be mistaken; what comes before it is thrown away."""
        self.tell(data, deadline)
        for _ in range(MOST_LATE_LINES):
            line = self._line(deadline)
            if is_echo(line):
                self._expect_quiet()
                return
        raise Babble(line)

    def _expect_quiet(self) -> None:
        """On a serial line, what waits before the question can't be its answer.

        Elsewhere the bus itself ties an answer to its question (IEEE 488.1, USBTMC, VXI-11).
        """
        if self._is_serial:
            with _in_words("could not be asked what waits"):
                waiting = self._resource.bytes_in_buffer
            if waiting:
                raise Babble(b"")

    def _line(self, deadline: float) -> bytes:
        received, resource = b"", self._resource
        while True:
            with (
                _in_words("could not be read from", on_timeout=Silence(None)),
                resource.ignore_warning(_MORE_TO_COME),
            ):
                if not self._time_left(deadline):
                    raise Silence(received)
                piece, status = resource.visalib.read(resource.session, _CHUNK)
            received += bytes(piece)
            if status != _MORE_TO_COME:
                return received.removesuffix(b"\n")
            if len(received) > LONGEST_LINE:
                raise Babble(received)

    def renew(self, deadline: float) -> None:
        """Clear the interface where it can be cleared, then read until it is quiet."""
        # Not every interface has a device clear (a serial line has none in most libraries), and
        # none of them is trusted by itself: the reading below drains what is left.
        for clear in (self._resource.clear, self._discard_input):
            try:
                self._time_left(deadline)
                clear()
            except Exception:  # noqa: S112
                continue
        for _ in range(MOST_LATE_LINES):
            try:
                self._line(min(deadline, DEADLINE_CLOCK.now() + _QUIET_S))
            except Silence:
                return
        raise Babble(b"one line after the other")

    def _discard_input(self) -> None:
        if self._is_serial:
            self._resource.flush(constants.BufferOperation.discard_read_buffer)

    def close(self) -> None:
        """Close the resource; a library that fails to close has let go all the same."""
        try:
            self._resource.close()
        except Exception:
            return


@contextmanager
def _in_words(what: str, on_timeout: SessionError | None = None) -> Iterator[None]:
    """Turn whatever a VISA library throws into a SessionError with words."""
    try:
        yield
    except SessionError:
        raise
    except errors.VisaIOError as error:
        if error.error_code == _TIMEOUT and on_timeout is not None:
            raise on_timeout from None
        if error.error_code == constants.StatusCode.error_connection_lost:
            raise Closed(error.description) from None
        raise SessionError(f"it {what}: {error.description}", _ADVICE) from None
    except Exception as error:
        raise SessionError(f"it {what}: {error or type(error).__name__}", _ADVICE) from None


_ADVICE = "Check the resource name, the cable, and that no other program holds the instrument."
