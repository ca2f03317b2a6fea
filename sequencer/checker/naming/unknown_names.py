"""Names that stand for nothing where they are used: what was meant, and where it is known.

Finds the nearest name, the block or procedure that a name belongs to, or the line that would
declare it. Defines nothing.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from grammar import tree
from grammar.diagnostic import Related, Span
from grammar.wording import listed, near
from sequencer.checker.naming.unread import indent
from sequencer.checker.naming.words import ELAPSED, as_written

if TYPE_CHECKING:
    from sequencer.checker.naming.scope import Workings

MOST_SUGGESTIONS = 200
"""After so many problems names are no longer compared: in a long recipe that takes its time."""

_DECLARED = {"channel": "channel {0}: source, measure", "digital line": "digital {0}: input"}


def unknown(work: Workings, name: tree.Name, roles: tuple[str, ...]) -> None:
    """Report a name that stands for nothing here; `roles` are those that would do."""
    word = as_written(name.id)
    names = [definition.shown for definition in work.visible(roles)]
    if "let" in roles:
        inside = work.local_to_final if work.place == "finally" else work.local
        elsewhere = inside.get(name.id) or work.local.get(name.id)
        if elsewhere is not None:
            work.meant.add(name.id)
            if work.procedure is not None and name.id == word:
                _outside(work, name, elsewhere, to_set=len(roles) == 1)
            else:
                _known_elsewhere(work, name, elsewhere, name.id in inside)
            return
        own = next((n for n in work.local if as_written(n) == word), None)
        if own is not None:
            work.meant.add(own)
            if work.procedure is not None:
                _outside(work, name, work.local[own], to_set=len(roles) == 1)
            elif work.place == "steps":
                _inside(work, name, own)
            else:
                _known_elsewhere(work, name, work.local[own], same_steps=False)
            return
    # `elapsed` can be looked at, and is never `set`, which takes what `let` has named alone.
    if "let" in roles and len(roles) > 1 and work.place in ("steps", "finally"):
        names.append(ELAPSED)
    wanted = near(word, names) if len(work.problems) < MOST_SUGGESTIONS else None
    if wanted is not None:
        work.meant.add(wanted)
    kind = roles[0] if roles in (("channel",), ("trace",), ("digital line",)) else "name"
    if wanted is not None:
        hint = f"write {wanted}"
    elif kind in _DECLARED:
        hint = f"declare it: {_DECLARED[kind].format(word)}"
        work.meant.update(names)
        if names:
            hint = f"the recipe has {listed(names)}; or {hint}"
    elif names and len(roles) == 1:
        hint = f"the recipe has {listed(names)}"
    else:
        hint = "give it a value first: " + (
            f"let {word} = …" if "let" in roles else f"setting {word} = …"
        )
        if roles == ("trace",):
            hint = f"take readings into it: measure smu into {word}"
    slug = f"unknown-{kind.replace(' ', '-')}"
    work.problems.error(slug, name.span, f"there is no {kind} `{word}` here", hint)


def _outside(work: Workings, name: tree.Name, first: Span, to_set: bool) -> None:
    """A name of the steps around a call, in the procedure that is called."""
    assert work.procedure is not None
    message = (
        f"`{name.id}` is a name of other steps: a procedure sees settings, its parameters and "
        "its own names"
    )
    hint = f"make it a parameter, and call do {work.procedure.id}({name.id} = {name.id})"
    if to_set:
        message = f"`{name.id}` is a name of other steps, and `set` doesn't reach out of a "
        message += "procedure"
        hint = f"write the `set` in the steps that call `{work.procedure.id}`"
    where = [Related(first, "its definition")]
    work.problems.error("name-out-of-reach", name.span, message, hint, where)


def _inside(work: Workings, name: tree.Name, own: str) -> None:
    """A name of a procedure's own, in steps outside of it."""
    procedure, _, word = own.rpartition(".")
    work.problems.error(
        "name-out-of-reach",
        name.span,
        f"`{word}` is a name of the procedure `{procedure}` alone",
        "work the value out here as well, or write what needs it in the procedure",
        [Related(work.local[own], "its definition")],
    )


def _known_elsewhere(work: Workings, name: tree.Name, first: Span, same_steps: bool) -> None:
    line, own = work.problems.source.line(first.line), work.problems.source.line(name.span.line)
    word = as_written(name.id)
    message = f"`{word}` is known only in the block that defines it"
    hint = f"write `let {word} = …` before that block, and `set {word} = …` inside it"
    if name.id in work.asked:
        hint = "ask for it before that block, on every path"
    if work.place == "declarations":
        message = f"`{word}` is defined by a step, and is not known here"
        hint = "use a setting; a guard may use readings and counters as well"
    elif not same_steps:
        message = f"`finally` can't count on `{word}`: the run may end before it has a value"
        hint = "use a setting, or work the value out again in `finally`"
    elif first > name.span and indent(line) <= indent(own):
        message = f"`{word}` is used before it has a value"
        hint = f"move its definition up: let {word} = …"
        if name.id in work.asked:
            hint = f"ask for it before: ask …, into {word} in …"
    work.problems.error(
        "name-out-of-reach", name.span, message, hint, [Related(first, "its definition")]
    )
