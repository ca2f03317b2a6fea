"""The command line: what is asked for, the help, and errors in words with their exit codes.

Thin: a command's arguments are parsed here, what it does is done by `sequencer.commands`, which is
loaded only when the command is called.
"""

from __future__ import annotations

import argparse
import gc
import io
import math
import os
import sys
from collections.abc import Callable, Sequence
from contextlib import suppress
from importlib import import_module
from typing import NoReturn, TextIO

from sequencer.commands.shared import Exit, Mistake, put_data
from sequencer.report.terminal import Terminal
from sequencer.shipped import NotFound

WIDTH = 80
_ABOUT = """\
fusewire: bench tests as short text files, checked, rehearsed, run, on record.

A recipe says what a part can bear, what to do with it and what to work out. It
is checked before power, rehearsed on a simulated bench, and run on yours."""
_FIRST = (
    ("fusewire new", "the recipes that come with it"),
    ("fusewire new sweep-diode", "a copy of one, and of its bench"),
    ("fusewire check sweep-diode.recipe", "every mistake, the worst it can do"),
    ("fusewire dry-run sweep-diode.recipe", "the whole run, nothing connected"),
)
_THEN = "Then, with power: fusewire run sweep-diode.recipe --bench sweep-diode.bench.toml"
_SHOWN = """\
Colours are left out where NO_COLOR is set, and on dumb terminals and pipes."""


class Command:
    """A command: where its function is, its line in the help, its own help, its arguments."""

    def __init__(
        self, name: str, function: str, line: str, about: str, *arguments: tuple[str, ...]
    ) -> None:
        self.name, self.function, self.line, self.about = name, function, line, about
        self.arguments = arguments

    def call(self, arguments: argparse.Namespace) -> int:
        """Load what does it, and do it."""
        module, _, name = self.function.partition(":")
        function: Callable[[argparse.Namespace], int] = getattr(import_module(module), name)
        return function(arguments)


_RECIPE = ("recipe", "RECIPE", "a path, or the name of a shipped recipe")
_BENCH_OPTION = ("--bench", "BENCH", "the bench file: a path, or the name of a shipped one")
_BENCH = ("bench", "BENCH", "the bench file: a path, or the name of a shipped one")
_SET = ("--set", "NAME=VALUE", "a setting's value in place of the recipe's own (may be repeated)")
_RECORD = ("--record", "FILE", "the store of records, in place of your own")
_JSON = ("--json", "", "data on standard output, talk on standard error")
_RUN = ("run", "RUN", "a run's id, the beginning of one, or `last`")
_SEED = ("--seed", "N", "the seed of noise and of instrument errors (default 0)")
_IDEAL = ("--ideal", "", "instruments without noise, errors and resolution")

COMMANDS = (
    Command(
        "new",
        "sequencer.commands.recipes:new",
        "lists the shipped recipes, or copies one with its bench",
        "Without a name: the recipes that come with it. With one: copies it and its bench file "
        "to start from. Nothing is overwritten.",
        ("recipe", "RECIPE", "the name of a shipped recipe", "?"),
        ("--to", "FOLDER", "where to (default: here)"),
    ),
    Command(
        "check",
        "sequencer.commands.recipes:check",
        "every mistake in a recipe, and the worst that any path can do",
        "Reads a recipe and says all that can be said of it before power: every mistake with its "
        "place, and the most extreme voltage, current, power and energy on any path through it, "
        "beside what the part bears. With a bench it counts the instrument's errors and limits.",
        _RECIPE,
        _BENCH_OPTION,
        _SET,
        _JSON,
    ),
    Command(
        "dry-run",
        "sequencer.commands.runs:dry_run",
        "the run in virtual time, on a simulated bench",
        "Runs a recipe on the simulated parts of its bench file, hours in seconds, under the same "
        "guards and with the same results. Nothing real is touched. The bench is the one beside "
        "the recipe, unless --bench names another.",
        _RECIPE,
        _BENCH_OPTION,
        _SET,
        _SEED,
        _IDEAL,
        _RECORD,
        _JSON,
        ("--quiet", "", "only how it ended, in one line"),
    ),
    Command(
        "run",
        "sequencer.commands.runs:run",
        "the run on your bench, under guards",
        "Checks a recipe against the bench, asks what has to be asked before power, and runs it. "
        "Ctrl-C stops the run and switches off; a second one switches off at once.",
        _RECIPE,
        (*_BENCH_OPTION, "required"),
        _SET,
        ("--yes", "", "no questions before power; that is on record"),
        _RECORD,
        _JSON,
        ("--no-view", "", "no live view, only what the recipe says"),
    ),
    Command(
        "runs",
        "sequencer.commands.records:runs",
        "the runs on record",
        "Lists the runs on record, the newest last.",
        _RECORD,
        _JSON,
    ),
    Command(
        "show",
        "sequencer.commands.records:show",
        "one run: how it ended, its results, what happened",
        "Shows one run on record.",
        _RUN,
        _RECORD,
        _JSON,
    ),
    Command(
        "export",
        "sequencer.commands.records:export",
        "the readings of a run as a table for a spreadsheet",
        "Writes all readings of a run, or one of its traces, to a CSV file in this folder.",
        _RUN,
        ("--to", "FORMAT", "csv", "required"),
        ("--trace", "NAME", "one trace, in place of all readings"),
        ("--out", "FILE", "the file, replaced if it is there (default: RUN.csv, never replaced)"),
        _RECORD,
    ),
    Command(
        "bench",
        "sequencer.commands.benches:bench",
        "who answers on a bench, what it can do, what is missing",
        "Checks a bench file, opens each of its instruments and asks who answers. Nothing is "
        "set, and no output is switched.",
        _BENCH,
        _JSON,
    ),
    Command(
        "serve",
        "sequencer.commands.benches:serve",
        "a simulated bench as instruments on this computer's network",
        "Puts the simulated instruments of a bench on loopback, where `fusewire run` finds them as "
        "it would find real ones: for trying the whole way without hardware.",
        _BENCH,
        ("--speed", "X", "so many times faster than real time (default 1)"),
        ("--serial", "", "on pseudo-terminals in place of sockets (not on Windows)"),
        _SEED,
        _IDEAL,
        ("--misbehave", "WAY[@N]", "misbehave, after N messages: silence, late, garbage, close, …"),
    ),
)


