"""What only a channel behind a link has: identity, dialects of its own, sense made of answers."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path
from typing import NamedTuple

import pytest

from drivers.bench import Bench, open_bench, read_bench
from drivers.channel import Acquisition, Setpoint
from drivers.clock import VirtualClock
from drivers.faults import BenchFileError, InstrumentError, LinkError
from drivers.scpi.channel import POLL_INTERVAL_S, ScpiChannel
from drivers.scpi.dialect_file import SHIPPED
from drivers.simulated.served.serve import Server
from drivers.simulated.served.visa_sim import LIBRARY, registered

TEXT = (SHIPPED / "scpi-1999-source-measure.toml").read_text("utf-8")
RESOURCE = "TCPIP0::192.0.2.22::5025::SOCKET"


class Entry(NamedTuple):
    """What a bench file would say of the channel."""

    resource: str | None = RESOURCE
    library: str | None = LIBRARY
    dialect: str | None = "scpi-1999-source-measure"
    identity: str | None = "^RIDGE,"


Opener = Callable[..., ScpiChannel]


@pytest.fixture
def served(bench: Bench) -> Iterator[Server]:
    """The bench behind sockets."""
    with Server(bench) as server:
        yield server


@pytest.fixture
def opened(bench: Bench, served: Server) -> Iterator[Opener]:
    """Opens a channel on the served instrument; `answers` replaces what it answers."""
    with ExitStack() as stack:

        def open_channel(
            entry: Entry | None = None,
            *,
            answers: Callable[[str, str | None], str | None] | None = None,
            base: Path | None = None,
            log: list[str] | None = None,
        ) -> ScpiChannel:
            front = served.instruments["smu"].front
            if answers is not None:
                change = answers
                stack.enter_context(
                    registered({RESOURCE: lambda text: change(text, front.handle(text))})
                )
                entry = entry or Entry()
            else:
                entry = entry or Entry(served.resources["smu"], "@py")
            channel = ScpiChannel.open(
                "smu",
                entry,
                bench.file.specifications["smu"],
                bench.clock,
                50.0,
                base=base,
                on_exchange=None if log is None else lambda sent, got, s: log.append(sent),
            )
            stack.callback(channel.close)
            return channel

        yield open_channel


def test_who_answers_is_compared_with_the_bench_file(opened: Opener, served: Server) -> None:
    with pytest.raises(InstrumentError) as caught:
        opened(Entry(served.resources["smu"], "@py", identity="^VALLEY,"))
    assert caught.value.message == (
        f"smu: “RIDGE,DEMO-SMU,451266,1.0” answers at {served.resources['smu']}, but the bench "
        "file expects “^VALLEY,”"
    )
    assert "identity in the bench file" in caught.value.advice


def test_another_instrument_at_the_same_address(opened: Opener) -> None:
    others: list[str] = []

    def answers(text: str, answer: str | None) -> str | None:
        return others[0] if others and text == "*IDN?" else answer

    channel = opened(answers=answers)
    others.append("RIDGE,DEMO-SMU,000001,1.0")
    with pytest.raises(InstrumentError, match=r"000001,1\.0” answers now, where .*451266.* before"):
        channel.recover()


def test_a_bench_is_opened_with_its_links(served: Server, bench_text: str) -> None:
    port = served.resources["smu"].split("::")[2]
    file, _ = read_bench(Path("ridge.bench.toml"), bench_text.replace("::0::", f"::{port}::"))
    assert file is not None
    opened = open_bench(file)
    assert opened.channels["smu"].identify().model == "DEMO-SMU"
    opened.close()


@pytest.mark.parametrize("field", ["resource", "dialect"])
def test_what_a_run_needs_must_be_there(opened: Opener, field: str) -> None:
    with pytest.raises(BenchFileError, match=rf"channels\.smu: there is no {field}"):
        opened(Entry()._replace(**{field: None}))


def test_an_instrument_that_takes_one_command_a_message(
    opened: Opener, served: Server, tmp_path: Path
) -> None:
    (tmp_path / "mine.toml").write_text(TEXT.replace("chained = true", "chained = false"), "utf-8")
    log: list[str] = []
    entry = Entry(served.resources["smu"], "@py", "mine.toml")
    channel = opened(entry, base=tmp_path, log=log)
    channel.reset()
    channel.program(Setpoint("voltage", 5.0, -1.0, 1.0))
    channel.switch(True)
    assert channel.measure().current == pytest.approx(0.5, rel=1e-9)
    with pytest.raises(InstrumentError, match="-222"):
        channel.program(Setpoint("voltage", 50.0, -1.0, 1.0))
    assert not any(";" in sent for sent in log)


def test_a_dialect_with_its_fields_in_another_order(
    opened: Opener, served: Server, tmp_path: Path
) -> None:
    """What a dialect calls voltage is voltage, wherever it stands."""
    turned = TEXT.replace('"voltage, current"', '"current, voltage"')
    (tmp_path / "mine.toml").write_text(turned, "utf-8")
    channel = opened(Entry(served.resources["smu"], "@py", "mine.toml"), base=tmp_path)
    channel.reset()
    channel.program(Setpoint("voltage", 5.0, -1.0, 1.0))
    channel.switch(True)
    reading = channel.measure()
    assert (reading.voltage, reading.current) == pytest.approx((0.5, 5.0), rel=1e-9)


def test_not_a_number_is_the_instruments_word(opened: Opener) -> None:
    """9.91E37 (SCPI-1999, read)."""
    channel = opened(
        answers=lambda text, answer: '9.91E37,1;0;0,"No error"' if "READ?" in text else answer
    )
    with pytest.raises(InstrumentError, match="no value for its reading"):
        channel.measure()
    channel.identify()


@pytest.mark.parametrize(
    "answer",
    ["", "1.5", '1.5,volt;0;0,"No error"', "1,2;0", '1,2;0.5;0,"No error"', 'nan,1;0;0,"x"'],
)
def test_nonsense_makes_the_link_suspect(opened: Opener, answer: str) -> None:
    channel = opened(answers=lambda text, real: answer if "READ?" in text else real)
    with pytest.raises(LinkError, match="the answer makes no sense") as caught:
        channel.measure()
    assert "dialect" in caught.value.advice
    with pytest.raises(LinkError, match="suspect"):
        channel.identify()
    channel.recover()
    channel.identify()


def test_all_errors_of_the_queue_are_told(opened: Opener, served: Server) -> None:
    channel = opened()
    channel.reset()
    front = served.instruments["smu"].front
    front.handle("NONSENSE")
    front.handle("VOLT 1 OHM")
    with pytest.raises(InstrumentError) as caught:
        channel.program(Setpoint("voltage", 1.0, -1.0, 1.0))
    assert caught.value.message == (
        "smu: the instrument reports -113 “Undefined header;NONSENSE”, -131 “Invalid suffix;OHM”"
    )


def test_an_error_queue_that_never_empties_is_left(opened: Opener) -> None:
    channel = opened(
        answers=lambda text, real: (
            (real or "").replace('0,"No error"', '-240,"Hardware error"')
            if text.startswith(("READ?", "SYST"))
            else real
        )
    )
    with pytest.raises(InstrumentError, match="-240 “Hardware error”"):
        channel.measure()


def test_a_setting_changed_at_the_panel_is_an_event(opened: Opener, served: Server) -> None:
    """-600, User request (from memory)."""
    from drivers.simulated.served.scpi_message import ScpiError

    channel = opened()
    channel.reset()
    channel.poll()
    served.instruments["smu"].front.status.report(ScpiError(-600, "level turned"))
    channel.measure()
    (event,) = channel.poll()
    assert (event.kind, event.text) == ("panel", "User request;level turned")


def test_a_poll_behind_a_reading_asks_nothing(opened: Opener, bench: Bench) -> None:
    """The reading's own status bits and error queue tell; in full once a second of bench time."""
    assert isinstance(bench.clock, VirtualClock)
    log: list[str] = []
    channel = opened(log=log)
    channel.reset()
    channel.poll()
    asked = len(log)
    for _ in range(10):
        channel.measure()
        channel.poll()
    assert len(log) == asked + 10
    bench.clock.wait_until(bench.clock.now() + POLL_INTERVAL_S)
    channel.measure()
    channel.poll()
    assert len(log) == asked + 12
    channel.poll()
    assert len(log) == asked + 13


def test_a_reading_is_one_exchange(opened: Opener) -> None:
    log: list[str] = []
    channel = opened(log=log)
    channel.reset()
    channel.configure(Acquisition(None, None))
    before = len(log)
    channel.measure()
    assert log[before:] == ["READ?;:STATus:QUEStionable:CONDition?;:SYSTem:ERRor?"]
