"""The link against peers on loopback that do what no instrument should; every peer ends by itself.

Deadlines that must pass are short, those that must not are long, so that a busy machine changes
nothing. A call that returns is bounded; one that didn't would hang the test run.
"""

from __future__ import annotations

import os
import select
import socket
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager

import pytest
import pyvisa

from drivers.faults import BenchFileError, LinkError
from drivers.scpi.link import Link, open_link
from drivers.scpi.session import DEADLINE_CLOCK, LONGEST_LINE, Silence
from drivers.scpi.socket_session import SocketSession

SHORT_S, LONG_S = 0.1, 10.0

Talk = Callable[[socket.socket], None]


@contextmanager
def peer(*talks: Talk) -> Iterator[int]:
    """A port whose clients are met by one talk each, in order; the talks end by themselves."""
    listener = socket.create_server(("127.0.0.1", 0))
    listener.settimeout(LONG_S)

    def meet() -> None:
        for talk in talks:
            connection, _ = listener.accept()
            connection.settimeout(LONG_S)
            with connection:
                try:
                    talk(connection)
                except OSError:
                    continue

    thread = threading.Thread(target=meet)
    thread.start()
    try:
        yield listener.getsockname()[1]
    finally:
        thread.join()
        listener.close()


def resource(port: int) -> str:
    return f"TCPIP::127.0.0.1::{port}::SOCKET"


def link_to(port: int, timeout_s: float = LONG_S) -> Link:
    return open_link("smu", resource(port), "@py", timeout_s)


def until_closed(connection: socket.socket) -> None:
    while connection.recv(65536):
        pass


def echo(connection: socket.socket) -> None:
    """Answers every line with itself."""
    while data := connection.recv(65536):
        connection.sendall(data)


def test_questions_and_answers_are_told_to_the_log() -> None:
    log: list[tuple[str, str]] = []
    with peer(echo) as port:
        link = open_link(
            "smu", resource(port), "@py", LONG_S, lambda sent, got, s: log.append((sent, got))
        )
        assert link.exchange("*OPC?", LONG_S) == "*OPC?"
        link.close()
    assert log == [("*OPC?", "*OPC?")]


def test_an_answer_in_pieces_is_put_together() -> None:
    def talk(connection: socket.socket) -> None:
        connection.recv(100)
        for piece in (b"+1.", b"5", b"E+00\n"):
            connection.sendall(piece)
        until_closed(connection)

    with peer(talk) as port:
        link = link_to(port)
        assert link.exchange("READ?", LONG_S) == "+1.5E+00"
        link.close()


def test_a_dead_port_is_said_at_once() -> None:
    listener = socket.create_server(("127.0.0.1", 0))
    port = listener.getsockname()[1]
    listener.close()
    with pytest.raises(LinkError) as caught:
        link_to(port)
    assert caught.value.message == (
        f"smu ({resource(port)}): nobody answers at 127.0.0.1, port {port} (Connection refused)"
    )
    assert caught.value.advice.startswith("See that the instrument is on and connected, ")


@pytest.mark.skipif(sys.platform == "win32", reason="this system has no such serial port names")
def test_a_serial_port_that_is_not_there() -> None:
    with pytest.raises(LinkError, match=r"could not be opened.*ridge-no-such-line"):
        open_link("smu", "ASRL/dev/ridge-no-such-line::INSTR", "@py", SHORT_S)


def test_a_peer_that_closes() -> None:
    with peer(lambda connection: None) as port:
        link = link_to(port)
        with pytest.raises(LinkError, match="the instrument closed the connection"):
            link.exchange("READ?", LONG_S)
        link.close()


def test_a_peer_that_closes_in_mid_answer() -> None:
    def talk(connection: socket.socket) -> None:
        connection.recv(100)
        connection.sendall(b"+1.5")

    with peer(talk) as port:
        link = link_to(port)
        with pytest.raises(LinkError, match="in the middle of an answer"):
            link.exchange("READ?", LONG_S)
        link.close()


