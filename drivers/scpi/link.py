"""The link to one instrument: one question, one answer, one deadline, and whether it is trusted.

A link is suspect from the moment a question is sent until its whole answer is there. An exchange
that fails, or is broken off, leaves it suspect, and it refuses further questions until `renew` and
a fence have proved that nothing late is under way. PyVISA is the door for every resource name and
VISA library; raw sockets of its pure-Python library are served by a session of our own. The module
knows lines of text, no instrument.
"""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
from typing import Any

from drivers.faults import BenchFileError, LinkError
from drivers.scpi.session import DEADLINE_CLOCK, Session, SessionError

# What is told of each exchange: the text sent, the text received (empty where none came), seconds.
ExchangeLog = Callable[[str, str, float], None]

# A bench file may name no path here: a VISA library is a program, and loading it would run it.
LIBRARIES = (None, "", "@py", "@ivi", "@sim")


class Link:
    """Lines of text to and from one instrument, over a session."""

    def __init__(
        self, name: str, resource: str, session: Session, on_exchange: ExchangeLog | None = None
    ) -> None:
        self.name = name
        self.resource = resource
        self.suspect = False
        self.on_exchange = on_exchange
        self._session = session
        self._ask = session.ask
        self._now = DEADLINE_CLOCK.now

    def exchange(self, message: str, timeout_s: float) -> str:
        """Send a message that asks something and give back its answer.

        Raises LinkError; the link is then suspect.
        """
        if self.suspect:
            raise self._refusal(message)
        began = self._now()
        self.suspect = True
        try:
            answer = self._ask(message.encode("ascii") + b"\n", began + timeout_s).decode("ascii")
        except (SessionError, UnicodeError) as error:
            self._log(message, "", began)
            raise self._in_words(error, message, timeout_s) from None
        self.suspect = False
        if self.on_exchange is not None:
            self._log(message, answer, began)
        return answer

    def send(self, message: str, timeout_s: float) -> None:
        """Send a message that asks nothing. Raises LinkError; the link is then suspect."""
        if self.suspect:
            raise self._refusal(message)
        began = self._now()
        self.suspect = True
        try:
            self._session.tell(message.encode("ascii") + b"\n", began + timeout_s)
        except (SessionError, UnicodeError) as error:
            raise self._in_words(error, message, timeout_s) from None
        finally:
            self._log(message, "", began)
        self.suspect = False

    def renew(self, timeout_s: float, fence: str, is_echo: Callable[[str], bool]) -> None:
        """Make the link trustworthy again: drain it, then ask for an echo and wait for just that.

        Instruments answer in order, so once the echo of a fresh number is there, no answer to an
        earlier question can follow. Raises LinkError where no echo comes in time.
        """
        began = self._now()
        deadline = began + timeout_s
        self.suspect = True
        try:
            self._session.renew(deadline)
            self._session.fence(
                fence.encode("ascii") + b"\n",
                lambda line: is_echo(line.decode("latin-1")),
                deadline,
            )
        except SessionError as error:
            raise self._in_words(error, fence, timeout_s) from None
        finally:
            self._log(fence, "", began)
        self.suspect = False

    def shout(self, message: str, timeout_s: float) -> None:
        """Send a message over a link that isn't trusted, and ask nothing; it stays suspect.

        For switching off: an instrument whose answers make no sense may well do what it is told.
        Raises LinkError where not even that gets through.
        """
        began = self._now()
        self.suspect = True
        try:
            with suppress(SessionError):
                self._session.renew(began + timeout_s)
            self._session.tell(message.encode("ascii") + b"\n", self._now() + timeout_s)
        except (SessionError, UnicodeError) as error:
            raise self._in_words(error, message, timeout_s) from None
        finally:
            self._log(message, "", began)

    def distrust(self) -> None:
        """The answer made no sense: nothing that comes next can be trusted to be an answer."""
        self.suspect = True

    def close(self) -> None:
        """Let go of the instrument."""
        self._session.close()

    def _log(self, message: str, answer: str, began: float) -> None:
        if self.on_exchange is not None:
            self.on_exchange(message, answer, self._now() - began)

    def _refusal(self, message: str) -> LinkError:
        return LinkError(
            f"{self.name} ({self.resource}): the link is suspect since an earlier exchange failed; "
            f"“{message}” was not sent",
            "Recover the channel first: its link is then cleared and the instrument identified.",
        )

    def _in_words(
        self, error: SessionError | UnicodeError, message: str, timeout_s: float
    ) -> LinkError:
        where = f"{self.name} ({self.resource})"
        after = f", after “{message}” was sent" if message else ""
        if isinstance(error, UnicodeError):
            return LinkError(
                f"{where}: the answer is not ASCII text{after}",
                "Check the serial line's speed and parity, or the cable.",
            )
        return LinkError(f"{where}: {error.within(timeout_s)}{after}", error.advice)


def open_link(
    name: str,
    resource: str,
    library: str | None,
    timeout_s: float,
    on_exchange: ExchangeLog | None = None,
) -> Link:
    """Open the link to a VISA resource; `name` is the channel's, for messages.

    Raises BenchFileError for a resource name or library that can't be meant, LinkError where
    nobody is there.
    """
    try:
        session = _session(name, resource, library, DEADLINE_CLOCK.now() + timeout_s)
    except SessionError as error:
        raise LinkError(f"{name} ({resource}): {error.within(timeout_s)}", error.advice) from None
    return Link(name, resource, session, on_exchange)


def _session(name: str, resource: str, library: str | None, deadline: float) -> Session:
    import pyvisa
    from pyvisa import rname

    if library not in LIBRARIES:
        raise BenchFileError(
            f"channels.{name}.library: a bench file may not name “{library}” as its VISA library",
            'Write "@py" for the pure-Python one, or leave the line out for the system\'s.',
        )
    try:
        parsed: Any = rname.parse_resource_name(resource)
    except rname.InvalidResourceName:
        raise BenchFileError(
            f"channels.{name}.resource: “{resource}” is not a VISA resource name",
            'Write it as in "TCPIP::192.0.2.20::5025::SOCKET" or "ASRL/dev/ttyUSB0::INSTR".',
        ) from None
    is_socket = isinstance(parsed, rname.TCPIPSocket)
    if is_socket and library == "@py":
        return _socket(parsed, deadline)
    try:
        manager = pyvisa.ResourceManager(library or "")
    except Exception as error:
        raise SessionError(
            f"the VISA library {library or '(the system’s)'} can't be loaded: {error}",
            'Install a VISA library, or write library = "@py" in the bench file.',
        ) from None
    if is_socket and type(manager.visalib).__module__.startswith("pyvisa_py."):
        return _socket(parsed, deadline)
    from drivers.scpi.visa_session import VisaSession

    return VisaSession(manager, resource, deadline)


def _socket(parsed: Any, deadline: float) -> Session:
    from drivers.scpi.socket_session import SocketSession

    return SocketSession(parsed.host_address, int(parsed.port), deadline)
