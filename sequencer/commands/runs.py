"""`dry-run` and `run`: from the check over the questions before power to the end screen."""

from __future__ import annotations

import sys
from argparse import Namespace
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from hashlib import sha256
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

from sequencer import garbage, shipped
from sequencer.commands.recipes import load, show_check, show_forecast
from sequencer.commands.shared import (
    Exit,
    Mistake,
    answers_of,
    put_data,
    settings_of,
    store_path,
    talk,
    tell_of_the_past,
)
from sequencer.commands.signals import signals
from sequencer.commands.spread import refuse_without_spread, show_runs_of_spread
from sequencer.report import record as shown
from sequencer.report.keyboard import Asking, Keyboard
from sequencer.report.problems import show_problems
from sequencer.report.terminal import Terminal

if TYPE_CHECKING:
    from drivers.bench import BenchFile
    from sequencer.api import Finished, Loaded
    from sequencer.arming import Stake
    from sequencer.checker import Checked


def dry_run(arguments: Namespace) -> int:
    """Run in virtual time on the simulated bench and show the end."""
    from sequencer import api
    from sequencer.record import Store
    from sequencer.report.waiting import waiting

    terminal = talk(arguments)
    loaded = load(arguments.recipe)
    bench = arguments.bench
    if bench is None:
        if loaded.path is None:
            raise Mistake("a dry run needs a bench file", "name one with --bench")
        bench = shipped.bench_beside(loaded.path)
    file = api.load_bench(bench)
    settings = settings_of(arguments.set)
    problems = api.check(loaded, file, settings).problems
    if problems.has_errors:
        raise api.Refused([problems])
    if not arguments.quiet:
        show_problems(terminal, [problems], one_a_line=arguments.lines)
    if arguments.spread is not None:
        return show_runs_of_spread(arguments, terminal, loaded, file, settings)
    refuse_without_spread(arguments)
    store = store_path(arguments)
    if store.is_file():
        with Store.open(store) as opened:
            tell_of_the_past(terminal, opened)
    quiet = arguments.quiet
    garbage.loaded()
    with waiting(terminal, store, wanted=not quiet) as told:
        finished = api.dry_run(
            loaded,
            file,
            settings,
            seed=arguments.seed,
            ideal=arguments.ideal,
            store=store,
            tell=(lambda words: None) if quiet else told.say,
            begun=told.begun,
            answers=answers_of(arguments.answer),
            faults=arguments.fault,
        )
    if not quiet or arguments.json:
        show_end(arguments, terminal, finished, file)
    else:
        _show_in_a_line(terminal, finished)
    return finished.exit_code


def run(arguments: Namespace) -> int:
    """Check, arm, run on the bench, show the end."""
    from sequencer import api
    from sequencer.arming import NotArmed, stake_of
    from sequencer.engine.run import Person
    from sequencer.record import Store

    terminal = talk(arguments)
    loaded = load(arguments.recipe)
    file = api.load_bench(arguments.bench)
    settings = settings_of(arguments.set)
    checked = api.check(loaded, file, settings)
    if checked.problems.has_errors:
        raise api.Refused([checked.problems])
    show_check(terminal, checked, one_a_line=arguments.lines)
    if not arguments.lines:
        show_forecast(terminal, loaded, checked, file)
    say_who_answers(terminal, file, list(checked.channels))
    store = store_path(arguments)
    with Store.open(store) as opened:
        tell_of_the_past(terminal, opened)
        _warn_if_not_rehearsed(terminal, opened, loaded, checked)
    try:
        confirmed = _arm(arguments, terminal, stake_of(checked, file), checked)
    except NotArmed:
        terminal.say()
        terminal.say("Not armed: nothing was switched on.")
        return Exit.STOPPED
    garbage.loaded()
    person = Person()
    with _view(arguments, terminal, store) as view, signals(person, view.say):
        asker = None
        if sys.stdin.isatty():
            asker = Asking(Keyboard(sys.stdin.fileno()), view.ask, view.asked)
        finished = api.run(
            loaded,
            file,
            settings,
            store=store,
            tell=view.note,
            person=person,
            begun=view.follow,
            confirmed=confirmed,
            asker=asker,
        )
    show_end(arguments, terminal, finished, file)
    return finished.exit_code


def say_who_answers(terminal: Terminal, file: BenchFile, channels: list[str]) -> None:
    """Ask before the person is asked: nobody is to arm an instrument that isn't there.

    Raises BenchError. The links are closed again; nothing is set.
    """
    from drivers.bench import open_bench

    opened = open_bench(file, channels)
    try:
        terminal.say()
        for name, channel in opened.channels.items():
            identity = " ".join(field for field in channel.identify() if field)
            terminal.say(f"{name} is {identity} at {file.channels[name].resource}")
    finally:
        opened.close()


