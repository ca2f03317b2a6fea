"""`plot` and `report`: a run on record as pictures and as a page."""

from __future__ import annotations

from argparse import Namespace
from pathlib import Path
from typing import TYPE_CHECKING

from sequencer.commands.shared import Exit, Mistake, find_run, open_to_look, out_path, talk

if TYPE_CHECKING:
    from sequencer.record import Run, Store
    from sequencer.report.pictures.plot import Plot


def plot(arguments: Namespace) -> int:
    """Draw plots of a run, in the terminal or to a file."""
    from sequencer.report.pictures import collect

    terminal = talk(arguments)
    with open_to_look(arguments, terminal) as store:
        run = find_run(store, arguments.run)
        over = [find_run(store, name) for name in arguments.over]
        wanted: list[str] = arguments.plots
        asked = collect.asked_for(run, over)
        plots = [*asked, *collect.over_time(run)] if wanted or not asked else asked
        chosen = [_named(plots, name) for name in wanted] if wanted else plots
        if arguments.out is None:
            from sequencer.report.pictures.terminal import as_text

            for k, shown in enumerate(chosen):
                terminal.say(
                    ("\n" if k else "") + as_text(shown, terminal.width, terminal.coloured)
                )
        else:
            from sequencer.report.pictures.drawing import draw

            path = Path(arguments.out)
            write_file(path, draw(chosen, picture_form(path)))
            terminal.say(f"wrote {path}")
    return Exit.MET


def _named(plots: list[Plot], name: str) -> Plot:
    for found in plots:
        if found.name == name:
            return found
    names = ", ".join(found.name for found in plots)
    raise Mistake(f"the run has no plot “{name}”", f"it has {names or 'none'}")


def report(arguments: Namespace) -> int:
    """Write the page of a run."""
    from sequencer.report.page.page import page

    terminal = talk(arguments)
    with open_to_look(arguments, terminal) as store:
        run = find_run(store, arguments.run)
        path = out_path(arguments.out, f"{run.meta.id}.html")
        over = [find_run(store, name) for name in arguments.over] or _rehearsal(store, run)
        write_file(path, page(run, over).encode())
        terminal.say(f"wrote {path}")
    return Exit.MET


def _rehearsal(store: Store, run: Run) -> list[Run]:
    """The last dry run of the same recipe, for what was measured to be drawn over it."""
    meta = run.meta
    if meta.mode == "dry run":
        return []
    for row in reversed(store.runs()):
        if row.mode == "dry run" and row.recipe_name == meta.recipe_name:
            found = store.run(row.id)
            if found.meta.recipe_sha256 == meta.recipe_sha256:
                return [found]
    return []


def picture_form(path: Path) -> str:
    """The form that a picture's name asks for. Raises Mistake where there is no such form."""
    from sequencer.report.pictures.drawing import FORMATS

    form = path.suffix.removeprefix(".").lower()
    if form not in FORMATS:
        endings = " or ".join(f".{known}" for known in FORMATS)
        raise Mistake(f"{path}: no picture is written as “{path.suffix}”", f"end it in {endings}")
    return form


def write_file(path: Path, content: bytes) -> None:
    """Write a file, whole or not at all. Raises Mistake where it can't be."""
    part = path.with_name(path.name + ".part")
    try:
        part.write_bytes(content)
        part.replace(path)
    except OSError as error:
        part.unlink(missing_ok=True)
        raise Mistake(f"{path} can't be written: {error.strerror}", "name another file") from None
