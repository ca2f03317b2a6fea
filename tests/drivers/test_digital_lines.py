"""Digital lines: what a bench file says of them, how they behave in a dry run, and not in a run."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from drivers.bench import Bench, BenchFile, open_bench, open_simulated, read_bench
from drivers.faults import BenchFileError
from drivers.simulated.lines import SimulatedLine
from grammar.diagnostic import draw

TEXT = """\
line_frequency = "50 Hz"
[channels.smu]
specification = "demo-source-measure"
part = "load"
[parts.load]
model = "resistor"
resistance = "10 ohm"
[digital.lid]
resource = "TCPIP::192.0.2.22::5025::SOCKET"
dialect  = "ridge-digital.toml"
line     = 3
simulated = [ { at = "0 s", state = "high" }, { at = "2 min", state = "low" } ]
[digital.valve]
line = 4
"""


def read(text: str = TEXT) -> BenchFile:
    file, problems = read_bench(Path("workshop.bench.toml"), text)
    assert file is not None, [p.message for p in problems]
    return file


def simulated(*lines: str) -> Bench:
    return open_simulated(read(), lines=lines or None)


def test_what_the_file_says() -> None:
    lid, valve = read().digital["lid"], read().digital["valve"]
    assert (lid.resource, lid.dialect) == ("TCPIP::192.0.2.22::5025::SOCKET", "ridge-digital.toml")
    assert (lid.line, valve.line) == (3, 4)
    assert [(s.at, s.state) for s in lid.simulated] == [(0.0, "high"), (120.0, "low")]
    assert valve.simulated == ()


def test_an_input_follows_its_profile_on_the_bench_clock() -> None:
    bench = simulated()
    lid = bench.lines["lid"]
    assert lid.read() is True
    bench.clock.wait_until(119.999)
    assert lid.read() is True
    bench.clock.wait_until(120.0)
    assert lid.read() is False
    bench.clock.wait_until(1e6)
    assert lid.read() is False


def test_an_output_remembers_what_was_written_and_when() -> None:
    bench = simulated("valve")
    valve = bench.lines["valve"]
    assert isinstance(valve, SimulatedLine)
    valve.write(True)
    bench.clock.wait_until(3.0)
    assert valve.read() is True
    valve.write(False)
    assert valve.read() is False
    assert valve.written == [(0.0, True), (3.0, False)]
    bench.close()
    assert valve.read() is False


def test_only_the_lines_asked_for_are_opened() -> None:
    assert set(simulated().lines) == {"lid", "valve"}
    assert set(simulated("lid").lines) == {"lid"}
    assert open_simulated(read(), lines=()).lines == {}


def refused(ask: Callable[[Bench], object]) -> tuple[str, str]:
    bench = simulated()
    with pytest.raises(BenchFileError) as error:
        ask(bench)
    return error.value.message, error.value.advice


def test_reading_what_nothing_is_known_of() -> None:
    assert refused(lambda bench: bench.lines["valve"].read()) == (
        "digital line “valve” is read, and nothing says what it reads in a dry run",
        "Describe an input under [digital.valve], as in "
        'simulated = [ { at = "0 s", state = "high" } ].',
    )


def test_writing_to_what_is_driven_from_outside() -> None:
    assert refused(lambda bench: bench.lines["lid"].write(True)) == (
        "digital line “lid” is written to, and the bench file has it driven from outside",
        "Leave out “simulated” under [digital.lid]: an output needs none.",
    )


def test_a_run_has_no_lines_yet() -> None:
    assert refused(lambda bench: open_bench(bench.file, (), lines=["lid"])) == (
        "workshop.bench.toml: digital line “lid” can't be opened: digital lines run only in a dry "
        "run so far, since no dialect says yet how an instrument switches or reads one",
        "Make a dry run, or leave the line out of the recipe.",
    )


def test_a_line_that_is_not_there() -> None:
    assert refused(lambda bench: open_simulated(bench.file, lines=["lids"])) == (
        "workshop.bench.toml: there is no digital line “lids” on this bench",
        "Did you mean “lid”?",
    )


@pytest.mark.parametrize(
    ("before", "after", "message"),
    [
        (
            'at = "0 s"',
            'at = "1 s"',
            "workshop.bench.toml:12:13: error: “digital.lid.simulated” doesn't say how the line is "
            'at first: begin with { at = "0 s", … } [bench-value]\n',
        ),
        (
            'at = "2 min"',
            'at = "0 s"',
            "workshop.bench.toml:12:13: error: “digital.lid.simulated” has times that don't rise: "
            "the earliest state first, each time once [bench-value]\n",
        ),
        (
            '"low"',
            '"closed"',
            "workshop.bench.toml:12:71: error: “digital.lid.simulated[1].state” is “closed”: it "
            'can be "high" or "low" [bench-value]\n',
        ),
        (
            '"2 min"',
            '"2 V"',
            "workshop.bench.toml:12:54: error: “digital.lid.simulated[1].at”: “2 V” is a voltage, "
            "expected a time as in “1 s” [bench-unit]\n",
        ),
        (
            "line     = 3",
            "line     = -3",
            "workshop.bench.toml:11:12: error: “digital.lid.line” is -3: it must not be negative "
            "[bench-value]\n",
        ),
        (
            "line     = 3",
            "lines    = 3",
            "workshop.bench.toml:11:1: error: “digital.lid.lines” is no key known here "
            "[bench-key]\n",
        ),
        (
            "[digital.valve]\nline = 4",
            "[digital]\nvalve = 4",
            "workshop.bench.toml:14:9: error: “digital.valve” must be a table [bench-value]\n",
        ),
        (
            "[digital.valve]",
            "[digital.4valve]",
            "workshop.bench.toml:13:1: error: “4valve” can't be a name [bench-name]\n",
        ),
    ],
)
def test_bad_lines_are_told_with_their_place(before: str, after: str, message: str) -> None:
    assert before in TEXT
    file, problems = read_bench(Path("workshop.bench.toml"), TEXT.replace(before, after))
    assert file is None
    assert "\n".join(map(draw, problems)).startswith(message)
