"""`format`: recipes in the one canonical form, each file replaced as a whole or left alone."""

from __future__ import annotations

import sys
from argparse import Namespace
from pathlib import Path
from typing import NamedTuple

from grammar.diagnostic import Problems
from sequencer.commands.files import replace_text
from sequencer.commands.shared import Exit, Mistake, put_data, talk
from sequencer.report.problems import as_data, show_problems
from sequencer.report.terminal import Terminal

STANDARD = "-"


class _Laid(NamedTuple):
    """One text that was laid out: where from, whether anything changes, what is wrong with it."""

    name: str
    text: str
    changed: bool
    problems: Problems

    @property
    def wrong(self) -> bool:
        return self.problems.has_errors


def format_recipes(arguments: Namespace) -> int:
    """Lay out each recipe; one with errors is left as it is, and the others are laid out."""
    given: list[str] = list(dict.fromkeys(arguments.recipes))
    if STANDARD in given and len(given) > 1:
        raise Mistake("- stands for standard input, and files are named beside it", "name one")
    # Nothing is written where a file can't even be read: a slip of the shell changes no other.
    texts = [(name, _read(name)) for name in given]
    laid = [_laid(name, text) for name, text in texts]
    # A recipe that comes from standard input goes to standard output, and talk beside it.
    terminal = Terminal(sys.stderr) if given == [STANDARD] else talk(arguments)
    written = False
    for one in laid:
        if one.name == STANDARD:
            if not arguments.check and not arguments.json:
                sys.stdout.write(one.text)
        elif one.changed and not arguments.check:
            _replace(Path(one.name), one.text)
            written = True
    if arguments.json:
        put_data([_as_data(one) for one in laid])
    else:
        _tell(terminal, laid, arguments, written)
    if any(one.wrong for one in laid):
        return Exit.BAD_INPUT
    return Exit.UNMET if arguments.check and any(one.changed for one in laid) else Exit.MET


def _laid(name: str, text: str) -> _Laid:
    from grammar.layout import format_text

    shown = "standard input" if name == STANDARD else name
    formatted, problems = format_text(text, shown)
    if problems.has_errors:
        formatted = text
    elif "\r\n" in text and "\n" not in text.replace("\r\n", ""):
        # A text with the line ends of another system keeps them.
        formatted = formatted.replace("\r\n", "\n").replace("\n", "\r\n")
    return _Laid(name, formatted, formatted != text, problems)


def _tell(terminal: Terminal, laid: list[_Laid], arguments: Namespace, written: bool) -> None:
    problems = [one.problems for one in laid if one.wrong]
    show_problems(terminal, problems, one_a_line=arguments.lines)
    if problems and not arguments.lines:
        left = [one.name for one in laid if one.wrong and one.name != STANDARD]
        if left:
            terminal.say(f"Left as written: {', '.join(left)}.")
    for one in laid:
        if one.changed and one.name != STANDARD:
            terminal.say(f"{'laid out' if written else 'would change'} {one.name}")
        elif one.changed and arguments.check:
            terminal.say("standard input would change")


def _as_data(one: _Laid) -> dict[str, object]:
    return {
        "file": one.name,
        "changed": one.changed,
        "problems": [as_data(problem) for problem in one.problems],
        **({"text": one.text} if one.name == STANDARD else {}),
    }


def _read(name: str) -> str:
    """A text as it stands there, line ends and all. Raises Mistake."""
    try:
        if name == STANDARD:
            # Bytes, where there are any beneath: another system's line ends stay what they are.
            stream = getattr(sys.stdin, "buffer", None)
            return stream.read().decode("utf-8") if stream is not None else sys.stdin.read()
        return Path(name).read_bytes().decode("utf-8")
    except UnicodeDecodeError as error:
        raise Mistake(
            f"{name} is no UTF-8 text: byte {error.start} can't be read",
            "save it as UTF-8 in your editor",
        ) from None
    except IsADirectoryError:
        raise Mistake(
            f"{name} is a folder, and a recipe is wanted here", "name a file in it, or another"
        ) from None
    except OSError as error:
        raise Mistake(
            f"{name} can't be read: {error.strerror}", "name a file that is there and readable"
        ) from None


def _replace(path: Path, text: str) -> None:
    try:
        replace_text(path, text)
    except OSError as error:
        raise Mistake(
            f"{path} can't be written: {error.strerror}; it is as it was",
            "make the file and its folder writable",
        ) from None
