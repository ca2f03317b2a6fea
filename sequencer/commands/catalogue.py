"""Every command: where its function is, its line in the help, its own help, its arguments.

What a command does is loaded only when it is called, since `check` is to start at once.
"""

from __future__ import annotations

import argparse
import math
from collections.abc import Callable
from importlib import import_module
from typing import NoReturn

from drivers.simulated.faults import KINDS, form
from sequencer import garbage
from sequencer.commands.shared import Mistake


class Command:
    """A command: where its function is, its line in the help, its own help, its arguments.

    One that `loads_on` by itself says when all is loaded, or is over before garbage matters.
    """

    def __init__(
        self,
        name: str,
        function: str,
        line: str,
        about: str,
        *arguments: tuple[str, ...],
        loads_on: bool = False,
    ) -> None:
        self.name, self.function, self.line, self.about = name, function, line, about
        self.arguments, self.loads_on = arguments, loads_on

    def call(self, arguments: argparse.Namespace) -> int:
        """Load what does it, and do it."""
        module, _, name = self.function.partition(":")
        function: Callable[[argparse.Namespace], int] = getattr(import_module(module), name)
        if not self.loads_on:
            garbage.loaded()
        return function(arguments)


_RECIPE = ("recipe", "RECIPE", "a path, or the name of a shipped recipe")
_BENCH_OPTION = ("--bench", "BENCH", "the bench file: a path, or the name of a shipped one")
_BENCH = ("bench", "BENCH", "the bench file: a path, or the name of a shipped one")
_SET = ("--set", "NAME=VALUE", "a setting's value in place of the recipe's own (may be repeated)")
_RECORD = ("--record", "FILE", "the store of records, in place of your own")
_JSON = ("--json", "", "data on standard output, talk on standard error")
_LINES = ("--lines", "", "each problem on one line, for programs that read line by line")
_ANSWER = ("--answer", "NAME=VALUE", "what `ask` is answered with (may be repeated)")
_YES = ("--yes", "", "no questions before power; that is on record")
_RUN = ("run", "RUN", "a run's id, the beginning of one, or `last`")
_SEED = ("--seed", "N", "the seed of noise and of instrument errors (default 0)")
_IDEAL = ("--ideal", "", "instruments without noise, errors and resolution")
_OVER = ("--over", "RUN", "another run, whose curves are drawn too (may be repeated)")
_FAULTS = "; ".join(f"{form(name)}, {kind.what}" for name, kind in KINDS.items())
# As `drivers.simulated.served.misbehaviour` has them, which takes its time to load.
_WAYS = (
    "silence, delay, late, garbage, half, babble, close, deaf, power-cycle, stuck-output or "
    "false-read-back"
)

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
        ("recipes", "RECIPE", "recipes: their paths, or the names of shipped ones", "+"),
        _BENCH_OPTION,
        _SET,
        ("--picture", "FILE", "the operating area of each part, as .svg or .png"),
        _LINES,
        _JSON,
        loads_on=True,
    ),
    Command(
        "explain",
        "sequencer.commands.explain:explain",
        "what a problem means, why it matters, what to write",
        "Every problem has a name, which stands in brackets behind its message. With that name: "
        "its page, with a wrong example and a right one. Without: all of them, group by group.",
        ("slug", "SLUG", "the name of a problem, such as limit-can-reverse", "?"),
        _JSON,
    ),
    Command(
        "format",
        "sequencer.commands.format:format_recipes",
        "recipes in the one canonical form",
        "Lays recipes out: spaces, indentation, units, the order of clauses. Meaning, order and "
        "comments stay. Each file is replaced as a whole; one with errors is left as it is. With "
        "--check nothing is written, and the exit code is 1 where something would change.",
        ("recipes", "RECIPE", "the files, or - for standard input to standard output", "+"),
        ("--check", "", "only say what would change"),
        _LINES,
        _JSON,
    ),
    Command(
        "dry-run",
        "sequencer.commands.runs:dry_run",
        "the run in virtual time, on a simulated bench",
        "Runs a recipe on the simulated parts of its bench file, hours in seconds, under the same "
        "guards and with the same results. Nothing real is touched. The bench is the one beside "
        "the recipe, unless --bench names another. What the recipe asks you is answered with the "
        "middle of its span, yes to go on and no to do it again, unless --answer says otherwise.",
        _RECIPE,
        _BENCH_OPTION,
        _SET,
        _ANSWER,
        (
            "--fault",
            "[CHANNEL:]KIND[@TIME]",
            f"rehearse a fault, as in smu:lead-off@90s (may be repeated): {_FAULTS}",
        ),
        _SEED,
        _IDEAL,
        _RECORD,
        _LINES,
        _JSON,
        ("--quiet", "", "only how it ended, in one line"),
        ("--spread", "N", "N runs, drawn within the bench's tolerances; none goes on record"),
        ("--workers", "N", "processes for the spread (default: the computer's processors)"),
        ("--cluster", "ADDRESS", "a Dask cluster for the spread, as in tcp://127.0.0.1:8786"),
        loads_on=True,
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
        _YES,
        _RECORD,
        _LINES,
        _JSON,
        ("--no-view", "", "no live view, only what the recipe says"),
        loads_on=True,
    ),
    Command(
        "manual",
        "sequencer.commands.manual:manual",
        "by hand: the steps of a recipe, typed one a line",
        "Takes the steps of a recipe one a line, each checked, run, guarded and recorded as in a "
        "run; between two lines the guards keep watching. What hangs on the bench is declared "
        "first, as in a recipe, or taken from one with --from. What was done is written as a "
        "recipe that can be checked and run. Ctrl-C switches off and asks.",
        (*_BENCH_OPTION, "required"),
        ("--from", "RECIPE", "take channels, parts, settings and guards from a recipe"),
        ("--dry-run", "", "on the simulated bench, in virtual time"),
        _SEED,
        _IDEAL,
        ("--log", "FILE", "where the recipe of it goes (default: by-hand-DATE-TIME.recipe)"),
        _YES,
        _RECORD,
        _JSON,
    ),
    Command(
        "measure",
        "sequencer.commands.measure:measure",
        "one reading of a channel, as it is set now",
        "Takes one reading of a channel and says how far it may be off, by the instrument's "
        "specification. Nothing is set, and the output stays as it is.",
        ("channel", "CHANNEL", "the channel's name in the bench file"),
        (*_BENCH_OPTION, "required"),
        _JSON,
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
        "the readings of a run for a spreadsheet and other programs",
        "Writes a run, or one of its traces, to a file in this folder: as csv a table that a "
        "spreadsheet opens, as parquet the same for data frames, as json the whole run.",
        _RUN,
        ("--to", "FORMAT", "csv, parquet or json", "required"),
        ("--trace", "NAME", "one trace, in place of all readings"),
        ("--out", "FILE", "the file, replaced if it is there (default: RUN.csv, never replaced)"),
        _RECORD,
    ),
    Command(
        "plot",
        "sequencer.commands.pictures:plot",
        "plots of a run, here in the terminal or as a picture",
        "Draws the plots that the recipe asks for; where it asks for none, every channel over "
        "time. They are named plot-1, plot-2, …, and over time as in smu-voltage.",
        _RUN,
        ("plots", "PLOT", "plots by their names (default: those that the recipe asks for)", "*"),
        _OVER,
        ("--out", "FILE", "a picture, .svg or .png, in place of the terminal; replaced if there"),
        _RECORD,
    ),
    Command(
        "report",
        "sequencer.commands.pictures:report",
        "a run as one page to keep, to send and to print",
        "Writes one HTML file that needs no network: results and verdicts, plots that zoom, the "
        "operating area, limits, what happened, and all that it takes to repeat the run. What was "
        "measured on a bench is drawn over the last dry run of the same recipe.",
        _RUN,
        _OVER,
        ("--out", "FILE", "the file, replaced if it is there (default: RUN.html, never replaced)"),
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
        ("--misbehave", "WAY[@N]", f"misbehave, after N messages: {_WAYS}"),
    ),
)