def _warn_if_not_rehearsed(
    terminal: Terminal, store: Any, loaded: Loaded, checked: Checked
) -> None:
    """Say so where this very recipe, with these settings, has no dry run that ended well."""
    from sequencer.api import settings_in_force

    digest = sha256(loaded.text.encode()).hexdigest()
    settings = settings_in_force(checked)
    for row in reversed(store.runs()):
        if row.mode != "dry run":
            continue
        run = store.run(row.id)
        if run.meta.recipe_sha256 == digest and run.meta.settings == settings:
            results = run.results()
            if row.exit_code != Exit.MET or shown.not_judged(results):
                said = f"Its last dry run, {row.id}: {shown.headline(run.meta, results).lower()}."
                terminal.say(terminal.paint(terminal.paragraph(said, "  ", ""), "yellow"))
            return
    said = "Warning: this very recipe, with these settings, has not been dry-run."
    terminal.say(terminal.paint(said, "yellow"))


def _arm(arguments: Namespace, terminal: Terminal, stake: Stake, checked: Checked) -> list[str]:
    """The questions before power; what was acknowledged. Raises Mistake or NotArmed."""
    from sequencer import arming

    terminal.say()
    if arguments.yes:
        refusal = arming.unattended(checked)
        if refusal:
            raise Mistake(f"--yes is refused: {refusal}", "run it without --yes, and stay with it")
        for caution in stake.cautions:
            terminal.say(terminal.paragraph(f"Caution, {caution.part}: {caution.text}", "  ", ""))
        terminal.say("--yes: no question is asked.")
        return ["armed with --yes: no question was asked"]
    if not sys.stdin.isatty():
        raise Mistake(
            "before power there are questions, and standard input is no terminal",
            "run it in a terminal; --yes skips the questions, and that is on record",
        )
    from drivers.clock import MonotonicClock

    clock = MonotonicClock()

    def tick() -> None:
        terminal.bell()
        clock.wait_until(clock.now() + 1.0)

    def ask(question: str) -> str:
        # The question goes where the talk goes, which `input` would not do beside `--json`.
        terminal.stream.write(question)
        terminal.stream.flush()
        answer = sys.stdin.readline()
        if not answer:
            raise EOFError
        return answer

    def say(words: str) -> None:
        terminal.say(terminal.paragraph(words, "  ", ""))

    return arming.arm(stake, arming.Asking(say, ask, tick))


class _View(NamedTuple):
    """What shows a run that goes on.

    `say` shows words, `note` those that are on record, too; `follow` takes the run's id, `ask`
    shows a question, `asked` is told that none is open any more.
    """

    say: Callable[[str], None]
    note: Callable[[str], None]
    follow: Callable[[str], None] = lambda run_id: None
    ask: Callable[[str], None] = lambda words: None
    asked: Callable[[], None] = lambda: None


@contextmanager
def _view(arguments: Namespace, terminal: Terminal, store: Path) -> Iterator[_View]:
    if arguments.no_view:
        yield _View(terminal.say, lambda words: note(terminal, words), ask=terminal.say)
        return
    from sequencer.report.live import LiveView

    view = LiveView(store, terminal)
    try:
        yield _View(view.say, view.note, view.follow, view.ask, view.asked)
    finally:
        view.close()


def note(terminal: Terminal, words: str) -> None:
    """Show what a run says; a second that is counted down is heard, too."""
    from sequencer.report.words import counts_down

    terminal.say(words)
    if counts_down(words):
        terminal.bell()


def show_end(arguments: Namespace, terminal: Terminal, finished: Finished, file: BenchFile) -> None:
    """The end screen, or the end as data."""
    from sequencer.record import open_record

    with open_record(finished.store) as store:
        run = store.run(finished.id)
        unknown, left = finished.ending.unknown, finished.left
        if not left.keys() >= set(shown.channels_of(run)):
            # What the recipe itself switched off was not looked at once more.
            left = shown.last_voltages(run) | left
        if arguments.json:
            shown.show_unknown(terminal, unknown)
            put_data(
                shown.as_data(run, store=str(finished.store), left=left, unknown=list(unknown))
            )
            return
        dry = run.meta.mode == "dry run"
        terminal.say()
        shown.show_ending(terminal, run, left=left, unknown=unknown)
        terminal.say()
        if dry:
            terminal.say(terminal.paragraph(_stands_for(file, shown.channels_of(run)), "  ", ""))
        terminal.say(f"On record as {finished.id} in {finished.store}")
        terminal.say(
            "`fusewire show last` shows it, `fusewire export last --to csv` writes it out."
        )


def _show_in_a_line(terminal: Terminal, finished: Finished) -> None:
    """How it ended in one line: its reason to the end of the first sentence, and its id."""
    from sequencer.record import open_record

    with open_record(finished.store) as store:
        run = store.run(finished.id)
        said = shown.headline(run.meta, run.results())
        reason = shown.reason_of(run).partition(". ")[0].rstrip(".")
    said = said[:1].lower() + said[1:] + (f": {reason}" if reason else "")
    if finished.ending.unknown:
        said += f"; the state of the output is unknown: {', '.join(finished.ending.unknown)}"
    terminal.say(f"{said} ({finished.id})")


def _stands_for(file: BenchFile, channels: list[str]) -> str:
    """That it was a dry run, and which real thing each simulated channel stands for."""
    said = []
    for name in channels:
        resource, title = file.channels[name].resource, file.specifications[name].title
        said.append(f"{name} stands for {resource or 'no instrument yet'} ({title})")
    return "This was a dry run on a simulated bench: " + "; ".join(said) + "."
