"""Digital lines: what a bench file says of them, how they behave in a dry run, and not in a run."""

from __future__ import annotations

from collections.abc import Callable
from importlib import resources
from pathlib import Path

import pytest

from drivers.bench import Bench, BenchFile, open_bench, open_simulated, read_bench
from drivers.digital_box import read_digital_box
from drivers.faults import BenchFileError
from drivers.simulated.lines import SimulatedLine
from drivers.simulated.parts import pump
from grammar.diagnostic import Source, draw

BENCH = """\
line_frequency = "50 Hz"
[channels.smu]
specification = "demo-source-measure"
part = "load"
[parts.load]
model = "resistor"
resistance = "10 ohm"
"""
TEXT = (
    BENCH
    + """\
[digital.lid]
resource = "TCPIP::192.0.2.22::5025::SOCKET"
dialect  = "ridge-digital.toml"
line     = 3
simulated = [ { at = "0 s", state = "high" }, { at = "2 min", state = "low" } ]
[digital.valve]
line = 4
"""
)


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


BOX = (
    BENCH
    + """\
[digital.lid]
specification = "demo-digital"
line = 2
driven_by = { low = "0.2 V", high = "5 V" }
simulated = [ { at = "0 s", state = "high" } ]
[digital.valve]
specification = "demo-digital"
resource = "TCPIP::192.0.2.22::5025::SOCKET"
line = 6
drives = { low = "0.8 V", high = "2.4 V", current = "2 mA" }
"""
)


def test_the_demo_box_and_its_text_for_the_record() -> None:
    file = read(BOX)
    box = file.boxes["valve"]
    assert box is file.boxes["lid"] or box == file.boxes["lid"]
    assert "invented" in box.figures_from
    assert box.lines == tuple(range(11))
    assert 'title        = "Demo digital' in file.specification_texts["demo-digital"]
    again, problems = read_bench(file.path, file.text, file.specification_texts)
    assert again is not None, list(problems)
    assert again.boxes == file.boxes


def test_a_box_of_one_s_own(tmp_path: Path) -> None:
    """By its path beside the bench file, with the problems inside at their own place."""
    text = 'title = "Own"\nfigures_from = "its label"\noutputs = [6]\ninputs = [2]\n'
    levels = '[output]\nlow = "0 V"\nhigh = "5 V"\nmost_current = "20 mA"\n'
    inputs = '[input]\nlow = "1 V"\nhigh = "3 V"\nbears = "6 V"\n'
    (tmp_path / "own.toml").write_text(text + levels + inputs, encoding="utf-8")
    bench = BOX.replace("demo-digital", "own.toml")
    file, problems = read_bench(tmp_path / "workshop.bench.toml", bench)
    assert file is not None, list(problems)
    assert file.boxes["valve"].shortest_interval == 0
    (tmp_path / "own.toml").write_text(text + levels, encoding="utf-8")
    file, problems = read_bench(tmp_path / "workshop.bench.toml", bench)
    assert file is None
    (problem,) = problems
    assert problem.message == "the file has inputs and doesn't say their levels, under [input]"
    assert problem.source.name == str(tmp_path / "own.toml")


def test_a_write_is_there_when_the_box_has_switched() -> None:
    """300 µs each, and 4 ms from one write to the next: the second begins when it may."""
    bench = open_simulated(read(BOX))
    valve = bench.lines["valve"]
    assert isinstance(valve, SimulatedLine)
    valve.write(True)
    assert bench.clock.now() == 300e-6
    valve.write(False)
    bench.clock.wait_until(1.0)
    valve.write(True)
    assert valve.written == [(300e-6, True), (4.3e-3, False), (1.0003, True)]


def test_what_follows_a_line_hears_of_it_when_it_has_switched() -> None:
    bench = open_simulated(read(BOX), lines=["valve"])
    valve, heard = bench.lines["valve"], list[tuple[bool, int]]()
    assert isinstance(valve, SimulatedLine)
    valve.followers.append(lambda high, at_ns: heard.append((high, at_ns)))
    bench.clock.wait_until(2.5)
    valve.write(True)
    assert heard == [(True, 2_500_300_000)]