def _seed(text: str) -> int:
    # No larger than what the record can keep of it.
    if not text.isascii() or not text.isdecimal() or len(text) > 18:
        raise argparse.ArgumentTypeError(f"{text} is no whole number of 1 to 18 digits")
    return int(text)


def _positive(text: str) -> float:
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not 0 < value < math.inf:
        raise argparse.ArgumentTypeError(f"{text} is no number above 0")
    return value


def _format(text: str) -> str:
    if text != "csv":
        raise argparse.ArgumentTypeError(f"there is no export to {text}, only to csv")
    return text


_TYPES: dict[str, Callable[[str], object]] = {"--seed": _seed, "--speed": _positive}
_FORMATS: dict[tuple[str, str], Callable[[str], object]] = {("export", "--to"): _format}
_DEFAULTS: dict[str, object] = {"--seed": 0, "--speed": 1.0, "--set": []}


class _Parser(argparse.ArgumentParser):
    def error(self, message: str) -> NoReturn:
        raise Mistake(
            message.removeprefix("argument "), f"`{self.prog} --help` tells what it takes"
        )


def help_text() -> str:
    """The help that a newcomer can work from."""
    from sequencer import shipped
    from sequencer.record.store import default_path

    lines = [_ABOUT, "", "The first four commands"]
    lines += [f"  {command:<37} {what}" for command, what in _FIRST]
    lines += [_THEN, "", "Commands (`fusewire COMMAND --help` tells the rest)"]
    lines += [f"  {command.name:<9} {command.line}" for command in COMMANDS]
    lines += ["", "Exit codes"]
    lines += [f"  {code.value}  {code.text}" for code in Exit]
    lines += ["", "Where data lies"]
    lines += [f"  records  {default_path()}", f"  recipes  {shipped.folder()}", "", _SHOWN]
    return "\n".join(lines)


def parser_of(command: Command) -> argparse.ArgumentParser:
    """The parser of a command's arguments."""
    parser = _Parser(
        prog=f"fusewire {command.name}",
        description=command.about,
        allow_abbrev=False,
    )
    for name, value, text, *more in command.arguments:
        if not name.startswith("-"):
            parser.add_argument(name, metavar=value, help=text, nargs=more[0] if more else None)
        elif not value:
            parser.add_argument(name, action="store_true", help=text)
        else:
            parser.add_argument(
                name,
                metavar=value,
                help=text,
                required="required" in more,
                action="append" if name == "--set" else "store",
                type=_FORMATS.get((command.name, name)) or _TYPES.get(name, str),
                default=_DEFAULTS.get(name),
            )
    return parser


