"""`runs`, `show` and `export`: what is on record."""

from __future__ import annotations

from argparse import Namespace

from sequencer.commands.shared import (
    Exit,
    Mistake,
    find_run,
    open_to_look,
    out_path,
    put_data,
    talk,
)
from sequencer.report import record as shown


def runs(arguments: Namespace) -> int:
    """List the runs of a store, the newest last."""
    terminal = talk(arguments)
    with open_to_look(arguments, terminal) as store:
        rows = store.runs()
        if arguments.json:
            put_data([row._asdict() for row in rows])
        elif not rows:
            terminal.say(f"No run is on record yet in {store.path}.")
        else:
            met = [row.id for row in rows if row.exit_code == Exit.MET]
            unjudged = {name for name in met if shown.not_judged(store.run(name).results())}
            shown.show_runs(terminal, rows, unjudged)
    return Exit.MET


def show(arguments: Namespace) -> int:
    """Show one run."""
    terminal = talk(arguments)
    with open_to_look(arguments, terminal) as store:
        run = find_run(store, arguments.run)
        if arguments.json:
            events = [row._asdict() for row in run.events()]
            notes = [row._asdict() for row in run.notes()]
            steps = [row._asdict() for row in run.steps()]
            put_data(
                shown.as_data(run, store=str(store.path), events=events, notes=notes, steps=steps)
            )
        else:
            shown.show_run(terminal, run, str(store.path))
    return Exit.MET


def export(arguments: Namespace) -> int:
    """Write a run, or one of its traces, to a file."""
    from sequencer.record import export_run

    terminal = talk(arguments)
    with open_to_look(arguments, terminal) as store:
        run = find_run(store, arguments.run)
        trace = arguments.trace
        if arguments.out == "-":
            raise Mistake("--out -: an export goes to a file", "name one, as in --out run.csv")
        named = f"{run.meta.id}{'-' + trace if trace else ''}.{arguments.to}"
        path = out_path(arguments.out, named)
        export_run(run, path, arguments.to, trace)
        terminal.say(f"wrote {path}")
    return Exit.MET
