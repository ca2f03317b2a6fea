"""The help, whole, and what a wrong command line gets."""

from __future__ import annotations

import errno
import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from sequencer import shipped
from sequencer.commands.catalogue import COMMANDS
from sequencer.record import default_path
from tests.sequencer.cli.conftest import Call
from tests.sequencer.cli.recipes_of_tests import write_bench, write_recipe

ROOT = Path(__file__).parents[3]
HELP = """\
fusewire: bench tests as short text files, checked, rehearsed, run, on record.

A recipe says what a part can bear, what to do with it and what to work out. It
is checked before power, rehearsed on a simulated bench, and run on yours.

The first four commands
  fusewire new                          the recipes that come with it
  fusewire new sweep-diode              a copy of one, and of its bench
  fusewire check sweep-diode.recipe     every mistake, the worst it can do
  fusewire dry-run sweep-diode.recipe   the whole run, nothing connected
Then, with power: fusewire run sweep-diode.recipe --bench sweep-diode.bench.toml

Commands (`fusewire COMMAND --help` tells the rest)
  new       lists the shipped recipes, or copies one with its bench
  check     every mistake in a recipe, and the worst that any path can do
  explain   what a problem means, why it matters, what to write
  format    recipes in the one canonical form
  dry-run   the run in virtual time, on a simulated bench
  run       the run on your bench, under guards
  manual    by hand: the steps of a recipe, typed one a line
  measure   one reading of a channel, as it is set now
  runs      the runs on record
  show      one run: how it ended, its results, what happened
  export    the readings of a run for a spreadsheet and other programs
  plot      plots of a run, here in the terminal or as a picture
  report    a run as one page to keep, to send and to print
  bench     who answers on a bench, what it can do, what is missing
  serve     a simulated bench as instruments on this computer's network

Exit codes
  0  finished, and every expectation met; nothing to complain of
  1  finished, but an expectation is not met or can't be decided
  2  a mistake in the recipe, the bench file or the command line
  3  tripped: a guard switched off
  4  failed: instrument, link, program, wiring, a time that ran out, or `fail`
  5  stopped by you

Where data lies
  records  {records}
  recipes  {recipes}

Colours are left out where NO_COLOR is set, and on dumb terminals and pipes.
"""


def test_the_help_is_all_that_a_newcomer_needs(call: Call) -> None:
    said = call("--help")
    assert said == (0, HELP.format(records=default_path(), recipes=shipped.folder()), "")
    fixed = HELP.replace("{records}", "").replace("{recipes}", "")
    assert max(map(len, fixed.splitlines())) <= 80


def test_without_a_command_the_help_is_shown_and_that_is_a_mistake(call: Call) -> None:
    assert (call().code, call("--help").code) == (2, 0)
    assert call().out == call("--help").out


def test_the_first_four_commands_do_what_the_help_says(call: Call, folder: Path) -> None:
    assert "sweep-diode" in call("new").out
    assert call("new", "sweep-diode").code == 0
    assert call("check", "sweep-diode.recipe").code == 0
    assert call("dry-run", "sweep-diode.recipe").code == 0


@pytest.mark.parametrize("command", COMMANDS, ids=lambda command: command.name)
def test_every_command_tells_its_arguments_in_80_columns(
    call: Call, command: object, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    name: str = command.name  # type: ignore[attr-defined]
    said = call(name, "--help")
    assert (said.code, said.err) == (0, "")
    assert said.out.startswith(f"usage: fusewire {name} ")
    for argument, *_ in command.arguments:  # type: ignore[attr-defined]
        assert argument in said.out or argument.upper() in said.out
    assert max(map(len, said.out.splitlines())) <= 80


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["chek"], "error: there is no command chek\n  did you mean check?\n"),
        (
            ["frobnicate"],
            "error: there is no command frobnicate\n  commands are new, check, explain, format, "
            "dry-run, run, manual, measure, runs, show, export, plot, report, bench, serve\n",
        ),
        (
            ["run", "sweep-diode"],
            "error: the following arguments are required: --bench\n"
            "  `fusewire run --help` tells what it takes\n",
        ),
        (
            ["dry-run", "sweep-diode", "--seed", "one"],
            "error: --seed: one is no whole number of 1 to 18 digits\n"
            "  `fusewire dry-run --help` tells what it takes\n",
        ),
        (
            # SQLite's integers end at 2^63 - 1, some nine million million million.
            ["dry-run", "sweep-diode", "--seed", "9" * 19],
            f"error: --seed: {'9' * 19} is no whole number of 1 to 18 digits\n"
            "  `fusewire dry-run --help` tells what it takes\n",
        ),
        (
            ["serve", "sweep-diode", "--speed", "0"],
            "error: --speed: 0 is no number above 0\n"
            "  `fusewire serve --help` tells what it takes\n",
        ),
        (
            ["export", "last", "--to", "xml"],
            "error: --to: there is no export to xml, only to csv, parquet, json\n"
            "  `fusewire export --help` tells what it takes\n",
        ),
        (
            ["check", "sweep-diod"],
            "error: there is no recipe sweep-diod\n  did you mean sweep-diode?\n",
        ),
        (
            ["dry-run", "sweep-diode", "--bench", "nowhere.bench.toml"],
            "error: there is no bench file nowhere.bench.toml\n"
            f"  shipped are {', '.join(shipped.names())}\n",
        ),
        (
            ["check", "sweep-diode", "--set", "level"],
            "error: --set level: this is no setting\n"
            "  write it as in --set rate=2A, or --set 'rate = 2 A'\n",
        ),
        (
            ["check", "sweep-diode", "--set", "largest=150,5 mA"],
            "error: --set largest=150,5 mA: “150,5 mA” has a decimal comma in place of a point\n"
            "  write it as in --set rate=2A\n",
        ),
        (
            ["check", "sweep-diode", "--set", "level=1 V", "--set", "level=2 V"],
            "error: --set level is given twice\n  keep one of them\n",
        ),
    ],
    ids=lambda given: " ".join(given) if isinstance(given, list) else "",
)
def test_a_wrong_command_line_is_told_in_words(
    call: Call, arguments: list[str], message: str
) -> None:
    assert call(*arguments) == (2, "", message)


