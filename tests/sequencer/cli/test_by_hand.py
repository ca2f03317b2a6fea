"""`manual` and `measure` against a served bench in real time, and questions while a run goes on."""

from __future__ import annotations

import json
import os
import signal
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from drivers.bench import load_bench, open_simulated
from drivers.simulated.served.serve import Server
from sequencer.record import Store
from tests.sequencer.cli.conftest import Call
from tests.sequencer.cli.recipes_of_tests import write_bench, write_recipe
from tests.sequencer.cli.served import Watched

posix = pytest.mark.skipif(sys.platform == "win32", reason="signals and pseudo-terminals are POSIX")
MANUAL = ("manual", "--bench", "shunt.bench.toml", "--log", "log.recipe")
PART = """\
part shunt is resistor on smu:
    voltage within 5 V
    current within 100 mA

"""


@pytest.fixture
def server(folder: Path) -> Iterator[Server]:
    """The bench of the tests in real time, and a bench file that finds it."""
    file, problems = load_bench(write_bench(folder))
    assert file is not None, list(problems)
    with Server(open_simulated(file), speed=1.0) as served:
        write_bench(folder, served.resources["smu"])
        yield served


def told(server: Server, message: bytes) -> str:
    """What the instrument itself answers."""
    return server.instruments["smu"].answer(message).decode().strip()


Type = Callable[[str], int]


