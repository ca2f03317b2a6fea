"""What a recipe is made of: its constructs, and which of them stand in it together.

A generator that never makes some construct, or never two of them together, hides what goes wrong
there: the long run counts both, and an empty cell fails. Pairs that can't be are listed here with
the reason.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from itertools import combinations

from grammar import tree
from sequencer.checker import Checked
from sequencer.checker.naming.walking import nodes_of, steps_of
from tests.sequencer.checker_worst.declarations import KINDS

STEPS = (
    *("Setup", "SourceStep", "Output", "Measure", "Wait", "Every", "Repeat", "ForIn", "ForCount"),
    *("Leave", "If", "Sweep", "Ramp", "PulseStep", "CaptureStep", "Settle", "Switch", "WaitFor"),
    *("Ask", "ConfirmStep", "Called", "Let", "Set", "Reset", "Say", "Note", "Stop", "Fail"),
)
FEATURES = (
    *("finally", "require", "guard", "otherwise", "until", "if confirm", "digital condition"),
    *("function of a trace", "typed value", "fact of a part", "limit by part", "two-sided limit"),
    *("pulsed sweep", "train", "per pulse", "may be destroyed", "by channel", "second source"),
    *("voltage mode", "current mode", "setting"),
)
ALL = (*STEPS, *FEATURES, *KINDS)

IMPOSSIBLE: dict[frozenset[str], str] = {}
"""Pairs that no recipe can have, each with the reason.

There is none: what needs a part, a kind or a mode of its own gets it from a second channel or from
another step.
"""


def constructs(checked: Checked) -> set[str]:
    """What a recipe is made of, by the names in `ALL`."""
    recipe = checked.recipe
    steps = list(steps_of(recipe.steps + recipe.final))
    found = {type(step).__name__ for step in steps}
    found |= {part.kind for part in checked.parts.values()}
    nodes = [node for step in steps for node in nodes_of(step)]
    flags = {
        "finally": bool(recipe.final),
        "require": bool(recipe.requires),
        "guard": bool(recipe.guards),
        "setting": bool(recipe.settings),
        "second source": len(checked.parts) > 1,
        "otherwise": any(
            getattr(s, "otherwise", None) is not None for s in steps if not isinstance(s, tree.If)
        ),
        "until": any(getattr(s, "until", None) is not None for s in steps),
        "typed value": any(isinstance(s, tree.Ask) and s.into is not None for s in steps),
        "pulsed sweep": any(isinstance(s, tree.Sweep) and s.pulsed for s in steps),
        "train": any(isinstance(s, tree.PulseStep) and s.period is not None for s in steps),
        "if confirm": any(isinstance(node, tree.Confirm) for node in nodes),
        "digital condition": any(isinstance(node, tree.IsState) for node in nodes),
        "function of a trace": any(
            isinstance(node, tree.Call) and node.function.id in ("mean", "minimum", "maximum")
            for node in nodes
        ),
        "fact of a part": any(
            isinstance(node, tree.Member) and node.base.id in checked.parts for node in nodes
        ),
        "per pulse": any(part.per_pulse for part in checked.parts.values()),
        "may be destroyed": any(part.may_be_destroyed for part in checked.parts.values()),
        "by channel": any(part.watched_by for part in checked.parts.values()),
    }
    for step in steps:
        mode, limit = getattr(step, "mode", None), getattr(step, "limit", None)
        if mode is not None:
            flags[f"{mode} mode"] = True
        if isinstance(limit, tree.Name) and limit.id in checked.parts:
            flags["limit by part"] = True
        if isinstance(limit, tree.Range | tree.Tolerance):
            flags["two-sided limit"] = True
    return found | {name for name, has in flags.items() if has}


def count(found: Iterable[str], counts: Counter[str], pairs: Counter[frozenset[str]]) -> None:
    """Count the constructs of one recipe, and which stand in it together."""
    names = sorted(set(found) & set(ALL))
    counts.update(names)
    pairs.update(frozenset(pair) for pair in combinations(names, 2))


def missing(counts: Counter[str], pairs: Counter[frozenset[str]]) -> tuple[list[str], list[str]]:
    """The constructs, and the pairs of them that can be, which no recipe had."""
    alone = [name for name in ALL if not counts[name]]
    together = [
        " with ".join(pair)
        for pair in combinations(ALL, 2)
        if not pairs[frozenset(pair)] and frozenset(pair) not in IMPOSSIBLE
    ]
    return alone, together
