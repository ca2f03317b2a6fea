"""`dry-run --spread N`: the options of a spread, its runs, and what they came to."""

from __future__ import annotations

from argparse import Namespace
from collections.abc import Mapping
from typing import TYPE_CHECKING

from sequencer.commands.shared import Mistake, answers_of, put_data

if TYPE_CHECKING:
    from drivers.bench import BenchFile
    from grammar.quantity import Quantity
    from sequencer.api import Loaded
    from sequencer.report.terminal import Terminal


def refuse_without_spread(arguments: Namespace) -> None:
    """What says how a spread is run says nothing of one run. Raises Mistake."""
    for option in ("workers", "cluster"):
        if getattr(arguments, option) is not None:
            raise Mistake(
                f"--{option} is for a spread, and one run needs none",
                "add --spread N, as in --spread 200, or leave it out",
            )


def show_runs_of_spread(
    arguments: Namespace,
    terminal: Terminal,
    loaded: Loaded,
    file: BenchFile,
    settings: Mapping[str, Quantity],
) -> int:
    """Run the spread and show it; returns the exit code of its worst run. Raises Mistake."""
    from sequencer import api
    from sequencer.report.spread import as_data, show_spread

    if arguments.fault:
        raise Mistake(
            "--fault is rehearsed in one run, and a spread varies benches that are whole",
            "leave out --fault, or --spread",
        )
    if arguments.record:
        raise Mistake(
            "--record names a store, and the runs of a spread go into none",
            "leave it out; --json gives every run's values",
        )
    if arguments.cluster and arguments.workers is not None:
        raise Mistake("--workers and --cluster say both who is to work", "keep one of them")
    if not file.tolerances and not arguments.quiet:
        terminal.say(
            terminal.paragraph(
                "No parameter of the bench has a tolerance: only the instruments' errors differ. "
                'Write one as in capacitance = "10 F ± 20 %".',
                "  ",
                "",
            )
        )
    summary = api.spread(
        loaded,
        file,
        settings,
        runs=arguments.spread,
        seed=arguments.seed,
        ideal=arguments.ideal,
        answers=answers_of(arguments.answer),
        workers=arguments.workers,
        cluster=arguments.cluster,
        told=lambda count: _show_progress(terminal, count, arguments.spread),
    )
    if arguments.json:
        put_data(as_data(summary))
    elif not arguments.quiet:
        terminal.say()
        show_spread(terminal, summary)
    else:
        ends = ", ".join(f"{n} {outcome}" for outcome, n in sorted(summary.outcomes.items()))
        terminal.say(ends)
    return summary.exit_code


def _show_progress(terminal: Terminal, done: int, runs: int) -> None:
    """How many of the runs are done, on a line that is drawn over; gone at the end."""
    if terminal.live:
        words = "" if done > runs else f"{done} of {runs} runs"
        terminal.stream.write(f"\r{words:<40}" + ("" if words else "\r"))
        terminal.stream.flush()