def test_a_peer_that_talks_without_end_of_line() -> None:
    def talk(connection: socket.socket) -> None:
        connection.recv(100)
        for _ in range(10_000):
            connection.sendall(b"1" * 1000)

    with peer(talk) as port:
        link = link_to(port)
        with pytest.raises(LinkError, match="sends what it wasn't asked for: “1111"):
            link.exchange("READ?", LONG_S)
        link.close()


def test_a_peer_that_talks_unasked() -> None:
    """Lines behind the answer, in the same breath; and lines before the question."""

    def talk(connection: socket.socket) -> None:
        connection.recv(100)
        connection.sendall(b"answer\nand more\n")
        until_closed(connection)

    with peer(talk) as port:
        link = link_to(port)
        with pytest.raises(LinkError, match="sends what it wasn't asked for: “and more"):
            link.exchange("READ?", LONG_S)
        link.close()
    greeted = threading.Event()

    def greet(connection: socket.socket) -> None:
        connection.sendall(b"hello\n")
        greeted.set()
        until_closed(connection)

    with peer(greet) as port:
        link = link_to(port)
        assert greeted.wait(LONG_S)
        with pytest.raises(LinkError, match="sends what it wasn't asked for: “hello"):
            link.exchange("READ?", LONG_S)
        link.close()


def test_a_peer_that_does_not_read() -> None:
    release = threading.Event()
    with peer(lambda connection: (release.wait(LONG_S), None)[1]) as port:
        link = link_to(port)
        with pytest.raises(LinkError, match=r"took no more data within 0\.1 s"):
            link.exchange("X" * 50_000_000, SHORT_S)
        release.set()
        link.close()


def late(connection: socket.socket) -> None:
    """Answers each question with the answer to the one before."""
    questions = []
    while data := connection.recv(65536):
        questions += data.split(b"\n")[:-1]
        if len(questions) > 1:
            connection.sendall(questions[-2] + b"\n")


def test_without_a_fence_a_late_answer_would_pass() -> None:
    """The alarm of the next test works: a session alone takes the late answer for the new one."""
    with peer(late) as port:
        session = SocketSession("127.0.0.1", port, DEADLINE_CLOCK.now() + LONG_S)
        with pytest.raises(Silence):
            session.ask(b"first?\n", DEADLINE_CLOCK.now() + SHORT_S)
        assert session.ask(b"second?\n", DEADLINE_CLOCK.now() + LONG_S) == b"first?"
        session.close()


def test_a_link_takes_no_late_answer() -> None:
    with peer(late, echo) as port:
        link = link_to(port)
        with pytest.raises(LinkError, match=r"no answer came within 0\.1 s, after “first\?”"):
            link.exchange("first?", SHORT_S)
        with pytest.raises(LinkError, match=r"the link is suspect.*“second\?” was not sent"):
            link.exchange("second?", LONG_S)
        link.renew(LONG_S, "17", lambda line: line == "17")
        assert link.exchange("third?", LONG_S) == "third?"
        link.close()


def test_late_lines_before_the_echo_are_thrown_away() -> None:
    def bridge(connection: socket.socket) -> None:
        """A bridge to a serial line: a new connection, but the old line's answers."""
        data = connection.recv(100)
        connection.sendall(b"stale 1\nstale 2\n")
        connection.sendall(data)
        echo(connection)

    with peer(until_closed, bridge) as port:
        link = link_to(port)
        link.distrust()
        link.renew(LONG_S, "17", lambda line: line == "17")
        assert link.exchange("fresh?", LONG_S) == "fresh?"
        link.close()


def test_a_peer_without_an_echo_is_not_trusted() -> None:
    def talk(connection: socket.socket) -> None:
        connection.recv(100)
        connection.sendall(b"no echo\n" * 1000)
        until_closed(connection)

    with peer(until_closed, talk) as port:
        link = link_to(port)
        with pytest.raises(LinkError, match="sends what it wasn't asked for"):
            link.renew(LONG_S, "17", lambda line: line == "17")
        with pytest.raises(LinkError, match="suspect"):
            link.exchange("READ?", LONG_S)
        link.close()