HEAVY = ("numpy", "scipy", "matplotlib", "pyvisa", "pydantic", "rich", "sqlite3")


@pytest.mark.parametrize(
    ("arguments", "code"), [(["--help"], 0), (["check", "shunt.recipe"], 0), (["--version"], 0)]
)
def test_help_and_check_load_nothing_heavy(folder: Path, arguments: list[str], code: int) -> None:
    write_bench(folder)
    write_recipe(folder)
    heavy = HEAVY[:-1] if arguments == ["--help"] else HEAVY
    script = (
        "import sys; from sequencer.cli import main; code = main(sys.argv[1:]); "
        f"print([m for m in {heavy!r} if m in sys.modules], code, file=sys.stderr)"
    )
    ran = subprocess.run(
        [sys.executable, "-c", script, *arguments],
        env={"PYTHONPATH": str(ROOT), "HOME": str(folder), "PATH": ""},
        capture_output=True,
        text=True,
        timeout=60,
        check=True,
    )
    assert ran.stderr == f"[] {code}\n"


def test_the_program_is_also_a_module(folder: Path) -> None:
    ran = subprocess.run(
        [sys.executable, "-m", "sequencer", "chek"],
        env={"PYTHONPATH": str(ROOT), "HOME": str(folder), "PATH": ""},
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert (ran.returncode, ran.stdout) == (2, "")
    assert ran.stderr == "error: there is no command chek\n  did you mean check?\n"


@pytest.mark.parametrize("arguments", [["show", "last"], ["runs"], ["check", "nowhere"]])
def test_a_script_reads_errors_as_data_too(call: Call, arguments: list[str]) -> None:
    said = call(*arguments, "--json")
    data = json.loads(said.out)
    assert (said.code, data["exit_code"]) == (2, 2)
    assert said.err == f"error: {data['error']}\n  {data['advice']}\n"


def test_a_script_reads_problems_as_data_too(call: Call, folder: Path) -> None:
    bench = write_bench(folder)
    write_recipe(folder)
    bench.write_text(bench.read_text().replace("100 ohm", "100 V"))
    said = call("dry-run", "shunt.recipe", "--json")
    data = json.loads(said.out)
    assert (said.code, data["exit_code"]) == (2, 2)
    assert [problem["slug"] for problem in data["problems"]] == ["bench-unit"]
    assert "[bench-unit]" in said.err


def test_a_mistake_of_the_program_says_so(call: Call, monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(arguments: object) -> int:
        raise KeyError("nothing")

    monkeypatch.setattr("sequencer.commands.recipes.new", broken)
    said = call("new")
    assert (said.code, said.out) == (4, "")
    assert said.err.startswith("Traceback ")
    assert said.err.endswith(
        "\nerror: this is a mistake of the program itself, not yours\n"
        "  please report it with the lines above; `fusewire runs` shows what is on record\n"
    )


FULL_DEVICE = Path("/dev/full")


def shell(folder: Path, line: str) -> subprocess.CompletedProcess[str]:
    """The program called by a shell, `$fusewire` in its line, in a folder of its own."""
    return subprocess.run(
        ["sh", "-c", line.replace("$fusewire", f"'{sys.executable}' -m sequencer")],
        cwd=folder,
        env={"PYTHONPATH": str(ROOT), "HOME": str(folder), "PATH": os.environ["PATH"]},
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )


@pytest.mark.skipif(not FULL_DEVICE.is_char_device(), reason="the system has no full device")
@pytest.mark.parametrize("command", ["check sweep-diode", "--help", "dry-run sweep-diode"])
def test_output_that_finds_no_room_is_no_success(folder: Path, command: str) -> None:
    said = shell(folder, f"$fusewire {command} > {FULL_DEVICE}")
    reason = os.strerror(errno.ENOSPC)
    assert said.stderr == f"error: the output can't be written in full: {reason}\n"
    assert said.returncode == 4


@pytest.mark.skipif(not FULL_DEVICE.is_char_device(), reason="the system has no full device")
def test_data_that_finds_no_room_is_no_success(folder: Path) -> None:
    said = shell(folder, f"$fusewire check sweep-diode --json > {FULL_DEVICE}")
    # Short data are missed when they are flushed, long ones when they are written.
    reason = os.strerror(errno.ENOSPC)
    assert said.stderr in (
        f"error: {reason}\n",
        f"error: the output can't be written in full: {reason}\n",
    )
    assert said.returncode == 4


@pytest.mark.skipif(os.name != "posix", reason="a POSIX shell closes the output")
def test_a_closed_output_is_nobody_that_reads(folder: Path) -> None:
    said = shell(folder, "$fusewire check sweep-diode >&-")
    assert (said.returncode, said.stderr) == (0, "")
    assert shell(folder, "$fusewire check nowhere >&- 2>&-").returncode == 2


@pytest.mark.skipif(os.name != "posix", reason="a POSIX shell joins the pipe")
def test_a_pipe_that_is_closed_early_is_no_mistake(folder: Path) -> None:
    said = shell(folder, "{ $fusewire dry-run sweep-diode; echo $? >&2; } | true")
    assert said.stderr == "0\n"