def main(argv: Sequence[str] | None = None) -> int:
    """The command `fusewire`; returns its exit code."""
    given = list(sys.argv[1:] if argv is None else argv)
    for name in ("stdout", "stderr"):
        if getattr(sys, name) is None:  # closed by whoever called
            setattr(sys, name, open(os.devnull, "w", encoding="utf-8"))  # noqa: SIM115
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            # A console that lacks Ω or µ shows a question mark in its place, and nothing ends.
            stream.reconfigure(errors="replace")
    # Nothing of what a check makes is garbage before its end, and looking for some, at the end too,
    # takes a seventh of its time. The collector is another's where this isn't a process of its own.
    briefly = argv is None and given[:1] == ["check"]
    if briefly:
        gc.disable()
    code = _called(given)
    lost = _finish(sys.stdout) or Terminal.lost
    if lost:
        Terminal.lost = ""
        _explain(Terminal(sys.stderr), f"the output can't be written in full: {lost}")
        code = code or Exit.FAILED
    _finish(sys.stderr)
    if briefly:
        gc.freeze()
    return int(code)


def _called(given: list[str]) -> int:
    try:
        return _command(given)
    except SystemExit as end:  # of `--help`
        return int(end.code or 0)
    except KeyboardInterrupt:
        Terminal(sys.stderr).say("stopped")
        return Exit.STOPPED
    except BrokenPipeError:
        return Exit.MET
    except Exception as error:
        code, data = _told(Terminal(sys.stderr), error)
        if "--json" in given:
            with suppress(OSError):  # told when the rest is flushed
                put_data({"exit_code": int(code), **data})
        return code


def _command(given: list[str]) -> int:
    out = Terminal(sys.stdout)
    if not given or given[0] in ("--help", "-h", "help"):
        out.say(help_text())
        return Exit.MET if given else Exit.BAD_INPUT
    if given[0] == "--version":
        from sequencer.api import versions

        out.say(f"fusewire {versions()['fusewire']}")
        return Exit.MET
    command = next((command for command in COMMANDS if command.name == given[0]), None)
    if command is None:
        from grammar.wording import near

        names = [command.name for command in COMMANDS]
        close = near(given[0], names)
        what = "option" if given[0].startswith("-") else "command"
        raise Mistake(
            f"there is no {what} {given[0]}",
            f"did you mean {close}?" if close else f"commands are {', '.join(names)}",
        )
    return command.call(parser_of(command).parse_args(given[1:]))


def _told(errors: Terminal, error: Exception) -> tuple[Exit, dict[str, object]]:
    """Tell an error by whose it is; its exit code, and the same as data.

    Errors of the person, the bench and the link have words of their own; anything else is a mistake
    of this program.
    """
    problems = getattr(error, "problems", None)
    if problems is not None:
        from grammar.diagnostic import as_data
        from sequencer.report.problems import show_problems

        show_problems(errors, problems)
        return Exit.BAD_INPUT, {"problems": [as_data(p) for found in problems for p in found]}
    code = Exit.FAILED
    if isinstance(error, NotFound):
        code = Exit.BAD_INPUT
        message, _, advice = str(error).partition("; ")
    elif hasattr(error, "message") and hasattr(error, "advice"):
        message, advice = error.message, error.advice
        if getattr(error, "fault", "person") in ("person", "bench", "recipe"):
            code = getattr(error, "code", Exit.BAD_INPUT)
    elif isinstance(error, OSError):
        place = f"{error.filename}: " if error.filename else ""
        message, advice = f"{place}{error.strerror or error}", ""
    else:
        import traceback

        errors.say("".join(traceback.format_exception(error)).rstrip())
        message = "this is a mistake of the program itself, not yours"
        advice = "please report it with the lines above; `fusewire runs` shows what is on record"
    _explain(errors, message, advice)
    return code, {"error": message, "advice": advice}


def _explain(errors: Terminal, message: str, advice: str = "") -> None:
    word = errors.paint("error:", "red")
    if errors.live:
        message = errors.paragraph(message, "  ", " " * 7)[7:]
        advice = errors.paragraph(advice, "  ")[2:] if advice else ""
    errors.say(f"{word} {message}")
    if advice:
        errors.say(f"  {advice}")


def _finish(stream: TextIO) -> str:
    """Flush, and say why that failed; a reader that has gone away is no failure."""
    try:
        stream.flush()
    except (OSError, ValueError) as error:
        if stream in (sys.__stdout__, sys.__stderr__):
            # The interpreter flushes once more at its end, and would complain.
            os.dup2(os.open(os.devnull, os.O_WRONLY), stream.fileno())
        if isinstance(error, OSError) and not isinstance(error, BrokenPipeError):
            return error.strerror or str(error)
    return ""