@pytest.fixture
def typed(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Iterator[Type]:
    """Lines on standard input, as a pipe or a file brings them."""
    path = tmp_path / "typed"
    path.touch()
    with path.open(encoding="utf-8") as stream:
        monkeypatch.setattr(sys, "stdin", stream)
        yield lambda text: path.write_text(text, "utf-8")


def test_what_was_done_by_hand_is_a_recipe_that_checks_and_runs_dry(
    call: Call, folder: Path, server: Server, typed: Type
) -> None:
    work = "source smu voltage 1 V, limit 50 mA\noutput smu on\n\nmeasure smu into looks\n"
    typed(f'{PART}{work}say "It takes {{smu.current}}."\n')
    said = call(*MANUAL)
    assert (said.code, said.err) == (0, "")
    # What is at stake is asked as in a run: the empty line behind `output smu on` is the answer.
    assert "\nCaution, shunt: " in said.out
    assert "\nIt takes 10.0" in said.out  # 1 V over 100 ohm (Ohm)
    assert "\nFinished.\n" in said.out
    assert said.out.endswith("What was done is a recipe: log.recipe\n")
    assert told(server, b"OUTPut?") == "0"
    text = (folder / "log.recipe").read_text()
    assert text.count("    output smu on\n") == 1
    checked = call("check", "log.recipe", "--bench", "shunt.bench.toml")
    assert checked.code == 0, checked.out
    assert "warning" not in checked.out
    again = call("dry-run", "log.recipe", "--bench", "shunt.bench.toml")
    assert again.code == 0
    assert "It takes 10.0" in again.out


def test_who_does_not_arm_switches_nothing_on(
    call: Call, folder: Path, server: Server, typed: Type
) -> None:
    typed(f"{PART}source smu voltage 1 V, limit 50 mA\noutput smu on\n")
    said = call(*MANUAL)
    assert said.code == 0
    assert "\nNot armed: the line was not run.\n" in said.out
    assert "output smu on" not in (folder / "log.recipe").read_text()
    with Store.open() as store:
        events = store.run(store.runs()[-1].id).events()
    assert not [event for event in events if event.kind == "output"]


def test_a_log_that_is_there_is_not_overwritten(call: Call, folder: Path) -> None:
    write_bench(folder)
    (folder / "log.recipe").write_text("mine")
    said = call(*MANUAL, "--dry-run")
    assert said.code == 2
    assert said.err.startswith("error: log.recipe is there already, and nothing is overwritten\n")
    assert (folder / "log.recipe").read_text() == "mine"


def test_declarations_come_from_a_recipe(call: Call, folder: Path, typed: Type) -> None:
    write_bench(folder)
    write_recipe(folder)
    typed("source smu voltage level, limit shunt\noutput smu on\nmeasure smu\n")
    said = call(*MANUAL, "--from", "shunt.recipe", "--dry-run")
    assert (said.code, said.err) == (0, "")
    text = (folder / "log.recipe").read_text()
    assert 'setting level = 1 V in 0.1 V to 2 V "level"\n' in text
    assert "results:" not in text
    assert call("check", "log.recipe", "--bench", "shunt.bench.toml").code == 0


class Hands(Watched):
    """A command at a pseudo-terminal of 80 columns."""

    def __init__(self, folder: Path, *arguments: str) -> None:
        import fcntl
        import struct
        import termios

        self.master, slave = os.openpty()
        fcntl.ioctl(slave, termios.TIOCSWINSZ, struct.pack("HHHH", 40, 80, 0, 0))
        super().__init__(folder, *arguments, stdin=slave)
        os.close(slave)

    def type(self, line: str) -> None:
        """Type a line."""
        os.write(self.master, f"{line}\n".encode())

    def close(self) -> None:
        """End it, if it hasn't ended."""
        super().close()
        os.close(self.master)


@posix
def test_ctrl_c_switches_off_and_asks(folder: Path, server: Server) -> None:
    hands = Hands(folder, *MANUAL, "--yes")
    try:
        hands.until("Ctrl-C switches off and asks")
        for line in PART.splitlines():
            hands.type(line)
        for line in ("source smu voltage 1 V, limit 50 mA", "output smu on"):
            hands.type(line)
        hands.until("ON, set to 1 V")
        hands.type("wait 1 h")
        hands.until_record_has("wait 1 h")
        hands.process.send_signal(signal.SIGINT)
        hands.until("smu (shunt) off")
        assert told(server, b"OUTPut?") == "0"
        hands.type("yes")
        hands.type("output smu on")
        hands.until("ON, set to 1 V")
        hands.process.send_signal(signal.SIGINT)
        hands.until("smu (shunt) off")
        hands.type("no")
        code, rest = hands.end()
    finally:
        hands.close()
    assert code == 5
    assert "Stopped by you" in rest
    text = (folder / "log.recipe").read_text()
    assert text.count("    output smu on\n") == text.count("    output smu off\n") == 2
    assert "# broken off: wait 1 h\n" in text


@posix
def test_a_question_is_asked_while_the_guards_go_on(folder: Path, server: Server) -> None:
    recipe = write_recipe(folder)
    asked = '    ask "How warm is it?", into room in 15 °C to 30 °C\n    say "It is {room}."\n'
    recipe.write_text(recipe.read_text().replace("    say ", f"{asked}    say ", 1), "utf-8")
    hands = Hands(folder, "run", "shunt.recipe", "--bench", "shunt.bench.toml", "--yes")
    try:
        hands.until("How warm is it? (from 15 °C to 30 °C)")
        hands.type("25 V")
        hands.until("this is a voltage, and it takes a temperature")
        hands.type("25 °C")
        code, rest = hands.end()
    finally:
        hands.close()
    assert code == 0
    assert "It is 25 °C." in rest
    with Store.open(folder.parent / "data/fusewire/records.sqlite") as store:
        meta = store.run(store.runs()[-1].id).meta
    assert meta.conditions == {"room": "25 °C"}


def test_one_reading_leaves_everything_as_it_is(call: Call, folder: Path, server: Server) -> None:
    front = server.instruments["smu"].front
    front.handle("SOURce:VOLTage 1;:SOURce:CURRent:LIMit 0.05;:OUTPut ON")
    settings = [front.handle(q) for q in ("SOURce:VOLTage?", "SENSe:VOLTage:RANGe?", "OUTPut?")]
    said = call("measure", "smu", "--bench", "shunt.bench.toml", "--json")
    assert (said.code, said.err) == (0, "")
    data = json.loads(said.out)
    # 1 V over 100 ohm (Ohm), within what the specification says of that very range
    assert abs(data["voltage"] - 1.0) <= data["voltage_error"] + 0.01
    assert abs(data["current"] - 0.01) <= data["current_error"] + 0.0001
    assert data["output"] is True
    asked = [front.handle(q) for q in ("SOURce:VOLTage?", "SENSe:VOLTage:RANGe?", "OUTPut?")]
    assert asked == settings
    said = call("measure", "smu", "--bench", "shunt.bench.toml")
    assert said.code == 0
    assert said.out.startswith("smu, output on\n  voltage  ")
    assert " ± " in said.out
    assert " ".join(said.out.split()).endswith("Nothing was set.")


def test_a_channel_that_the_bench_has_not(call: Call, folder: Path) -> None:
    write_bench(folder)
    assert call("measure", "smuu", "--bench", "shunt.bench.toml") == (
        2, "", "error: there is no channel smuu on this bench\n  did you mean smu?\n"
    )  # fmt: skip
