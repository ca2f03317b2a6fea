"""`explain`: what a kind of problem means, why it matters at the bench, and what to write."""

from __future__ import annotations

from argparse import Namespace
from itertools import groupby

from sequencer.commands.shared import Exit, Mistake, put_data, talk
from sequencer.explanations import Page, pages
from sequencer.report.terminal import Terminal


def explain(arguments: Namespace) -> int:
    """Show the page of one kind of problem, or list all of them."""
    known = pages()
    terminal = talk(arguments)
    if arguments.slug is None:
        if arguments.json:
            put_data([_as_data(page) for page in known.values()])
        else:
            _list(terminal, known)
        return Exit.MET
    # As it stands behind a problem's message, brackets and all.
    slug = arguments.slug.strip("[]").casefold()
    if slug not in known:
        from grammar.wording import near

        close = near(slug, known)
        raise Mistake(
            f"there is no problem that is called {arguments.slug}",
            f"did you mean {close}?" if close else "`fusewire explain` lists them all",
        )
    page = known[slug]
    if arguments.json:
        put_data(_as_data(page))
    else:
        _show(terminal, page)
    return Exit.MET


def _list(terminal: Terminal, known: dict[str, Page]) -> None:
    for group, members in groupby(known.values(), key=lambda page: page.group):
        terminal.say(terminal.heading(group))
        terminal.say(terminal.table([[page.slug, page.gist] for page in members]))
        terminal.say()
    terminal.say("`fusewire explain SLUG` shows one of them.")


def _show(terminal: Terminal, page: Page) -> None:
    terminal.say(terminal.heading(page.slug) + f"  ({page.group})")
    for kind, text in page.pieces():
        terminal.say()
        if kind:
            lines = [folded for line in text.split("\n") for folded in _folded(terminal, line)]
            terminal.say("\n".join(f"    {line}".rstrip() for line in lines))
        else:
            terminal.say(terminal.paragraph(text))


def _folded(terminal: Terminal, line: str) -> list[str]:
    """A line of an example, folded behind commas, as a recipe may be, where it is too wide."""
    room = terminal.width - 4
    lead = line[: len(line) - len(line.lstrip())]
    pieces, found = line.split(", "), [""]
    for k, piece in enumerate(pieces):
        last = k == len(pieces) - 1
        text = piece if last else f"{piece},"
        before = found[-1]
        if before.strip() and len(before) + 1 + len(text) > room:
            found.append(f"{lead}        {text}")
        else:
            found[-1] = f"{before} {text}" if before else text
    return found


def _as_data(page: Page) -> dict[str, str]:
    return {"slug": page.slug, "group": page.group, "gist": page.gist, "text": page.text}
