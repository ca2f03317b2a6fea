"""Names that nothing uses: worth a look, since what was written had a purpose.

Where some lines could not be read, nothing is said: they may be the ones that use them.
"""

from __future__ import annotations

from grammar.diagnostic import Related
from sequencer.checker.scope import Definition, Workings

_MESSAGES = {
    "setting": ("the setting `{0}` is never used", "use it in the steps, or remove it"),
    "let": ("the value of `{0}` is never used", "use it, or remove the line"),
    "channel": ("no step uses the channel `{0}`", "remove it, or measure it: measure {0}"),
}


def check_used(work: Workings) -> None:
    """Warn of settings, `let`s and channels that nothing uses, and of traces that look misspelt."""
    if work.lost:
        return
    for definition in work.defined:
        known = definition.role in ("channel", "trace") or definition.type.known
        if definition.used or definition.name in work.meant or not known:
            continue
        if definition.role in _MESSAGES:
            message, hint = _MESSAGES[definition.role]
            work.problems.warning(
                f"unused-{definition.role}",
                definition.span,
                message.format(definition.name),
                hint.format(definition.name),
            )
        elif definition.role == "trace":
            _misspelt(work, definition)


def _misspelt(work: Workings, trace: Definition) -> None:
    """A trace that no result looks at is still for the record, unless its name is a slip of one.

    The share of letters in common tells a slip (“dischargin”) from another word (“charging”).
    """
    from difflib import SequenceMatcher

    for other in work.defined:
        if (
            other.role == "trace"
            and other.used
            and _digits(other.name) == _digits(trace.name)
            and SequenceMatcher(None, other.name.lower(), trace.name.lower()).ratio() >= 0.9
        ):
            work.problems.warning(
                "unused-trace",
                trace.span,
                f"no result looks at the trace `{trace.name}`, and `{other.name}` is almost it",
                f"write into {other.name}, if that is meant",
                [Related(other.span, f"the trace `{other.name}`")],
            )


def _digits(name: str) -> str:
    return "".join(letter for letter in name if letter.isdigit())
