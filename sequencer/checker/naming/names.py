"""Names that nothing uses: worth a look, since what was written had a purpose.

Where some lines could not be read, nothing is said: they may be the ones that use them.
"""

from __future__ import annotations

from grammar import tree
from grammar.diagnostic import Related
from sequencer.checker.naming.scope import Definition, Workings
from sequencer.checker.naming.walking import is_argument, nodes_of

_MESSAGES = {
    "setting": ("the setting `{0}` is never used", "use it in the steps, or remove it"),
    "let": ("the value of `{0}` is never used", "use it, or remove the line"),
    "typed value": (
        "what is typed as `{0}` is never used",
        "use it, or ask without `into`; what was typed is on record either way",
    ),
    "channel": ("no step uses the channel `{0}`", "remove it, or measure it: measure {0}"),
    "digital line": (
        "no step uses the line `{0}`",
        "remove it, or look at it: guard {0} is low",
    ),
}


def check_used(work: Workings) -> None:
    """Warn of values, channels and lines that nothing uses, and of traces that look misspelt."""
    if work.lost:
        return
    in_unused = _in_unused_procedures(work)
    for definition in work.defined:
        known = definition.type.known or definition.role in ("channel", "digital line", "trace")
        if definition.used or definition.name in work.meant | in_unused or not known:
            continue
        if definition.role in _MESSAGES:
            message, hint = _MESSAGES[definition.role]
            if _is_parameter(definition):
                message, hint = "the parameter `{0}` is never used", "use it, or leave it out"
            work.problems.warning(
                f"unused-{definition.role.replace(' ', '-')}",
                definition.span,
                message.format(definition.shown),
                hint.format(definition.shown),
            )
        elif definition.role == "trace":
            _misspelt(work, definition)


def _is_parameter(definition: Definition) -> bool:
    node = definition.node
    return isinstance(node, tree.Let) and is_argument(node)


def _in_unused_procedures(work: Workings) -> set[str]:
    """The names in procedures that are never called: these are told of, and nothing else is."""
    called = {step.do.procedure.id for step in work.steps if isinstance(step, tree.Called)}
    return {
        node.id
        for procedure in work.checked.recipe.procedures
        if procedure.name.id not in called
        for node in nodes_of(procedure.body)
        if isinstance(node, tree.Name)
    }


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