def test_an_interrupted_exchange_leaves_the_link_suspect(monkeypatch: pytest.MonkeyPatch) -> None:
    """Ctrl-C in mid-exchange: the answer is still under way."""

    def interrupted(*_: object) -> bytes:
        raise KeyboardInterrupt

    with peer(echo) as port:
        link = link_to(port)
        monkeypatch.setattr(link, "_ask", interrupted)
        with pytest.raises(KeyboardInterrupt):
            link.exchange("READ?", LONG_S)
        assert link.suspect
        link.close()


@pytest.mark.parametrize(
    ("name", "library", "words"),
    [
        ("HERE::1", "@py", r"channels\.smu\.resource: “HERE::1” is not a VISA resource name"),
        ("GPIB0::1::INSTR", "./lib.so", r"channels\.smu\.library: .* “\./lib\.so”"),
        ("GPIB0::1::INSTR", "mine.yaml@sim", r"channels\.smu\.library: .* “mine\.yaml@sim”"),
    ],
)
def test_what_a_bench_file_may_not_name(name: str, library: str, words: str) -> None:
    """A library is a program: a path from a stranger's file is never loaded."""
    with pytest.raises(BenchFileError, match=words) as caught:
        open_link("smu", name, library, SHORT_S)
    assert caught.value.advice


def test_what_the_libraries_throw_is_a_link_error() -> None:
    """An interface that isn't there, in the pure-Python and the simulating library."""
    for name, library in (("GPIB0::1::INSTR", "@py"), ("USB0::1::2::3::INSTR", "@sim")):
        with pytest.raises(LinkError, match=r"could not be (opened|set up)"):
            open_link("smu", name, library, SHORT_S)


def test_without_a_system_library_the_pure_python_one_is_taken() -> None:
    manager = pyvisa.ResourceManager("")
    if not type(manager.visalib).__module__.startswith("pyvisa_py"):
        pytest.skip("this system has a VISA library of its own")
    with peer(echo) as port:
        link = open_link("smu", resource(port), None, LONG_S)
        assert link.exchange("*OPC?", LONG_S) == "*OPC?"
        assert isinstance(link._session, SocketSession)
        link.close()


@pytest.fixture
def serial_line() -> Iterator[tuple[int, Link, int]]:
    """The instrument's end of a pseudo-terminal, a link to the other end, and that end itself."""
    if sys.platform == "win32":
        pytest.skip("this system has no pseudo-terminals")
    import tty

    line, far_end = os.openpty()
    tty.setraw(far_end)
    os.set_blocking(line, False)
    link = open_link("smu", f"ASRL{os.ttyname(far_end)}::INSTR", "@py", LONG_S)
    assert select.select([line], [], [], LONG_S)[0]
    assert os.read(line, 100) == b"\n"
    yield line, link, far_end
    link.close()
    os.close(line)
    os.close(far_end)


def test_what_waits_on_a_serial_line_is_no_answer(serial_line: tuple[int, Link, int]) -> None:
    line, link, far_end = serial_line
    # The kernel carries a line from one end to the other in its own time.
    os.write(line, b"stale\n")
    arrived = select.select([far_end], [], [], LONG_S)[0]
    assert arrived
    with pytest.raises(LinkError, match="sends what it wasn't asked for"):
        link.exchange("READ?", LONG_S)


def test_a_serial_instrument_that_does_not_read(serial_line: tuple[int, Link, int]) -> None:
    _, link, _ = serial_line
    with pytest.raises(LinkError, match=r"took no more data within 0\.1 s"):
        link.exchange("X" * 1_000_000, SHORT_S)


def test_a_serial_instrument_that_talks_without_end_of_line(
    serial_line: tuple[int, Link, int],
) -> None:
    line, link, _ = serial_line
    stop = threading.Event()

    def babble() -> None:
        while not stop.is_set():
            if select.select([], [line], [], 0.01)[1]:
                os.write(line, b"1" * 500)

    thread = threading.Thread(target=babble)
    try:
        thread.start()
        with pytest.raises(LinkError, match=r"answer came|wasn't asked for"):
            link.exchange("READ?", 0.5)
        for _ in range(2):
            with pytest.raises(LinkError):
                link.renew(0.5, "17", lambda text: text == "17")
    finally:
        stop.set()
        thread.join()


def test_a_line_has_a_longest_length() -> None:
    assert 1000 < LONGEST_LINE <= 1 << 20