def _seed(text: str) -> int:
    # No larger than what the record can keep of it.
    if not text.isascii() or not text.isdecimal() or len(text) > 18:
        raise argparse.ArgumentTypeError(f"{text} is no whole number of 1 to 18 digits")
    return int(text)


def _count(text: str) -> int:
    if not text.isascii() or not text.isdecimal() or len(text) > 7 or int(text) < 1:
        raise argparse.ArgumentTypeError(f"{text} is no whole number from 1 to 9999999")
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
    from sequencer.record.export import FORMATS

    if text not in FORMATS:
        raise argparse.ArgumentTypeError(
            f"there is no export to {text}, only to {', '.join(FORMATS)}"
        )
    return text


_TYPES: dict[str, Callable[[str], object]] = {
    "--seed": _seed,
    "--speed": _positive,
    "--spread": _count,
    "--workers": _count,
}
_FORMATS: dict[tuple[str, str], Callable[[str], object]] = {("export", "--to"): _format}
_SHORT = {"--out": "-o"}
_REPEATED = ("--set", "--answer", "--fault", "--over")
_DEFAULTS: dict[str, object] = {
    "--seed": 0,
    "--speed": 1.0,
    "--set": [],
    "--answer": [],
    "--fault": [],
    "--over": [],
}


class _Formatter(argparse.HelpFormatter):
    """Breaks no line within a name, such as that of a fault, which is to be copied."""

    def _split_lines(self, text: str, width: int) -> list[str]:
        from textwrap import wrap

        return wrap(" ".join(text.split()), width, break_on_hyphens=False)


class _Parser(argparse.ArgumentParser):
    def error(self, message: str) -> NoReturn:
        raise Mistake(
            message.removeprefix("argument "), f"`{self.prog} --help` tells what it takes"
        )


def parser_of(command: Command) -> argparse.ArgumentParser:
    """The parser of a command's arguments."""
    parser = _Parser(
        prog=f"fusewire {command.name}",
        description=command.about,
        formatter_class=_Formatter,
        allow_abbrev=False,
    )
    for name, value, text, *more in command.arguments:
        if not name.startswith("-"):
            parser.add_argument(name, metavar=value, help=text, nargs=more[0] if more else None)
        elif not value:
            parser.add_argument(name, action="store_true", help=text)
        else:
            parser.add_argument(
                *filter(None, (_SHORT.get(name), name)),
                dest="recipe" if name == "--from" else None,
                metavar=value,
                help=text,
                required="required" in more,
                action="append" if name in _REPEATED else "store",
                type=_FORMATS.get((command.name, name)) or _TYPES.get(name, str),
                default=_DEFAULTS.get(name),
            )
    return parser
