"""The command line: what is asked for, the help, and errors in words with their exit codes.

Thin: what a command takes and does stands in `sequencer.commands`, the function that does it is
loaded only when it is called.
"""

from __future__ import annotations

import io
import os
import sys
from collections.abc import Sequence
from contextlib import suppress
from typing import TextIO

from sequencer import garbage
from sequencer.commands.catalogue import COMMANDS, parser_of
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
    if argv is None:
        garbage.begin()
        # No plugin of another package has a say in bench files, and looking for them takes time.
        os.environ.setdefault("PYDANTIC_DISABLE_PLUGINS", "__all__")
    code = _called(given)
    lost = _finish(sys.stdout) or Terminal.lost
    if lost:
        Terminal.lost = ""
        _explain(Terminal(sys.stderr), f"the output can't be written in full: {lost}")
        code = code or Exit.FAILED
    _finish(sys.stderr)
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
        code, data = _told(Terminal(sys.stderr), error, one_a_line="--lines" in given)
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


def _told(
    errors: Terminal, error: Exception, *, one_a_line: bool
) -> tuple[Exit, dict[str, object]]:
    """Tell an error by whose it is; its exit code, and the same as data.

    Errors of the person, the bench and the link have words of their own; anything else is a mistake
    of this program.
    """
    problems = getattr(error, "problems", None)
    if problems is not None:
        from sequencer.report.problems import as_data, show_problems

        show_problems(errors, problems, one_a_line=one_a_line)
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
