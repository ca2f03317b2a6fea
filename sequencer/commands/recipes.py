"""`new` and `check`: a recipe to start from, and all that can be said of one before power."""

from __future__ import annotations

import re
from argparse import Namespace
from pathlib import Path
from typing import TYPE_CHECKING

from sequencer import shipped
from sequencer.commands.shared import Exit, Mistake, put_data, settings_of, talk
from sequencer.report.problems import show_problems, show_worst

if TYPE_CHECKING:
    from drivers.bench import BenchFile
    from sequencer.api import Loaded
    from sequencer.checker import Checked
    from sequencer.report.terminal import Terminal

_TITLE = re.compile(r'^recipe\s+"((?:[^"\\]|\\.)*)"', re.MULTILINE)


def new(arguments: Namespace) -> int:
    """List the shipped recipes, or copy one with its bench where it has one."""
    terminal = talk(arguments)
    if arguments.recipe is None:
        terminal.say(terminal.heading("Shipped recipes"))
        terminal.say(terminal.table([[name, _title(name)] for name in shipped.names()]))
        terminal.say()
        words = "`fusewire new NAME` copies one to start from, with its bench file if it has one."
        terminal.say(terminal.paragraph(words))
        return Exit.MET
    recipe = shipped.find_recipe(arguments.recipe)
    bench = recipe.with_name(recipe.name.removesuffix(shipped.RECIPE_ENDING) + shipped.BENCH_ENDING)
    sources = [recipe, bench] if bench.is_file() else [recipe]
    folder = Path(arguments.to or ".")
    targets = [folder / source.name for source in sources]
    there = [target for target in targets if target.exists()]
    if there:
        raise Mistake(
            f"{there[0]} is there already, and nothing is overwritten",
            "name another folder with --to, or rename that file",
        )
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for source, target in zip(sources, targets, strict=True):
            # "x" refuses a file that came up since the look.
            with target.open("xb") as file:
                file.write(source.read_bytes())
            terminal.say(f"wrote {target}")
    except OSError as error:
        raise Mistake(
            f"nothing can be written to {folder}: {error.strerror}", "name another folder with --to"
        ) from None
    terminal.say()
    terminal.say("What comes next:")
    typed = f"'{targets[0]}'" if " " in str(targets[0]) else targets[0]
    terminal.say(f"  fusewire check {typed}")
    if bench in sources:
        terminal.say(f"  fusewire dry-run {typed}")
    else:
        terminal.say(f"  fusewire check {typed} --bench BENCH   # a bench file of yours")
    return Exit.MET


def _title(name: str) -> str:
    found = _TITLE.search(shipped.find_recipe(name).read_text(encoding="utf-8"))
    return found[1] if found else ""


def check(arguments: Namespace) -> int:
    """Draw all problems and the worst-case table, of one recipe after another."""
    from sequencer import api

    terminal = talk(arguments)
    if arguments.picture is not None and len(arguments.recipes) > 1:
        raise Mistake("--picture goes with one recipe", "check them one by one")
    data, fit = [], True
    for given in arguments.recipes:
        loaded = load(given)
        checked = api.check(loaded, arguments.bench, settings_of(arguments.set))
        this_fits = not checked.problems.has_errors
        fit &= this_fits
        if arguments.json:
            data.append(_as_data(loaded, checked))
        else:
            if len(arguments.recipes) > 1 and not arguments.lines:
                terminal.say(f"\n{given}")
            show_check(terminal, checked, one_a_line=arguments.lines)
            if this_fits and not arguments.lines:
                if arguments.set:
                    show_forecast(terminal, loaded, checked, _bench_of(arguments))
                terminal.say()
                terminal.say(_verdict(arguments, checked))
        if arguments.picture is not None and this_fits:
            _draw_areas(terminal, checked, arguments)
    if arguments.json:
        put_data(data if len(data) > 1 else data[0])
    return Exit.MET if fit else Exit.BAD_INPUT


def _draw_areas(terminal: Terminal, checked: Checked, arguments: Namespace) -> None:
    """The operating area of each part as one picture."""
    from sequencer.api import checks_of, load_bench
    from sequencer.commands.pictures import picture_form, write_file
    from sequencer.report.pictures.area import areas, draw

    path = Path(arguments.picture)
    form = picture_form(path)
    known = load_bench(arguments.bench).specifications if arguments.bench is not None else {}
    envelopes = {channel: (*s.continuous, *s.pulsed) for channel, s in known.items()}
    found = areas(checks_of(checked)[0], envelopes)
    if not found:
        raise Mistake("nothing is sourced in this recipe: there is no area to draw")
    write_file(path, draw(found, form))
    terminal.say(f"wrote {path}")


def show_check(terminal: Terminal, checked: Checked, *, one_a_line: bool = False) -> None:
    """Problems, then the tables where there are any; or the problems alone, each on a line."""
    show_problems(terminal, [checked.problems], one_a_line=one_a_line)
    if one_a_line:
        return
    if checked.worst is not None and not checked.problems.has_errors:
        if len(checked.problems):
            terminal.say()
        show_worst(terminal, checked)


def show_forecast(
    terminal: Terminal, loaded: Loaded, checked: Checked, bench: BenchFile | None
) -> None:
    """How long the settings in force allow power, where the table's bound is that of others."""
    from grammar.quantity import TIME, write
    from sequencer.report.forecast import under_power_as_set

    longest_s = under_power_as_set(loaded.recipe, loaded.problems, checked, bench)
    if longest_s is not None:
        words = f"With the settings in force: under power up to {write(longest_s, TIME, 3)}."
        terminal.say()
        terminal.say(terminal.paragraph(words))


def _bench_of(arguments: Namespace) -> BenchFile | None:
    from sequencer import api

    return api.load_bench(arguments.bench) if arguments.bench is not None else None


def _verdict(arguments: Namespace, checked: Checked) -> str:
    if arguments.bench is None:
        return "Fit to dry-run; --bench BENCH checks it against an instrument, too."
    return f"Fit to run on {arguments.bench}: `fusewire dry-run` it first."


def _as_data(loaded: Loaded, checked: Checked) -> dict[str, object]:
    from sequencer.api import checks_of
    from sequencer.report.problems import as_data

    return {
        "recipe": loaded.problems.source.name,
        "title": checked.recipe.title,
        "fit": not checked.problems.has_errors,
        "problems": [as_data(problem) for problem in checked.problems],
        "worst": next(iter(checks_of(checked)), None),
    }


def load(given: str) -> Loaded:
    """Read a recipe for a command. Raises Mistake where it is no text."""
    from sequencer import api

    try:
        return api.load(given)
    except UnicodeDecodeError as error:
        raise Mistake(
            f"{given} is no UTF-8 text: byte {error.start} can't be read",
            "save it as UTF-8 in your editor",
        ) from None
    except OSError as error:
        raise Mistake(
            f"{given} can't be read: {error.strerror}", "make it readable, or name another file"
        ) from None
