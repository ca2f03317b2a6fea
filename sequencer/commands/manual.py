"""`manual`: by hand, the recipe's own steps typed one a line; what was done is a recipe again."""

from __future__ import annotations

import sys
from argparse import Namespace
from collections.abc import Callable
from contextlib import suppress
from datetime import datetime
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from sequencer.commands.files import replace_text
from sequencer.commands.runs import note, say_who_answers, show_end
from sequencer.commands.shared import Exit, Mistake, store_path, talk, tell_of_the_past
from sequencer.commands.signals import signals
from sequencer.report.keyboard import Asking, Keyboard
from sequencer.report.problems import show_problems
from sequencer.report.terminal import Terminal

if TYPE_CHECKING:
    from drivers.bench import BenchFile
    from grammar.diagnostic import Problems
    from sequencer.api import Finished
    from sequencer.manual.draft import Draft

FIRST_CTRL_C = "Outputs go off. Ctrl-C once more ends it."


class Console:
    """The terminal as somebody works at it by hand, and the lines that are typed there."""

    def __init__(self, terminal: Terminal, keyboard: Keyboard, shown: bool) -> None:
        self._terminal, self._keyboard = terminal, keyboard
        self._prompts = shown

    def prompt(self, text: str) -> None:
        """Show that a line is waited for, where somebody sits."""
        if self._prompts and not self._terminal.gone:
            self._terminal.stream.write(text)
            self._terminal.stream.flush()

    def line(self, wait_s: float) -> str | None:
        """The next line, None where none comes within the wait. Raises EOFError at the end."""
        return self._keyboard.line(wait_s)

    def say(self, words: str) -> None:
        """Show words."""
        self._terminal.say(self._terminal.paragraph(words, "    ", ""))

    def problems(self, found: Problems) -> None:
        """Show problems, each as the check draws it, and that a wrong line costs nothing."""
        show_problems(self._terminal, [found], summed_up=False)
        if found.has_errors:
            self.say("Nothing was done.")


def manual(arguments: Namespace) -> int:
    """Declare, then work by hand; the end is that of a run."""
    from sequencer import api
    from sequencer.manual.declaring import declare
    from sequencer.manual.draft import Draft
    from sequencer.record import Store

    terminal = talk(arguments)
    file = api.load_bench(arguments.bench)
    begun = datetime.now().astimezone()
    log = _log_path(arguments, begun)
    draft = Draft(file, log.name, _head(arguments, file, begun))
    keyboard = Keyboard(sys.stdin.fileno())
    console = Console(terminal, keyboard, terminal.live)
    found = draft.declare([draft.head[0]])
    if found.has_errors:
        raise api.Refused([found])
    store = store_path(arguments)
    if store.is_file():
        with Store.open(store) as opened:
            tell_of_the_past(terminal, opened)
    _greet(terminal, console, draft)
    first = declare(console, draft)
    if first is None:
        terminal.say("Nothing was done, and nothing is on record.")
        return Exit.MET
    finished = _work(arguments, terminal, console, keyboard, draft, first, log)
    with suppress(OSError):  # it was told before
        replace_text(log, draft.tidied())
    show_end(arguments, terminal, finished, file)
    if not arguments.json:
        terminal.say(f"What was done is a recipe: {log}")
    return finished.exit_code


def _log_path(arguments: Namespace, begun: datetime) -> Path:
    path = Path(arguments.log or f"by-hand-{begun:%Y-%m-%d-%H%M%S}.recipe")
    if path.exists():
        raise Mistake(
            f"{path} is there already, and nothing is overwritten", "name another file with --log"
        )
    return path


def _head(arguments: Namespace, file: BenchFile, begun: datetime) -> list[str]:
    """The declarations to begin with: a recipe's, or the channels of the bench."""
    from sequencer import api
    from sequencer.commands.recipes import load
    from sequencer.manual.draft import head_from, head_of

    when = f"{begun:%Y-%m-%d %H:%M}"
    if arguments.recipe is None:
        return head_of(file, f"By hand, {file.title or file.path.stem}, {when}")
    loaded = load(arguments.recipe)
    problems = api.check(loaded, file).problems
    if problems.has_errors:
        raise api.Refused([problems])
    return head_from(loaded.recipe, f"By hand, {when}: {loaded.recipe.title}")


def _greet(terminal: Terminal, console: Console, draft: Draft) -> None:
    """What there is on the bench, what is to be declared first, and how to go on."""
    from sequencer.manual.declaring import HELP, kinds, parts_wanted

    checked = draft.checked
    assert checked is not None
    terminal.say(terminal.heading(checked.recipe.title))
    rows = []
    for name, facts in checked.channels.items():
        part = checked.part_on(name)
        wired = f"{part.name}, {part.kind}" if part is not None else "no part declared"
        rows.append([name, wired, ", ".join(sorted(facts.capabilities))])
    terminal.say(terminal.table(rows))
    wanted = parts_wanted(draft)
    if wanted:
        name, part_name = wanted[0]
        console.say("Before power, what hangs on a channel is declared with what it bears:")
        terminal.say(f"    part {part_name} is KIND on {name}:")
        terminal.say("        voltage -0.05 V to 2.8 V")
        terminal.say("        current within 1 A")
        console.say(f"and an empty line. KIND is one of {kinds()}.")
    for words in HELP:
        console.say(words)


def _work(
    arguments: Namespace,
    terminal: Terminal,
    console: Console,
    keyboard: Keyboard,
    draft: Draft,
    first: list[str],
    log: Path,
) -> Finished:
    """Open the bench and run what is typed, on record."""
    from sequencer import api
    from sequencer.arming import stake_of, unattended
    from sequencer.engine.run import Person
    from sequencer.manual.hand import ByHand

    person = Person()
    live = not arguments.dry_run
    given: dict[str, Any] = {
        "store": store_path(arguments),
        "tell": partial(note, terminal),
        "person": person,
        "runner_of": partial(
            ByHand,
            draft=draft,
            console=console,
            first=first,
            save=_saving(terminal, log),
            stake_of=partial(stake_of, bench=draft.bench) if live and not arguments.yes else None,
        ),
    }
    if not live:
        given |= {"seed": arguments.seed, "ideal": arguments.ideal}
        with signals(person, terminal.say, FIRST_CTRL_C):
            return api.dry_run(draft.loaded(), draft.bench, **given)
    if arguments.yes:
        refusal = unattended(api.check(draft.loaded(), draft.bench))
        if refusal:
            raise Mistake(f"--yes is refused: {refusal}", "work without --yes, and stay with it")
        given["confirmed"] = ["armed with --yes: no question was asked"]
    say_who_answers(terminal, draft.bench, list(draft.bench.channels))
    asker = Asking(keyboard, console.say, typed_ahead=not sys.stdin.isatty())
    with signals(person, terminal.say, FIRST_CTRL_C):
        return api.run(draft.loaded(), draft.bench, asker=asker, **given)


def _saving(terminal: Terminal, log: Path) -> Callable[[str], None]:
    """What writes the recipe so far; that it can't be written is said once, and ends nothing."""
    told = False

    def save(text: str) -> None:
        nonlocal told
        try:
            replace_text(log, text)
        except OSError as error:
            if not told:
                terminal.say(f"{log} can't be written: {error.strerror}. The record has it all.")
            told = True

    return save