@pytest.mark.parametrize(
    ("before", "after", "message", "hint"),
    [
        (
            "line = 6",
            "line = 12",
            "workshop.bench.toml:16:8: error: there is no line 12 on this box (Demo digital input "
            "and output box) [bench-line]",
            "It has 0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10.",
        ),
        (
            "line = 6\n",
            "",
            "workshop.bench.toml:13:1: error: “digital.valve” has a specification and no “line”: "
            "write its number there, line = 0 [bench-value]",
            "",
        ),
        (
            "line = 6",
            "line = 1",
            "workshop.bench.toml:17:10: error: line 1 of this box (Demo digital input and output "
            "box) can't be an output [bench-line]",
            "Its outputs are 6, 7, 8, 9, 10.",
        ),
        (
            "line = 2",
            "line = 7",
            "workshop.bench.toml:11:13: error: line 7 of this box (Demo digital input and output "
            "box) can't be an input [bench-line]",
            "Its inputs are 0, 1, 2, 3, 4, 5, 9, 10.",
        ),
        (
            '"2 mA"',
            '"250 mA"',
            "workshop.bench.toml:17:53: error: what hangs on it draws 250 mA, and the box (Demo "
            "digital input and output box) gives 9 mA at most [bench-line]",
            "A digital line drives logic, not a load: put a driver in between, and state what "
            "that draws.",
        ),
        (
            '"2.4 V"',
            '"3.5 V"',
            "workshop.bench.toml:17:10: error: what hangs on it takes up to 800 mV for low and "
            "from 3.5 V on for high, and the box (Demo digital input and output box) gives 350 mV "
            "and 2.9 V [bench-line]",
            "Put a level shifter in between.",
        ),
        (
            'high = "5 V"',
            'high = "24 V"',
            "workshop.bench.toml:11:13: error: this gives 24 V, and an input of the box (Demo "
            "digital input and output box) bears 0 V to 6 V [bench-line]",
            "Put a divider or an isolator in between.",
        ),
        (
            'high = "5 V"',
            'high = "1.8 V"',
            "workshop.bench.toml:11:13: error: this gives 200 mV and 1.8 V, and an input of the "
            "box (Demo digital input and output box) takes up to 900 mV for low and from 2.1 V on "
            "for high [bench-line]",
            "Put a level shifter in between.",
        ),
        (
            "drives =",
            'simulated = [ { at = "0 s", state = "low" } ]\ndrives =',
            "workshop.bench.toml:13:1: error: “digital.valve” drives something and is driven from "
            "outside (“driven_by”, “simulated”): a line does one or the other [bench-value]",
            "",
        ),
        (
            "line = 2",
            'line = 6\nresource = "TCPIP::192.0.2.22::5025::SOCKET"',
            "workshop.bench.toml:17:8: error: line 6 of TCPIP::192.0.2.22::5025::SOCKET is “lid” "
            "already [bench-shared]",
            "Give each its own line, or use one name for both.",
        ),
        (
            'specification = "demo-digital"\nline = 2',
            'specification = "demo-meter"\nline = 2',
            "demo-meter.toml:19:1: error: this is the specification of an instrument, and a "
            "digital line has that of a box [specification-value]",
            "Name one, as demo-digital.",
        ),
        (
            '"demo-source-measure"',
            '"demo-digital"',
            "demo-digital.toml:6:1: error: this is the specification of a box of digital lines, "
            "and a channel has an instrument's [specification-value]",
            "Name one, as demo-source-measure.",
        ),
        (
            'specification = "demo-digital"\nline = 2',
            'specification = "demo-digitl"\nline = 2',
            "workshop.bench.toml:9:17: error: there is no specification “demo-digitl”, neither "
            "shipped nor as a text file at demo-digitl [bench-specification]",
            "Did you mean “demo-digital”?",
        ),
    ],
)
def test_what_the_box_can_t_is_told_with_its_place(
    before: str, after: str, message: str, hint: str
) -> None:
    assert before in BOX
    file, problems = read_bench(Path("workshop.bench.toml"), BOX.replace(before, after, 1))
    assert file is None
    drawn = [draw(problem) for problem in problems]
    assert any(text.startswith(message + "\n") and hint in text for text in drawn), drawn


PUMP_ON = """\
line_frequency = "50 Hz"
[channels.smu]
specification = "demo-source-measure"
part = "pump.motor"
[digital.lid]
simulated = [ { at = "0 s", state = "high" } ]
"""


@pytest.mark.parametrize(
    ("line", "message", "hint"),
    [
        (
            "vant",
            "“pump” hangs on a digital line “vant”, and there is none on this bench [bench-part]",
            "Did you mean “vent”?",
        ),
        (
            "lid",
            "“pump” hangs on the digital line “lid”, which is an input here [bench-part]",
            "Take an output: a line that nothing drives from outside.",
        ),
    ],
)
def test_a_valve_hangs_on_an_output_of_this_bench(line: str, message: str, hint: str) -> None:
    text = PUMP_ON + pump.EXAMPLE.replace('line = "vent"', f'line = "{line}"')
    file, problems = read_bench(Path("workshop.bench.toml"), text)
    assert file is None
    (drawn,) = map(draw, problems)
    assert drawn.startswith(f"workshop.bench.toml:16:18: error: {message}\n")
    assert hint in drawn


@pytest.mark.parametrize(
    ("before", "after", "words"),
    [
        ("inputs            = [0,", "inputs            = [0, 0,", "inputs that repeat"),
        ('shortest_interval = "4 ms"', 'shortest_interval = "0 s"', "below its switching_time"),
        ('high  = "2.1 V"', 'high  = "0.5 V"', "these must ascend"),
        ('high         = "2.9 V"', 'high         = "0.1 V"', "high must be above low"),
    ],
)
def test_a_box_that_contradicts_itself(before: str, after: str, words: str) -> None:
    text = (resources.files("drivers") / "specifications" / "demo-digital.toml").read_text("utf-8")
    assert before in text
    box, problems = read_digital_box(Source("own.toml", text.replace(before, after)))
    assert box is None
    assert words in " ".join(problem.message for problem in problems)
